"""Typical slips: what was really measured is among what is proposed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sitegis.place import proposals
from sitegis.place.adjust import Solution
from sitegis.place.network import Network, Observation
from sitegis.place.proposals import changed_over, likely_blunders, propose
from sitegis.units import format_length, parse_length
from tests.invented import corner_site


@pytest.mark.parametrize(
    ("written", "meant", "words"),
    [
        ("4'11\"", "11'4\"", "feet and inches swapped"),
        ("7'3\"", "8'3\"", "one foot off"),
        ("16'2\"", "19'2\"", "a 6 and a 9 confused in the feet"),
        ("10'9\"", "10'6\"", "a 6 and a 9 confused in the inches"),
        ("21'5\"", "12'5\"", "two digits changed over in the feet"),
        ("8'10 1/2\"", "8'1 1/2\"", "two digits changed over in the inches"),
        ("3'8\"", "8'3\"", "feet and inches swapped"),
        ("-3'8\"", "-8'3\"", "feet and inches swapped"),
        ("3.25ft", "3.25m", "meters typed as feet"),
        ("12.5ft", "12.5in", "inches typed as feet"),
    ],
)
def test_imperial_slips_hold_what_was_meant(written: str, meant: str, words: str) -> None:
    """The length that was meant is proposed under its slip."""
    value, expected = parse_length(written, "ft"), parse_length(meant, "ft")
    assert any(
        w == words and v == pytest.approx(expected)
        for w, v in likely_blunders(value, imperial=True)
    )


@pytest.mark.parametrize(
    ("written", "meant", "words"),
    [
        ("3.760", "3.670", "two digits changed over"),
        ("1.960", "1.990", "a 6 and a 9 confused"),
        ("-1.960", "-1.990", "a 6 and a 9 confused"),
        ("12.5m", "12.5ft", "feet typed as meters"),
        ("4.20", "5.20", "1 m off"),
        ("4.20", "4.30", "0.1 m off"),
    ],
)
def test_metric_slips_hold_what_was_meant(written: str, meant: str, words: str) -> None:
    """The same with meters."""
    value, expected = parse_length(written, "m"), parse_length(meant, "m")
    assert any(
        w == words and v == pytest.approx(expected)
        for w, v in likely_blunders(value, imperial=False)
    )


@settings(deadline=None, max_examples=30)
@given(st.floats(0.1, 5.0), st.floats(5.0, 9.0))
def test_the_other_wall_is_proposed_where_the_room_size_is_known(x: float, size: float) -> None:
    """Measured from the other wall, an offset is the room's size less the offset."""
    found = dict(likely_blunders(x, imperial=False, room_size_m=size))
    assert found["measured from the other wall"] == pytest.approx(size - x)
    assert "measured from the other wall" not in dict(likely_blunders(x, imperial=False))


@pytest.mark.parametrize("seed", range(8))
def test_the_two_closest_of_what_fits_are_proposed(
    monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Within three sds of what the others say, changed by more than one: sorted by python."""
    generator = np.random.default_rng(seed)
    written, error, spread = 3.456, float(generator.normal(0.0, 0.6)), 0.11
    values = written - error + generator.normal(0.0, 0.25, 9)
    offered = [(f"blunder {i % 5}", float(value)) for i, value in enumerate(values)]
    monkeypatch.setattr(proposals, "predicted_against", lambda *_: (error, spread))
    monkeypatch.setattr(proposals, "likely_blunders", lambda *_, **__: offered)
    network = Network({}, {}, 4, (Observation("a tie", "distance", (0, 2), written, 0.02),))
    site = corner_site()

    said = propose(site, network, None, 0)  # type: ignore[arg-type]  # both are set above

    fitting = [
        (abs(value - (written - error)), words, value)
        for words, value in offered
        if abs(value - (written - error)) <= 3.0 * spread and abs(value - written) > spread
    ]
    closest: dict[str, float] = {}
    for _, words, value in sorted(fitting):
        closest.setdefault(words, value)
    shown = [f"{words} ({format_length(value, site.units)})" for words, value in closest.items()]
    assert said == " or ".join(shown[:2])


@pytest.mark.parametrize(("written", "exchanged"), [(1.01, 0.99), (0.99, 0.5), (1.01, 1.01)])
def test_an_exchange_is_held_against_the_quantile_of_chi_square(
    monkeypatch: pytest.MonkeyPatch, written: float, exchanged: float
) -> None:
    """Scipy's 99.9 % point of as many degrees as there are measurements more than unknowns."""
    lengths = (3.1, 4.7, 5.2, 6.6, 2.9)
    items = [Observation(f"t{i}", "distance", (0, 2), x, 0.02) for i, x in enumerate(lengths)]
    limit = stats.chi2.ppf(0.999, len(items) - 2)

    def settled(network: Network, _: object) -> list[Solution]:
        """Say how the values as they stand fit, of several solutions the best one first."""
        found = tuple(item.value for item in network.observations)
        best = {lengths: written, (3.1, 2.9, 5.2, 6.6, 4.7): exchanged}.get(found, 3.0)
        return [replace(solution, chi_square=x * limit) for x in (best, 9.0)]

    none = np.zeros(0)
    solution = Solution(none, 0.0, 1, True, none, none)
    monkeypatch.setattr(proposals, "settled", settled)
    found = changed_over(Network({}, {}, 2, tuple(items)), [np.zeros(2)])
    assert found == ((1, 4) if written > 1.0 > exchanged else None)
