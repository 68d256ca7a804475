"""The main job, end to end: each fixture against its hidden truth.

The truths under ``tests/truth/`` are what the invented marks were drawn from
(``tests/invent_fixtures.py``); the pipeline never reads them.
"""

from __future__ import annotations

import json
import shutil
from functools import lru_cache
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy import stats

from sitegis import pipeline
from sitegis.write import write_outputs

from .computed import NAMES, computed

PROJECT = Path(__file__).parents[1]
WRITTEN_WITH = {"numpy": "2.4.", "scipy": "1.17.", "shapely": "2.2."}


@lru_cache(maxsize=8)
def hidden(name: str) -> dict:
    """Read a fixture's hidden truth."""
    return json.loads((PROJECT / "tests" / "truth" / f"{name}.json").read_text("utf-8"))


@pytest.mark.parametrize("name", NAMES)
def test_true_main_is_ranked_first(name: str) -> None:
    """The most probable hypothesis names the main and the way that are really there."""
    best = computed(name).scores.hypotheses[0].hypothesis

    assert (best.main, best.way) == (hidden(name)["main"], hidden(name)["way"])


@pytest.mark.parametrize("name", NAMES)
def test_true_exit_lies_in_the_95_percent_ellipse(name: str) -> None:
    """The true exit is within the 95 % ellipse of the computed one."""
    penetration = computed(name).exit
    true = hidden(name)["exit"]
    away = np.array([true["x_m"] - penetration.x_m, true["y_m"] - penetration.y_m])
    squared = away @ np.linalg.solve(penetration.covariance[:2, :2], away)

    assert squared <= stats.chi2.ppf(0.95, 2)


@pytest.mark.parametrize("name", NAMES)
def test_true_invert_at_the_exit_is_within_its_95_percent_interval(name: str) -> None:
    """The true invert at the wall is within 1.96 sd of the computed one."""
    penetration = computed(name).exit

    assert (
        abs(hidden(name)["exit"]["invert_m"] - penetration.invert_m)
        <= 1.96 * penetration.invert_sd_m
    )


@pytest.mark.parametrize("name", NAMES)
def test_true_lateral_lies_in_the_95_percent_corridor(name: str) -> None:
    """At least nine tenths of the true outdoor line lie in the best hypothesis's corridor."""
    survey = computed(name)
    best = survey.scores.hypotheses[0].hypothesis.id
    corridor = next(c for c in survey.dig.corridors if c.hypothesis == best and c.level == 0.95)
    area = shapely.union_all(
        [
            shapely.Polygon(ring, holes)
            for ring, holes in zip(corridor.rings, corridor.holes, strict=True)
        ]
    )
    line = shapely.LineString(hidden(name)["drain"])
    outdoors = line.difference(shapely.Polygon(survey.site.building.vertices))
    share = outdoors.intersection(area.buffer(survey.site.dig.cell_m)).length / outdoors.length

    assert share > 0.9


@pytest.mark.parametrize("name", NAMES)
def test_pits_in_order_find_the_true_lateral(name: str) -> None:
    """One of the planned pits is cut by the true line and is dug to below its invert."""
    survey, true = computed(name), hidden(name)
    line = shapely.LineString(true["drain"])
    hits = [pit for pit in survey.dig.pits if shapely.Polygon(pit.ring).intersects(line)]

    assert hits
    pit = hits[0]
    station = line.project(shapely.Point(pit.x_m, pit.y_m))
    exit_station = line.project(shapely.Point(true["exit"]["x_m"], true["exit"]["y_m"]))
    invert = true["exit"]["invert_m"] - true["slope"] * (station - exit_station)
    ground = float(survey.site.ground.elevation_m(np.array([pit.x_m, pit.y_m])))
    assert pit.depth_m >= ground - invert - 0.1


@pytest.mark.parametrize("name", NAMES)
def test_probabilities_sum_to_one(name: str) -> None:
    """The hypotheses' probabilities sum to 1."""
    total = sum(scored.probability for scored in computed(name).scores.hypotheses)

    assert total == pytest.approx(1.0, abs=1e-9)


def test_the_same_site_gives_the_same_answer() -> None:
    """Two runs over one folder give the same survey to the last bit."""
    assert pipeline.compute(PROJECT / "fixtures" / "tape-only") == computed("tape-only")


def _same_libraries() -> bool:
    """Return whether the libraries are those with which ``maps/`` was written."""
    return all(metadata.version(name).startswith(v) for name, v in WRITTEN_WITH.items())


def test_committed_map_is_what_the_code_writes(tmp_path: Path) -> None:
    """The result under ``maps/`` is what the current code makes of the corner lot.

    With the libraries it was written with, every number agrees to a millionth (the last bits
    differ between processors). Other versions draw other quasi-random points: then the exit
    agrees as closely, and the probabilities within Monte Carlo error.
    """
    write_outputs(computed("corner-lot-alley"), tmp_path / "out")
    committed = PROJECT / "maps" / "corner-lot-alley"
    assert sorted(p.name for p in committed.iterdir()) == sorted(
        p.name for p in (tmp_path / "out").iterdir()
    )
    for name in ("answer.json", "lateral.geojson"):
        old = json.loads((committed / name).read_text("utf-8"))
        new = json.loads((tmp_path / "out" / name).read_text("utf-8"))
        if _same_libraries():
            _assert_alike(old, new, name)
        elif name == "answer.json":
            _assert_alike(old["exit"], new["exit"], "exit")
            chances = [{h["id"]: h["probability"] for h in a["hypotheses"]} for a in (old, new)]
            assert chances[1] == pytest.approx(chances[0], abs=0.02)


def _assert_alike(old: object, new: object, where: str) -> None:
    """Compare two JSON values, numbers within a tolerance."""
    if isinstance(old, dict) and isinstance(new, dict):
        assert list(old) == list(new), where
        for key in old:
            _assert_alike(old[key], new[key], f"{where}.{key}")
    elif isinstance(old, list) and isinstance(new, list):
        assert len(old) == len(new), where
        for i, (one, other) in enumerate(zip(old, new, strict=True)):
            _assert_alike(one, other, f"{where}[{i}]")
    elif isinstance(old, float) or isinstance(new, float):
        assert new == pytest.approx(old, rel=1e-6, abs=1e-6), where
    else:
        assert old == new, where


@pytest.mark.parametrize("name", NAMES)
def test_every_depth_lies_within_its_own_band(name: str) -> None:
    """The depth that is told is never outside the 5 to 95 % that stand beside it."""
    for step in computed(name).dig.depths:
        assert step.depth_05_m <= step.depth_m <= step.depth_95_m


def test_a_mark_left_out_is_as_if_never_measured(tmp_path: Path) -> None:
    """Without L4 the answer is that of a folder without its row, and says what it supposes."""
    fixture = PROJECT / "fixtures" / "tape-only"
    folder = Path(shutil.copytree(fixture, tmp_path / "site"))
    lines = (folder / "locates.csv").read_text("utf-8").splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith("L4,")]
    (folder / "locates.csv").write_text("".join(kept), "utf-8")
    never = pipeline.compute(folder)
    left_out = pipeline.compute(fixture, pipeline.WhatIf(frozenset({"L4"})))
    assert "L4" not in {point.id for point in left_out.placement.points}
    assert left_out.exit.covariance == pytest.approx(never.exit.covariance)
    assert [s.probability for s in left_out.scores.hypotheses] == pytest.approx(
        [s.probability for s in never.scores.hypotheses]
    )
    assert "What if: without L4." in {notice.message for notice in left_out.notices}
