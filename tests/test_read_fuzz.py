"""Whatever is in the folder, reading it gives a survey or ``BadInput``, nothing else."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Callable
from pathlib import Path

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from sitegis.messages.errors import BadInput, Fault
from sitegis.model.survey import Survey
from sitegis.read import read_site
from tests.read_folder import LOCATES, SITE, TIES, write_folder

NAMES = ("site.toml", "locates.csv", "ties.csv", "findings.csv")
NASTY = (
    "", "nan", "inf", "-inf", "1e400", "-1", "0", "99999999999999999999", "9" * 5000, '"', "'",
    '""', "''", "[", "]", "{", "}", "=", ",", ";", "\n", "\r", "\t", "\0", "\ufeff", "é", "½", "′",
    "true", "[]", "{}", '"x"', "1-2", "12-4", "1,5", "0x10", "1979-05-27", "../..", "/dev/zero",
    '"EPSG:4326"', '"EPSG:3857"', '"front"', "\u202e", "#", "\\", "[[room]]", "[site]",
)  # fmt: skip


def faults_or_none(folder: Path) -> tuple[Fault, ...] | None:
    """Read a folder: its faults, or None where it gave a survey."""
    try:
        survey = read_site(folder)
    except BadInput as error:
        return error.faults
    assert isinstance(survey, Survey)
    return None


def mutate(text: str, generator: random.Random) -> str:
    """Spoil a text: words, lines and characters replaced, doubled, dropped or swapped."""
    lines = text.splitlines()
    place = generator.randrange(len(lines))

    def replace_value(line: str) -> str:
        head, mark, _ = line.partition("=")
        return f"{head}{mark} {generator.choice(NASTY)}"

    def replace_cell(line: str) -> str:
        cells = line.split(",")
        cells[generator.randrange(len(cells))] = generator.choice(NASTY)
        return ",".join(cells)

    def insert(line: str) -> str:
        at = generator.randrange(len(line) + 1)
        return line[:at] + generator.choice(NASTY) + line[at:]

    def swap_line(_: str) -> str:
        return lines[generator.randrange(len(lines))]

    changes: tuple[Callable[[str], str], ...] = (
        replace_value,
        replace_cell,
        insert,
        swap_line,
        lambda line: "",
        lambda line: line + line,
    )
    lines[place] = generator.choice(changes)(lines[place])
    return "\n".join(lines) + "\n"


@settings(
    deadline=None, max_examples=50, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
@given(seed=st.integers(0, 2**32), count=st.integers(1, 6))
@example(seed=1, count=1)
def test_only_bad_input_or_a_survey(seed: int, count: int) -> None:
    """Two folders an example, each spoiled in one to six places, raise nothing but BadInput."""
    for part in range(2):
        generator = random.Random(seed * 2 + part)
        texts = {"site": SITE, "locates": LOCATES, "ties": TIES}
        for _ in range(count):
            name = generator.choice(("site", "site", "locates", "ties"))
            texts[name] = mutate(texts[name], generator)
        with tempfile.TemporaryDirectory() as folder:
            write_folder(Path(folder), **texts)
            faults = faults_or_none(Path(folder))
        assert faults is None or (faults and all(f.reason and f.remedy for f in faults))


@settings(deadline=None, max_examples=25, derandomize=True)
@given(
    raw=st.binary(max_size=400),
    name=st.sampled_from(NAMES),
)
def test_any_bytes(raw: bytes, name: str) -> None:
    """Any bytes in place of a file raise nothing but BadInput."""
    with tempfile.TemporaryDirectory() as folder:
        write_folder(Path(folder))
        (Path(folder) / name).write_bytes(raw)
        faults = faults_or_none(Path(folder))
    assert faults is None or faults
