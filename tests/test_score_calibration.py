"""Limiting cases through all stages, and whether the posterior beats the prior (all invented)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sitegis.evidence import Evidence, OutdoorLocate
from sitegis.exit import find_exit
from sitegis.line import fit_line
from sitegis.model.site import Priors
from sitegis.model.survey import Survey
from sitegis.place import place_points
from sitegis.routes import sample_routes
from sitegis.rules.rule_set import load_rules
from sitegis.score import score_hypotheses

from .benchmarks.calibration import run_house
from .invented import Truth, corner_site
from .neighborhood import draw_house
from .test_routes_sample import exit_at

REAR_TRUTH = Truth(np.array([[7.4, 14.5], [7.4, 40.5]]), -0.3, 0.0208, "alley-main")


def main_probability(main: str, *evidence: Evidence) -> float:
    """Run all stages on the corner lot with a drain toward the alley."""
    survey = Survey(corner_site(REAR_TRUTH, evidence=evidence), load_rules("us-ipc"))
    for stage in (place_points, fit_line, find_exit, sample_routes, score_hypotheses):
        survey = stage(survey)
    scored = survey.scores.hypotheses
    return sum(s.probability for s in scored if s.hypothesis.main == main)


def test_point_located_in_the_alley_settles_it() -> None:
    """A head found in the alley makes the alley more than 99 % likely."""
    assert main_probability("alley-main", OutdoorLocate(7.4, 39.0, None)) > 0.99


def mirrored_survey() -> Survey:
    """Return a lot that is its own mirror image front to rear, the drain leaving at the middle.

    The front street and its main stand once more behind the lot; the house is in the middle.
    """
    site = corner_site()
    depth, front = float(site.lot.vertices[2, 1]), site.mains[0]
    flip, up = np.array([1.0, -1.0]), np.array([0.0, depth])
    street = next(s for s in site.streets if s.side == "front")
    rear_street = replace(street, name="Rear", side="rear", row=street.row[::-1] * flip + up)
    level = np.full(2, front.inverts_m[0])
    mains = tuple(
        replace(front, id=f"{side}-main", side=side, street=name, line=line, inverts_m=level)
        for side, name, line in (
            ("front", street.name, front.line),
            ("rear", "Rear", front.line * flip + up),
        )
    )
    size = site.building.vertices[2, 1] - site.building.vertices[0, 1]
    shift = np.array([0.0, 0.5 * (depth - size) - site.building.vertices[0, 1]])
    building = replace(site.building, vertices=site.building.vertices + shift)
    ground = replace(site.ground, elevations_m=np.full(3, 2.0))
    site = replace(
        site,
        streets=(street, rear_street),
        mains=mains,
        building=building,
        ground=ground,
        priors=Priors(front=1.0, rear=1.0),
    )
    left = exit_at(float(building.vertices[0, 0]), 0.5 * depth, 180.0, "left", 3)
    return Survey(site, load_rules("us-ipc"), penetration=left)


def test_mirrored_lot_gives_equal_halves() -> None:
    """A lot that is its own mirror image gives front and rear the same probability."""
    scored = score_hypotheses(sample_routes(mirrored_survey())).scores.hypotheses
    front, rear = (
        sum(s.probability for s in scored if s.hypothesis.main == main)
        for main in ("front-main", "rear-main")
    )
    spread = max(s.log_evidence_se for s in scored if s.probability > 0.05)
    assert front > 0.4
    assert abs(np.log(front / rear)) < 4 * np.sqrt(2) * spread


def test_without_evidence_probability_is_prior_times_fit() -> None:
    """Through all stages: with nothing but the marks p is prior × Z of the geometry, normed.

    The drain leaves toward a neighbor and both ends have their main on record, so that an
    unlisted lateral suits all four walls alike: ¼ e⁻¹.
    """
    survey = score_hypotheses(sample_routes(mirrored_survey()))
    fit = {
        r.hypothesis.id: np.exp(r.log_prior).sum() / r.drawn
        for r in survey.routes
        if r.hypothesis.way != "unlisted"
    } | {"unlisted": 0.25 * np.exp(-1.0)}
    joint = {r.hypothesis.id: r.hypothesis.prior * fit[r.hypothesis.id] for r in survey.routes}
    for s in survey.scores.hypotheses:
        expected = joint[s.hypothesis.id] / sum(joint.values())
        assert s.probability == pytest.approx(expected, rel=1e-9)


def test_drawn_house_meets_its_own_promises() -> None:
    """The true lateral starts at the wall, ends on its main and falls all the way to it."""
    for seed in range(20):
        house = draw_house(seed)
        truth = house.truth
        assert truth.indoors[-1] == pytest.approx(truth.outdoors[0])
        if house.listed:
            main = next(m for m in house.site.mains if m.id == truth.main)
            axis = 0 if main.line[0, 0] == main.line[1, 0] else 1
            assert abs(truth.outdoors[-1, axis] - main.line[0, axis]) <= 0.4 + 1e-9
            assert main.inverts_m.min() < truth.invert_start_m


def test_posterior_beats_the_prior() -> None:
    """Over drawn houses with a choice of mains the Brier score is below that of the prior.

    Only drains that leave by the wall that faces their main: the benchmark measures the others.
    """
    drawn = (draw_house(seed) for seed in range(40))
    chosen = [h for h in drawn if h.leaves == "toward" and len(h.site.mains) > 1][:8]
    outcomes = [run_house(house) for house in chosen]

    def brier(p: dict[str, float], truth: str) -> float:
        return sum((p.get(name, 0.0) - (name == truth)) ** 2 for name in {*p, truth})

    stated = np.mean([brier(o.posterior, o.true_class) for o in outcomes])
    before = np.mean([brier(o.prior, o.true_class) for o in outcomes])
    assert stated < 0.5 * before
