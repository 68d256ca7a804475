"""Sets that ``answer.json`` states of ways and branches, against laws whose sets are known."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from scipy import stats

from sitegis.model.survey import Survey
from sitegis.write.answer import answer
from tests.computed import computed

from .filled import filled_survey

LEVELS = (0.5, 0.8, 0.95)
Z = (0.67449, 1.28155, 1.95996)  # two-sided 50, 80 and 95 % points of published normal tables
CHI_SQUARE = (1.38629, 3.21888, 5.99146)  # the same levels, two degrees of freedom: −2 ln(1 − p)


@pytest.fixture(scope="module")
def branches() -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = answer(computed("two-stacks"))["branches"]["branches"]
    return found


def ends(stated: list[dict[str, Any]]) -> np.ndarray:
    """Return the only piece (3, 2) of each of the three levels."""
    assert [one["level"] for one in stated] == list(LEVELS)
    assert all(len(one["pieces"]) == 1 for one in stated)
    return np.array([one["pieces"][0] for one in stated])


def with_samples(survey: Survey, **columns: np.ndarray) -> Survey:
    """Return the first way's samples other values, and count those of even rank thrice."""
    first, *routes = survey.routes
    leading, *others = survey.scores.hypotheses
    weights = np.where(np.arange(leading.weights.size) % 2 == 0, 3.0, 1.0)
    leading = dataclasses.replace(leading, weights=weights / weights.sum())
    return dataclasses.replace(
        survey,
        sampled=(dataclasses.replace(first, **columns), *routes),
        scored=dataclasses.replace(survey.scores, hypotheses=(leading, *others)),
    )


@pytest.mark.parametrize(
    ("name", "law"),
    [
        ("length_m", stats.uniform(20.0, 10.0)),
        ("fall_m", stats.expon(0.1, 0.4)),
        ("drop_at_main_m", stats.norm(0.3, 0.2)),
    ],
)
def test_length_fall_and_drop_of_a_way_end_at_the_laws_quantiles(name: str, law: Any) -> None:
    """Values at even quantiles of a law: intervals from (1 − p)/2 to (1 + p)/2 by scipy.

    Samples weigh 3 and 1 in turn, each standing for its share of the law in order; an end may be
    off by one sample.
    """
    survey = filled_survey()
    count = survey.scores.hypotheses[0].weights.size
    share = np.where(np.arange(count) % 2 == 0, 3.0, 1.0) / (2.0 * count)
    below = np.cumsum(share) - share
    values = law.ppf(below + 0.5 * share)
    if name == "fall_m":
        inverts = np.array(survey.routes[0].inverts_m)
        inverts[:, 0] = inverts[:, -1] + values
        columns = {"inverts_m": inverts}
    else:
        columns = {{"length_m": "lengths_m", "drop_at_main_m": "arrivals_m"}[name]: values}
    found = ends(answer(with_samples(survey, **columns))["hypotheses"][0]["intervals"][name])
    for level, (low, high) in zip(LEVELS, found, strict=True):
        for edge, q in ((low, 0.5 - 0.5 * level), (high, 0.5 + 0.5 * level)):
            assert abs(law.cdf(edge) - q) < share.max() + 1e-3, (level, edge)


def test_slope_of_a_branch_has_the_ends_of_a_normal(branches: list[dict[str, Any]]) -> None:
    """Mean ± z sd of the slope that stands beside them, z from the tables."""
    assert branches
    for one in branches:
        reach = np.array(Z) * one["slope_sd"]
        expected = np.column_stack([one["slope"] - reach, one["slope"] + reach])
        assert one["slope_sd"] > 0.0
        # both are written with as many digits as one shows
        assert ends(one["intervals"]["slope"]) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(
    ("name", "sd"),
    [("invert_m", "invert_sd_m"), ("station_m", "station_sd_m"), ("turn_deg", "turn_sd_deg")],
)
def test_numbers_of_a_wye_have_the_ends_of_a_normal(
    branches: list[dict[str, Any]], name: str, sd: str
) -> None:
    """Mean ± z sd of invert, station and turn, z from the tables."""
    wyes = [one["wye"] for one in branches if one["wye"]]
    assert wyes
    for wye in wyes:
        reach = np.array(Z) * wye[sd]
        expected = np.column_stack([wye[name] - reach, wye[name] + reach])
        assert wye[sd] > 0.0
        assert ends(wye["intervals"][name]) == pytest.approx(expected, abs=4e-4)


def test_regions_of_a_wye_are_those_of_its_covariance(branches: list[dict[str, Any]]) -> None:
    """Area π √det C · χ², major axis √(λ χ²) of the covariance that stands beside them.

    λ by numpy, χ² from the tables; of draws from that normal each region holds its level.
    """
    generator = np.random.default_rng(3)
    for wye in [one["wye"] for one in branches if one["wye"]]:
        covariance = np.array(wye["covariance"])[:2, :2]
        draws = generator.multivariate_normal([wye["x_m"], wye["y_m"]], covariance, 40_000)
        widest = np.linalg.eigvalsh(covariance)[1]
        for stated, level, squared in zip(wye["regions"], LEVELS, CHI_SQUARE, strict=True):
            (piece,) = stated["pieces"]
            area = np.pi * piece["semi_major_m"] * piece["semi_minor_m"]
            expected = np.pi * np.sqrt(np.linalg.det(covariance)) * squared
            assert stated["level"] == level
            assert area == pytest.approx(expected, rel=0.03)
            assert piece["semi_major_m"] == pytest.approx(np.sqrt(widest * squared), rel=0.02)
            held = _held(piece, draws, computed("two-stacks").site.frame.x_azimuth_deg)
            assert held.mean() == pytest.approx(level, abs=0.02)


def _held(piece: dict[str, float], points: np.ndarray, x_azimuth_deg: float) -> np.ndarray:
    """Return which points (n, 2) lie in an ellipse; its azimuth is clockwise from grid north."""
    angle = np.radians(x_azimuth_deg - piece["major_azimuth_deg"])
    gap = points - [piece["x_m"], piece["y_m"]]
    along = gap @ [np.cos(angle), np.sin(angle)] / piece["semi_major_m"]
    across = gap @ [-np.sin(angle), np.cos(angle)] / piece["semi_minor_m"]
    return np.asarray(along**2 + across**2 <= 1.0)
