"""Routes weighed anew by finds and misses, against closed forms and quadrature.

The figures of the lateral state are of one normal lateral offset and angle (sd 0.10 m and 3°),
searched at 5 m with a strip of ± 0.30 m about its mean: normal distribution function and
quadrature, by scipy.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm
from shapely import LineString, affinity, box, intersects

from sitegis.finds.reweigh import (
    STRAY_BREADTH_M,
    find_likelihood,
    hole_shows,
    joint_miss_likelihood,
    joint_miss_showing,
    miss_likelihood,
    reweigh,
)

SD_AT_5_M = float(np.hypot(0.10, 5 * np.radians(3.0)))


def lateral_routes(count: int = 200_001) -> tuple[np.ndarray, np.ndarray]:
    """Return offsets at 5 m on an even lattice of quantiles, as straight routes along x."""
    offset = norm.ppf((np.arange(count) + 0.5) / count) * SD_AT_5_M
    vertices = np.zeros((count, 2, 2))
    vertices[:, 1, 0] = 10.0
    vertices[:, :, 1] = offset[:, None]
    return vertices, np.full((count, 2), -1.0)


def test_a_miss_leaves_what_the_normal_distribution_function_says() -> None:
    vertices, inverts = lateral_routes()
    shows = hole_shows(vertices, inverts, np.array([5.0, 0.0, 0.0, 0.9, 0.6]), -1.5)
    inside = 2 * norm.cdf(0.30 / SD_AT_5_M) - 1
    weights = np.full(len(vertices), 1 / len(vertices))
    assert weights @ shows == pytest.approx(inside, abs=1e-5)
    assert 0.95 * inside == pytest.approx(0.679817, abs=2e-6)
    after = reweigh(weights, miss_likelihood(shows[None], [0.95]))
    assert after @ shows == pytest.approx(0.05 * inside / (1 - 0.95 * inside), abs=1e-5)
    assert after @ shows == pytest.approx(0.111748, abs=1e-5)
    spread = np.sqrt(after @ vertices[:, 0, 1] ** 2)
    assert spread == pytest.approx(0.436767, abs=1e-4)


@pytest.mark.parametrize(
    ("common", "left"), [(0.04, 0.0917), (0.0, 0.0063)], ids=["shared", "independent"]
)
def test_a_second_look_that_shares_a_cause_says_less(common: float, left: float) -> None:
    """Two looks of 0.95 at the same strip, one in 25 failing both."""
    inside = np.array([1.0, 0.0])
    share = 2 * norm.cdf(0.30 / SD_AT_5_M) - 1
    likelihood = miss_likelihood(np.stack([inside, inside]), [0.95, 0.95], common)
    after = reweigh(np.array([share, 1 - share]), likelihood)
    assert after[0] == pytest.approx(left, abs=5e-5)


def test_the_next_look_counts_what_the_first_shared() -> None:
    """P(second look shows | in the hole, the first showed nothing) by Bayes' rule.

    Of 1 000 pipes in the hole 40 show to nobody; of 960 each look misses 10: 950/960.
    """
    alone = 950 / 960
    again = 960 * (1 - alone) * alone / (40 + 960 * (1 - alone))
    assert joint_miss_showing(np.array([[0.05]]))[0] == pytest.approx(again / 0.95)
    assert joint_miss_showing(np.array([[1.0]]))[0] == pytest.approx(1.0)
    assert joint_miss_showing(np.zeros((0, 3))) == pytest.approx([1.0] * 3)


def test_one_hole_alone_has_its_own_reliability() -> None:
    shows = np.linspace(0.0, 1.0, 11)[None]
    assert miss_likelihood(shows, [0.9]) == pytest.approx(1 - 0.9 * shows[0])
    assert joint_miss_likelihood(1 - 0.9 * shows) == pytest.approx(1 - 0.9 * shows[0])


def test_a_pipe_below_the_bottom_does_not_show() -> None:
    vertices, inverts = lateral_routes(3)
    hole = np.array([5.0, 0.0, 0.3, 0.9, 4.0])
    assert hole_shows(vertices, inverts, hole, -0.9).tolist() == [0.0, 0.0, 0.0]
    assert hole_shows(vertices, inverts, hole, -1.0, 0.1) == pytest.approx([0.5] * 3)
    falling = inverts - np.array([0.0, 0.2])
    # the highest invert within the hole counts, and the hole is 0.9 m long and turned by 0.3 rad
    at = 5.0 - min(0.45 / np.cos(0.3), 0.45 / np.cos(0.3))
    shown = hole_shows(vertices[1:2], falling[1:2], hole, -1.0 - 0.02 * at, 0.1)
    assert shown == pytest.approx([0.5], abs=1e-9)


def test_a_hole_is_turned_as_shapely_turns_it() -> None:
    """Against shapely: which of many random routes cross a turned rectangle."""
    generator = np.random.default_rng(5)
    vertices = generator.uniform(-3, 3, (500, 4, 2))
    hole = np.array([0.4, -0.3, 0.7, 1.6, 0.9])
    ring = affinity.translate(
        affinity.rotate(box(-0.8, -0.45, 0.8, 0.45), 0.7, (0, 0), use_radians=True), 0.4, -0.3
    )
    crossed = [bool(intersects(LineString(line), ring)) for line in vertices]
    assert (hole_shows(vertices, np.zeros((500, 4)), hole, -9.0) > 0.5).tolist() == crossed


def test_a_find_is_the_drain_or_a_stray_pipe() -> None:
    across, below, turn = np.array([0.0, 0.05]), np.array([0.02, 0.0]), np.array([0.1, -0.1])
    got = find_likelihood(across, 0.02, 0.95, below, 0.15, turn, 0.1)
    right = norm.pdf(across, 0, 0.02) * norm.pdf(below, 0, 0.15) * norm.pdf(turn, 0, 0.1)
    assert got == pytest.approx(0.95 * right + 0.05 / (20.0 * 2.0 * np.pi))
    far = find_likelihood(np.array([9.0]), 0.02, 0.95)
    assert far == pytest.approx(0.05 / STRAY_BREADTH_M)
    assert not reweigh(np.ones(2), np.zeros(2)).any()
