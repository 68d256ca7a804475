"""Plans: which bend sequences serve a way, and the rule before each bend."""

from __future__ import annotations

import numpy as np
import pytest

from sitegis.model.results import Exit, Hypothesis
from sitegis.model.site import Side
from sitegis.routes.bends import Sequences, bend_sequences
from sitegis.routes.plan import FREE, INTO_YARD, PAST_CORNER, WITHIN_YARD, Plan, make_plan
from sitegis.routes.terrain import prepare_terrain

from .invented import HOUSE_LEFT_M, corner_site, front_exit
from .route_model import RULES_END_M
from .test_routes_sample import exit_at

LEFT = exit_at(HOUSE_LEFT_M, 10.0, 180.0, "left", 3)


def plan(main_index: int, yard: Side | None, exit: Exit) -> Plan:
    site = corner_site()
    main = site.mains[main_index]
    way = "direct" if yard is None else "side-yard"
    hypothesis = Hypothesis("h", main.id, way, None, yard, 1.0)  # type: ignore[arg-type]
    return make_plan(hypothesis, main, exit, prepare_terrain(site), drain_ends_m=RULES_END_M)


def test_direct_plans_have_two_bends_of_120_degrees_at_most() -> None:
    """No direct way turns further than 120° in all."""
    got = plan(0, None, front_exit())
    assert got.sequences.counts.max() == 2
    assert np.degrees(np.abs(got.sequences.turns_rad).sum(axis=1)).max() <= 120.0 + 1e-9
    assert got.reach_m == pytest.approx(25 * 0.3048 + 10.06)


def test_shares_are_a_proposal_over_all_that_can_serve() -> None:
    """Every kept sequence can be drawn; shares sum to 1; priors stay as they were."""
    got = plan(0, None, front_exit())
    assert got.shares.min() > 0
    assert got.shares.sum() == pytest.approx(1.0)
    assert got.sequences.prior.sum() < 1.0


def test_a_left_exit_turns_into_the_left_yard_at_its_first_bend() -> None:
    """From the left wall to the alley: one right bend of 90° into the yard, then on."""
    got = plan(2, "left", LEFT)
    one = (got.sequences.counts == 1) & np.isclose(got.sequences.turns_rad[:, 0], -np.pi / 2)
    assert one.sum() == 1
    assert got.rules[one, 0] == INTO_YARD
    assert got.forward == 1.0


def test_a_bend_after_the_yard_lies_past_the_corner() -> None:
    """The bend after the yard straight is laid from the far corner of the house."""
    got = plan(2, "left", LEFT)
    first_into = got.rules[:, 0] == INTO_YARD
    second = first_into & (got.sequences.counts >= 2)
    assert second.any()
    assert (got.rules[second, 1] == PAST_CORNER).all()


def test_a_front_exit_needs_two_bends_for_the_side_yard() -> None:
    """From the front wall to the alley: along the front first, then into the yard."""
    got = plan(2, "left", front_exit())
    assert got.sequences.counts.min() == 2
    assert got.why_none == ""
    assert np.isin(got.rules, [FREE, INTO_YARD, PAST_CORNER]).all()


def test_no_run_enters_a_yard_by_turning_away_from_it() -> None:
    """From the front wall two right bends lead into the left yard; two left ones never do."""
    turns = np.degrees(plan(2, "left", front_exit()).sequences.turns_rad)
    assert np.isclose(turns, [-90.0, -90.0, 0.0]).all(axis=1).any()
    assert not np.isclose(turns, [90.0, 90.0, 0.0]).all(axis=1).any()


def test_a_straight_within_the_yard_stays_there() -> None:
    """Before it turns along the wall it left by, a run has the yard's breadth and no more."""
    got = plan(2, "left", LEFT)
    into_second = got.rules[:, 1] == INTO_YARD
    assert into_second.any()
    assert (got.rules[into_second, 0] == WITHIN_YARD).all()
    assert not (plan(2, "left", front_exit()).rules == WITHIN_YARD).any()


@pytest.mark.parametrize("exit", [LEFT, front_exit()], ids=["own wall", "wall away"])
def test_bends_given_the_way_have_probability_one(exit: Exit) -> None:
    """From its own wall or the one away from the main, a side-yard run does not pay for bends."""
    assert plan(2, "left", exit).sequences.prior.sum() == pytest.approx(1.0, abs=0.03)


def test_an_exit_that_needs_still_more_bends_pays_for_them() -> None:
    """From the right wall the left yard takes three bends of 90°: far rarer than two."""
    right = exit_at(HOUSE_LEFT_M + 9.0, 10.0, 0.0, "right", 1)
    assert plan(2, "left", right).sequences.prior.sum() < 0.2


def test_a_run_beside_the_house_follows_its_wall() -> None:
    """From 20° off square, 22.5° + 90° outweighs the 90° that would leave 20° off the wall.

    By the catalog alone one bend of 90° has 29 times the probability (0.32 × 0.12 against
    0.20 × 0.12 × 0.11, half of it, for half of two bends are an offset); the habit
    exp(−½ (20° / 7°)²) is 1 in 60, floor 0.15.
    """
    slanted = exit_at(HOUSE_LEFT_M, 10.0, 160.0, "left", 3)
    got = plan(0, "left", slanted)
    everything = bend_sequences()

    def odds(sequences: Sequences) -> float:
        turns = np.degrees(sequences.turns_rad)
        of = [
            float(sequences.prior[np.isclose(turns, wanted).all(axis=1)].sum())
            for wanted in ([90.0, 0.0, 0.0], [22.5, 90.0, 0.0])
        ]
        return of[0] / of[1]

    assert odds(everything) == pytest.approx(0.32 * 0.12 / (0.5 * 0.20 * 0.12 * 0.11))
    assert odds(got.sequences) < 0.25 * odds(everything)


def test_the_yard_run_heads_for_the_main() -> None:
    """Toward the front main the yard run goes forward to the street, not back."""
    assert plan(0, "left", LEFT).forward == -1.0
    assert plan(1, "front", LEFT).forward == 1.0
