"""Spoiled site folders end in exit 0, 1, 2 or 3 with a report, never in a defect or a stall."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from tests.hardness.corpus import FIXTURES, Mutation, Spoiled, drawn, spoiled
from tests.hardness.files import file_replaced
from tests.hardness.judge import judge
from tests.hardness.messages import TABLE
from tests.hardness.shapes import building_described, lot_described, settings_wild, things_around
from tests.hardness.tables import columns_lifted, marks_moved, rows_many, tied_wildly
from tests.hardness.toml_text import leaves_nudged, nested_deep

pytestmark = pytest.mark.adverse

QUICK = settings(
    deadline=None,
    max_examples=15,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def broken(case: Spoiled, command: str) -> tuple[str, ...]:
    """Spoil a folder, run a command on it, and give the promises it broke."""
    with tempfile.TemporaryDirectory() as folder:
        site = case.write(Path(folder) / "site")
        (Path(folder) / "outs").mkdir()
        outcome = judge(command, site, Path(folder) / "outs" / "out")
    known = set(re.findall(r"^\| `([a-z0-9-]+)`", TABLE.read_text("utf-8"), re.M))
    told = set(re.findall(r"\[([a-z0-9-]+)\]$", outcome.errors, re.M))
    untold = () if told <= known else (f"not in the table of messages: {told - known}",)
    return outcome.broken + untold


def many(case: int) -> Any:
    """Leave a case to the run of all statistical checks."""
    return pytest.param(case, marks=pytest.mark.statistical)


@pytest.mark.parametrize("start", [0, *(many(n) for n in range(20, 440, 20))])
def test_check_keeps_its_promises_on_drawn_folders(start: int) -> None:
    """``check`` on 440 spoiled folders: each ends in order, within ten seconds."""
    found = {case.name: broken(case, "check") for case in map(drawn, range(start, start + 20))}
    assert not {name: promises for name, promises in found.items() if promises}


@pytest.mark.parametrize(
    "seed", [5, 2008, 2262, 300005, 400226, *(many(n) for n in (601552, *range(6000, 6005)))]
)
def test_run_keeps_its_promises_on_drawn_folders(seed: int) -> None:
    """``run`` on spoiled folders: in order, outputs whole JSON or none, probabilities sum to 1."""
    assert not broken(drawn(seed), "run")


@pytest.mark.statistical
@QUICK
@given(case=spoiled("text", "files"))
def test_any_text_and_any_kind_of_file(case: Spoiled) -> None:
    """Whatever stands in site.toml, and whatever lies in a file's place: no defect."""
    assert not broken(case, "check")


@pytest.mark.statistical
@QUICK
@given(case=spoiled("tables"))
def test_any_table(case: Spoiled) -> None:
    """Whatever stands in the tables: no defect."""
    assert not broken(case, "check")


@pytest.mark.statistical
@QUICK
@given(case=spoiled("shapes"))
def test_any_shape(case: Spoiled) -> None:
    """Whatever the geometry, the CRS and the settings: no defect."""
    assert not broken(case, "check")


@pytest.mark.parametrize(
    ("mutation", "fixture", "seed"),
    [
        (nested_deep, "corner-lot-alley", 1002),
        (nested_deep, "side-yard-run", 2262),
        (tied_wildly, "side-yard-run", 1066),
        (rows_many, "tape-only", 3),
        (columns_lifted, "tape-only", 1),
        (marks_moved, "metric-rear-main", 4),
        (leaves_nudged, "corner-lot-alley", 6),
        (settings_wild, "side-yard-run", 7),
        (things_around, "tape-only", 8),
        (lot_described, "tape-only", 9),
        (building_described, "side-yard-run", 10),
        (file_replaced, "metric-rear-main", 11),
    ],
)
def test_run_keeps_its_promises_on_one_of_each(mutation: Mutation, fixture: str, seed: int) -> None:
    """Each family of mutations once, through the whole pipeline."""
    folder = next(f for f in FIXTURES if f.name == fixture)
    assert not broken(Spoiled(folder, (mutation,), seed), "run")
