"""An unlisted lateral: shares of walls that can be summed by hand, and holes that it passes."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from sitegis.finds.kinds import across_sd_m
from sitegis.finds.records import Found, Missed
from sitegis.finds.reweigh import STRAY_BREADTH_M
from sitegis.geometry.frames import Array
from sitegis.model.results import Hypothesis
from sitegis.model.site import SIDES, Side, Site
from sitegis.model.survey import Survey
from sitegis.pipeline import compute
from sitegis.routes import sample_routes
from sitegis.routes.unlisted import unlisted_log_fit, unlisted_routes
from sitegis.rules.rule_set import load_rules
from sitegis.score import score_hypotheses
from sitegis.write.outputs import output_files
from sitegis.write.text import join_sentence

from .computed import FIXTURES, computed
from .invented import corner_site, front_exit

HOLE_WIDTH_M = 0.9


def site_with(mains: tuple[str, ...], streets: tuple[Side, ...] = ("front",)) -> Site:
    site = corner_site()
    return replace(
        site,
        mains=tuple(main for main in site.mains if main.side in mains),
        streets=tuple(street for street in site.streets if street.side in streets),
    )


@pytest.mark.parametrize("mains", [(), ("front",), ("front", "rear"), ("right",)])
def test_the_four_walls_share_one_probability(mains: tuple[str, ...]) -> None:
    """p(wall | unlisted) sums to 1 over the walls; from each it fits with e⁻¹."""
    fits = [np.exp(unlisted_log_fit(site_with(mains), side)) for side in SIDES]
    assert sum(fits) == pytest.approx(np.exp(-1.0))


def test_an_unlisted_lateral_leaves_where_no_main_is_on_record() -> None:
    """With the front main alone on record: rear 1, the three others 0.25 each of 1.75."""
    site = site_with(("front",))
    assert np.exp(unlisted_log_fit(site, "rear") + 1.0) == pytest.approx(1.0 / 1.75)
    assert np.exp(unlisted_log_fit(site, "front") + 1.0) == pytest.approx(0.25 / 1.75)
    assert np.exp(unlisted_log_fit(site, "left") + 1.0) == pytest.approx(0.25 / 1.75)


def test_a_side_counts_where_it_has_a_street() -> None:
    """A side street without a main on record is as open as the rear."""
    site = site_with(("front",), ("front", "right"))
    assert unlisted_log_fit(site, "right") == pytest.approx(unlisted_log_fit(site, "rear"))
    assert unlisted_log_fit(site, "left") < unlisted_log_fit(site, "right")


def hole(
    name: str, ahead_m: float, beside_m: float, length_m: float, width_m: float = HOLE_WIDTH_M
) -> Missed:
    """Dig a hole across the exit's line, its middle so far ahead of the wall and left of it."""
    exit = front_exit()
    ahead = np.array([np.cos(exit.angle_rad), np.sin(exit.angle_rad)])
    left = np.array([-ahead[1], ahead[0]])
    x, y = np.array([exit.x_m, exit.y_m]) + ahead_m * ahead + beside_m * left
    across = float(np.arctan2(left[1], left[0]))
    dug = Missed(name, "test-pit", float(x), float(y), 0.02, "lot coordinates", "no")
    return replace(dug, angle_rad=across, length_m=length_m, width_m=width_m)


def told(site: Site) -> dict[str, Array]:
    """Return ln P(item | first straight) by item, over the draws."""
    hypothesis = Hypothesis("unlisted", None, "unlisted", None, None, 0.02)
    return dict(unlisted_routes(hypothesis, site, front_exit()).log_likelihoods)


def straight_so_far(distance_m: float) -> float:
    """Return P(no bend before a distance) by the law of straights written out.

    No bend in 0.4; else the first one 0.3 m out or more: 0.4 exponential of 1 m, 0.6 even to 20 m.
    """
    past = distance_m - 0.3
    return 0.4 + 0.6 * (0.4 * np.exp(-past) + 0.6 * (1.0 - past / 19.7))


@pytest.mark.parametrize(("ahead_m", "beside_m"), [(1.5, 0.0), (1.5, 0.4), (4.0, -0.5)])
def test_an_unlisted_lateral_passes_a_hole_before_the_wall_like_any_other(
    ahead_m: float, beside_m: float
) -> None:
    """Closed form: the exit's normal law beside its line, times P(straight up to the hole)."""
    site = corner_site(evidence=(hole("F1", ahead_m, beside_m, 0.6, 0.1),))
    (logs,) = told(site).values()
    sd = np.hypot(0.15, ahead_m * np.radians(1.5))
    beside = float(np.diff(norm.cdf(np.array([beside_m - 0.3, beside_m + 0.3]) / sd))[0])
    passes = beside * straight_so_far(ahead_m - 0.05)
    assert np.exp(logs).mean() == pytest.approx(1.0 - 0.95 * passes, abs=0.015)


