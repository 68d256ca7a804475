"""Order of the marks and direction of flow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sitegis.geometry.frames import Array
from sitegis.line.order import (
    MEAN_SQUARE,
    SLOPE_SPREAD,
    USUAL_SLOPE,
    _fall,
    _log_odds_of_fall,
    order_downstream,
    shortest_chain,
)
from sitegis.messages.errors import ComputationError
from sitegis.model.results import Adjustment, PlacedPoint, Placement

STATIONS = np.array([0.0, 1.4, 2.9, 4.1, 5.8, 7.0])


def placed(
    xy: Array, *, kinds: tuple[str, ...] | None = None, counts: Array | None = None
) -> Placement:
    """Place points (n, 2) by hand, without depths."""
    n = len(xy)
    names = kinds or ("locate",) * n
    points = tuple(
        PlacedPoint(
            f"P{i}",
            names[i],
            "R1",
            float(xy[i, 0]),
            float(xy[i, 1]),
            0.1,
            0.1,
            0.0,
            0.0,  # type: ignore[arg-type]
            None,
            0.05,
            None if counts is None or np.isnan(counts[i]) else float(counts[i]),
            "slab",
            i + 2,
        )
        for i in range(n)
    )
    nothing = np.full((2 * n, 2 * n), 0.0)
    return Placement(points, 0.01 * np.eye(2 * n), nothing, Adjustment((), 0.0, 0, 0.0, 0), {})


def straight() -> Array:
    return np.column_stack([2.0 + 0.3 * STATIONS, 9.0 - STATIONS])


def unread(n: int = 6) -> Array:
    return np.full(n, np.nan)


def codes(placement: Placement, inverts: Array) -> tuple[tuple[int, ...], list[str]]:
    found = order_downstream(placement, inverts, np.full(len(inverts), 0.05))
    return found.indices, [notice.code for notice in found.notices]


@settings(deadline=None, max_examples=50)
@given(st.permutations(range(6)))
def test_rows_in_any_order_give_the_same_line(rows: list[int]) -> None:
    """With counts, and with depths alone, the order of the table's rows does not matter."""
    shuffled = np.array(rows)
    counts = placed(straight()[shuffled], counts=STATIONS[shuffled] + 0.3)
    assert shuffled[list(codes(counts, unread())[0])].tolist() == list(range(6))
    falling = -0.6 - 0.03 * STATIONS[shuffled]
    indices, notices = codes(placed(straight()[shuffled]), falling)
    assert shuffled[list(indices)].tolist() == list(range(6))
    assert notices == []


def test_rising_depths_turn_the_flow_round() -> None:
    """Without counts the line runs the way the depths fall."""
    indices, _ = codes(placed(straight()), -0.8 + 0.03 * STATIONS)
    assert indices == (5, 4, 3, 2, 1, 0)


def test_without_depths_the_flow_runs_away_from_the_cleanout() -> None:
    """A cleanout at one end is upstream."""
    kinds = ("locate",) * 5 + ("cleanout",)
    indices, notices = codes(placed(straight(), kinds=kinds), unread())
    assert indices == (5, 4, 3, 2, 1, 0)
    assert notices == []


def test_a_cleanout_in_the_middle_says_nothing_of_the_flow() -> None:
    """Within the middle quarter it is no end's: the direction stays a guess."""
    kinds = ("locate",) * 3 + ("cleanout",) + ("locate",) * 2
    assert codes(placed(straight(), kinds=kinds), unread())[1] == ["flow-direction-unsure"]


def test_counts_outweigh_depths() -> None:
    """Two cable counts give the direction even where the depths say the contrary."""
    counts = np.array([3.0, np.nan, np.nan, np.nan, 9.0, np.nan])
    indices, notices = codes(placed(straight(), counts=counts), -0.8 + 0.05 * STATIONS)
    assert indices == (0, 1, 2, 3, 4, 5)
    assert notices == []


@pytest.mark.parametrize(("z", "first"), [(-2.0, 5), (1.5, 5), (2.5, 5), (4.0, 0), (6.0, 0)])
def test_depths_and_a_cleanout_are_weighed_together(z: float, first: int) -> None:
    """ln odds: ln 30 for the cleanout upstream against the depths' by two normals (scipy).

    The cleanout stands at the low end. Fall over its sd, sd = σ / √Σ(s − s̄)² of a
    least-squares line (any text on regression); slopes 2 ± 1.5 %, mean k² 4/3. Odds below
    ten to one are told.
    """
    length = STATIONS * np.hypot(0.3, 1.0)
    sd = 0.05 / np.sqrt(((length - length.mean()) ** 2).sum())
    kinds = (*("locate",) * 5, "cleanout")
    indices, notices = codes(placed(straight(), kinds=kinds), -0.6 - z * sd * length)
    spread = np.hypot(0.015, np.sqrt(4 / 3) * sd)
    along = stats.norm.logpdf(z * sd, 0.02, spread) - stats.norm.logpdf(z * sd, -0.02, spread)
    log_odds = along - np.log(30.0)
    assert indices[0] == (0 if log_odds > 0 else 5) == first
    assert notices == ([] if abs(log_odds) >= np.log(10.0) else ["flow-direction-unsure"])


