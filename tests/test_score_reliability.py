"""What is said of how stated probabilities held: the numbers of the benchmark, rightly chosen."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pypdf
import pytest

from sitegis.model.results import Hypothesis, ScoredHypothesis
from sitegis.score.words import HELD, TRIAL_HOUSES, reliability_words
from sitegis.write.page.html import map_bytes
from sitegis.write.record import record_bytes

from .filled import filled_survey

TABLE = Path(__file__).parent / "benchmarks" / "calibration.txt"
ROW = re.compile(
    r"^ *(?P<low>\d\.\d\d) – (?P<high>\d\.\d\d) +\d+ +\d\.\d+ +"
    r"(?P<right>\d\.\d+) \[(?P<below>\d\.\d+), (?P<above>\d\.\d+)\]$",
    re.MULTILINE,
)


def scored(main: str | None, probability: float) -> ScoredHypothesis:
    hypothesis = Hypothesis(f"{main}:{probability}", main, "direct", None, None, 0.1)
    nothing = np.zeros(0)
    return ScoredHypothesis(hypothesis, probability, 0.0, 0.0, 0.0, (), nothing, None)


def test_the_rows_are_the_benchmarks() -> None:
    """Every row from 20 % on stands in the measured table, and so does the number of houses."""
    text = TABLE.read_text(encoding="utf-8")
    measured = [tuple(float(v) for v in row.groups()) for row in ROW.finditer(text)]
    told = [(h.low, h.high, h.right, h.right_low, h.right_high) for h in HELD]
    assert told == [row for row in measured if row[0] >= 0.2]
    assert f"\n{TRIAL_HOUSES} invented houses" in text


def test_the_ways_of_a_main_count_together() -> None:
    """50 % direct and 35 % by the yard are 85 % for the main: the row from 80 to 95 %."""
    words = reliability_words([scored("front", 0.5), scored("front", 0.35), scored("alley", 0.15)])
    assert "stated at 80 % to 95 %" in words


def test_map_and_record_tell_it_beside_the_probabilities() -> None:
    """The page and the record carry the sentence that belongs to the survey's leading main."""
    survey = filled_survey()
    words = reliability_words(survey.scores.hypotheses)
    assert words in map_bytes(survey).decode("utf-8")
    pages = pypdf.PdfReader(io.BytesIO(record_bytes(survey))).pages
    told = " ".join(" ".join(page.extract_text() for page in pages).split())
    assert words in told


@pytest.mark.parametrize(
    ("probability", "row"),
    [(0.3, "20 % to 40 %"), (0.9499, "80 % to 95 %"), (0.95, "95 % to 99 %"), (1.0, "99 % to 100")],
)
def test_the_row_is_that_of_the_leading_main(probability: float, row: str) -> None:
    """Bounds belong to the row above them; less than any takes the first."""
    assert f"stated at {row}" in reliability_words([scored("front", probability)])