@pytest.mark.parametrize(("ahead_m", "beside_m"), [(1.5, 0.1), (1.5, -0.4), (5.0, 0.2)])
def test_a_find_beside_an_unlisted_lateral_is_told_as_beside_any_other(
    ahead_m: float, beside_m: float
) -> None:
    """Closed form: normal beside the exit's line times P(straight up to it), else as anywhere.

    Of finds 0.98 are this drain; any other lies within 20 m, as one that is passed unseen does.
    """
    dug = hole("F1", ahead_m, beside_m, 0.6)
    find = Found("F1", "test-pit", dug.x_m, dug.y_m, 0.02, "lot coordinates", "yes")
    logs = told(corner_site(evidence=(find,)))["F1"]
    line_sd, own_sd = np.hypot(0.15, ahead_m * np.radians(1.5)), across_sd_m(find, corner_site())
    beside = norm.pdf(beside_m, 0.0, np.hypot(line_sd, own_sd))
    straight, anywhere = straight_so_far(ahead_m), 1.0 / STRAY_BREADTH_M
    expected = straight * (0.98 * beside + 0.02 * anywhere) + (1.0 - straight) * anywhere
    assert np.exp(logs).mean() == pytest.approx(expected, rel=0.06)


def test_a_connection_tells_nothing_of_an_unlisted_lateral() -> None:
    """Where it ends is not known: anywhere within 20 m, as for a stray pipe."""
    dug = hole("F1", 1.5, 0.0, 0.6)
    find = Found("F1", "connection", dug.x_m, dug.y_m, 0.02, "lot coordinates", "yes")
    logs = told(corner_site(evidence=(find,)))["F1"]
    assert np.exp(logs) == pytest.approx(1.0 / STRAY_BREADTH_M)


def test_a_hole_above_an_unlisted_lateral_says_nothing_of_it() -> None:
    shallow = replace(hole("F1", 1.5, 0.0, 3.0), dug_to_m=0.5)
    (logs,) = told(corner_site(evidence=(shallow,))).values()
    assert logs == pytest.approx(0.0, abs=1e-12)
    assert not told(corner_site(evidence=()))


def test_two_holes_are_held_against_the_same_unlisted_lateral() -> None:
    """ln Z falls by the mean of the joint likelihood over laterals bent before, between, past."""
    near, far = hole("F1", 1.5, 0.0, 3.0), hole("F2", 4.0, 0.0, 3.0)
    both, one, none = (
        score_hypotheses(
            sample_routes(
                Survey(corner_site(evidence=some), load_rules("us-ipc"), penetration=front_exit())
            )
        )
        for some in ((near, far), (near,), ())
    )
    reached, passed = (straight_so_far(d - 0.5 * HOLE_WIDTH_M) for d in (1.5, 4.0))
    # 0.05 of a hole alone, of two 0.04 together and the rest each on its own
    twice = 0.04 + 0.96 * (1.0 - 0.95 / 0.96) ** 2
    of_one = 1.0 - reached + 0.05 * reached
    of_both = 1.0 - reached + 0.05 * (reached - passed) + twice * passed
    log_z = [
        next(h.log_evidence for h in s.scores.hypotheses if h.hypothesis.main is None)
        for s in (none, one, both)
    ]
    assert np.exp(np.diff(log_z)) == pytest.approx([of_one, of_both / of_one], rel=0.05)


def test_how_far_it_is_held_against_holes_is_said() -> None:
    """A stated judgment is an input: it is printed, once, with or without misses."""
    for name in ("dug-and-found", "corner-lot-alley"):
        told = [
            one for one in computed(name).scores.assumptions if "Pits, holes that missed" in one
        ]
        assert len(told) == 1
        assert "65' 7" in told[0]  # 20 m are 65.617 ft


def test_without_a_main_on_record_a_find_is_an_answer_still(tmp_path: Path) -> None:
    """The story's find, no main on record: all is written, and the exit leads to the find.

    By the find's own place: the straight on from the exit of the marks passes it by more.
    """
    folder = tmp_path / "site"
    shutil.copytree(FIXTURES / "dug-and-found", folder)
    text = (folder / "site.toml").read_text("utf-8")
    blocks = re.split(r"(?m)^(?=\[)", text)
    kept = [one for one in blocks if not one.startswith(("[[main]]", "[[main."))]
    assert len(kept) < len(blocks)
    (folder / "site.toml").write_text("".join(kept), "utf-8")
    survey = compute(folder)
    assert [one.probability for one in survey.scores.hypotheses] == [1.0]
    find = next(item for item in survey.site.evidence if isinstance(item, Found))
    gaps = []
    for one in (survey.exit.mixture[0], survey.exit_from_inside.mixture[0]):
        ahead = np.array([np.cos(one.angle_rad), np.sin(one.angle_rad)])
        gap = np.array([find.x_m - one.x_m, find.y_m - one.y_m])
        gaps.append(abs(float(gap[0] * ahead[1] - gap[1] * ahead[0])))
    assert gaps[0] < 0.05 < gaps[1]
    page = output_files(survey)["map.html"].decode("utf-8")
    assert "Sewer lateral, to a main not on record" in page
    assert join_sentence(survey).startswith("No main is on record")