def test_nothing_to_go_by_is_said() -> None:
    """With neither counts, depths nor cleanout the direction is called a guess."""
    assert codes(placed(straight()), unread())[1] == ["flow-direction-unsure"]


def test_counts_that_jump_about_are_not_followed() -> None:
    """A count typed wrong is named, and the points' places give the order."""
    counts = np.array([0.0, 1.5, 20.0, 4.2, 5.9, 7.1])
    indices, notices = codes(placed(straight(), counts=counts), unread())
    assert indices == (0, 1, 2, 3, 4, 5)
    assert notices == ["cable-count-disagrees"]


def test_wall_floor_drain_branch_and_outdoor_points_are_left_out() -> None:
    """Only cleanout, stack, locate and bend found indoors are on the drain."""
    kinds = ("cleanout", "locate", "wall", "floor-drain", "branch", "locate")
    placement = placed(straight(), kinds=kinds)
    outdoors = replace(placement.points[5], room="lot")
    placement = replace(placement, points=(*placement.points[:5], outdoors))
    assert codes(placement, unread())[0] == (0, 1)


@pytest.mark.parametrize("xy", [np.array([[1.0, 1.0]]), np.array([[1.0, 1.0], [1.0, 1.05]])])
def test_too_few_points_is_refused(xy: Array) -> None:
    """One point, or two on one spot, give no direction: said with what to do."""
    with pytest.raises(ComputationError, match="Locate the camera head at two or more places"):
        order_downstream(placed(xy), unread(len(xy)), unread(len(xy)))


@settings(deadline=None, max_examples=30)
@given(st.permutations(range(7)), st.floats(20.0, 100.0))
def test_shortest_chain_follows_a_bent_drain(rows: list[int], turn_deg: float) -> None:
    """Marks along a bend come out in their order, forward or backward."""
    turn = np.radians(turn_deg)
    first = np.column_stack([np.arange(4.0), np.zeros(4)])
    second = first[-1] + np.outer([1.0, 2.0, 3.0], [np.cos(turn), np.sin(turn)])
    shuffled = np.array(rows)
    order = shuffled[shortest_chain(np.vstack([first, second])[shuffled])].tolist()
    assert order in (list(range(7)), list(range(6, -1, -1)))


@pytest.mark.parametrize("seed", range(6))
def test_no_reversal_of_a_stretch_shortens_the_chain(seed: int) -> None:
    """Of points strewn about, every stretch turned round (ends too) makes the path longer."""
    xy = np.random.default_rng(seed).uniform(0.0, 9.0, (9, 2))
    chain = shortest_chain(xy)

    def length(order: Array) -> float:
        return float(np.hypot(*np.diff(xy[order], axis=0).T).sum())

    assert sorted(chain.tolist()) == list(range(9))
    for i in range(9):
        for j in range(i + 1, 10):
            turned = np.concatenate([chain[:i], chain[i:j][::-1], chain[j:]])
            assert length(turned) >= length(chain) - 1e-9


@pytest.mark.parametrize("seed", range(4))
def test_fall_and_its_odds_are_those_of_statsmodels_and_scipy(seed: int) -> None:
    """A weighted line of inverts on stations; then two normals of one variance, at ± 2 %."""
    import statsmodels.api as sm

    generator = np.random.default_rng(seed)
    stations, sds = np.sort(generator.uniform(0.0, 8.0, 6)), generator.uniform(0.02, 0.09, 6)
    inverts = -0.7 - 0.017 * stations + sds * generator.normal(size=6)
    inverts[generator.integers(6)] = np.nan
    known = np.isfinite(inverts)
    design = sm.add_constant(stations[known])
    line = sm.WLS(inverts[known], design, sds[known] ** -2.0).fit(cov_type="fixed scale")

    fall, z = _fall(stations, inverts, sds)

    assert (fall, z) == pytest.approx((-line.params[1], -line.tvalues[1]), rel=1e-9)
    sd = np.hypot(SLOPE_SPREAD, np.sqrt(MEAN_SQUARE) * line.bse[1])
    there, back = (stats.norm.logpdf(fall, way * USUAL_SLOPE, sd) for way in (1.0, -1.0))
    assert _log_odds_of_fall(fall, z) == pytest.approx(there - back, rel=1e-9)
