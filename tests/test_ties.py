"""No decision hangs on the last bit: the rules themselves, and stages whose numbers are jittered.

The rules are held against exact fractions (``fractions``, ``decimal``). The jitter stands for
another machine's arithmetic: lot coordinates by 1e-12 m, weights by a relative 1e-13.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from decimal import Decimal
from fractions import Fraction
from functools import cache
from typing import Any, get_type_hints

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitegis import pipeline, to_the_wall
from sitegis.city import lots
from sitegis.city.chunks import AROUND_M
from sitegis.city.facing import Edges, Samples
from sitegis.city.frontage import Frontages
from sitegis.city.houses import Rectangles
from sitegis.city.infer import Posterior
from sitegis.city.layer_arrays import Block, Habits
from sitegis.city.lots import work_chunk
from sitegis.city.mains import ManholesOnMains
from sitegis.city.read import read_city
from sitegis.city.routes import LotRoutes
from sitegis.city.tables import Tables, to_wkb
from sitegis.city.taps import Taps
from sitegis.model import branches, dig_plan, doubts, results
from sitegis.model.handover import hand_over, hand_over_site, on_lattices, step_of
from sitegis.model.survey import Survey
from sitegis.numerics import intervals
from sitegis.numerics.ordering import (
    LENGTH_M,
    MATTERS_P,
    decimals,
    in_steps,
    largest,
    on_lattice,
    ordered,
    share_out,
    smallest,
)
from sitegis.write.answer import answer_bytes
from sitegis.write.outputs import output_files

from .computed import FIXTURES, NAMES, computed, written
from .same_bytes import TOWN

BLOCKS = ("placed", "fitted", "joined", "penetration", "doubted", "sampled", "scored", "planned")
PLACES = {"vertices", "ring", "rings", "holes", "room_outlines", "mean", "line", "row"}
WEIGHTS = {"weights", "weight", "probability", "log_prior", "log_likelihoods"}
# of a city's lots, houses, posterior and taps
PLACES |= {"front", "rear", "right", "low", "high", "centers", "gates", "points"}
WEIGHTS |= {"sure", "routes", "walls", "line_share", "main_share"}

# ------------------------------------------------------------------------------ the rules


@pytest.mark.parametrize("unit_m", [Fraction(127, 5000), Fraction(1, 1000), Fraction(3048, 10**6)])
def test_no_tape_fraction_lies_midway_between_places_of_the_lattice(unit_m: Fraction) -> None:
    """Sixteenths of an inch, millimeters and hundredths of a foot up to 100 m, exactly."""
    step = Fraction(LENGTH_M)
    part = unit_m / 16 if unit_m == Fraction(127, 5000) else unit_m
    middles = [(n * part / step) % 1 for n in range(int(100 / part))]
    assert min(abs(middle - Fraction(1, 2)) for middle in middles) * step > Fraction(1, 10**9)


@given(st.floats(-1e4, 1e4))
def test_a_place_on_the_lattice_stays_there(value: float) -> None:
    """Rounding twice is rounding once, and moves by half a step at most."""
    once = float(on_lattice(value))
    assert float(on_lattice(once)) == once
    assert abs(Fraction(once) - Fraction(value)) <= Fraction(LENGTH_M) / 2
    assert (Fraction(once) / Fraction(LENGTH_M)).denominator == 1


@given(st.lists(st.floats(1e-9, 1.0), min_size=1, max_size=40))
def test_six_decimals_sum_to_exactly_one(weights: list[float]) -> None:
    """Summed as decimals, none off by more than a millionth."""
    shared = share_out(weights, MATTERS_P)
    assert sum(Decimal(repr(float(p))) for p in shared) == 1
    assert shared == pytest.approx(np.array(weights) / sum(weights), abs=1.1e-6)


@given(st.lists(st.floats(0.0, 1.0), min_size=2, max_size=300), st.randoms())
def test_shared_weights_sum_to_the_same_in_any_order(
    weights: list[float], probability: Any
) -> None:
    """Whole units of a power of two: sums are exact, as exact fractions say."""
    shared = share_out([*weights, 1.0]).tolist()
    exact = sum(map(Fraction, shared))
    mixed = list(shared)
    probability.shuffle(mixed)
    assert exact == 1
    assert sum(mixed[:5]) == float(sum(map(Fraction, mixed[:5])))


def test_equals_fall_to_the_second_key() -> None:
    """What differs by noise alone is told apart by the key, then by its place in the list."""
    values = np.array([0.5, 0.7, 0.7 + 1e-13, 0.7 - 1e-13])
    assert largest(values, 1e-6) == 1
    assert largest(values, 1e-6, [0, 3, 2, 1]) == 3
    assert smallest(-values, 1e-6, [0, 3, 1, 1]) == 2
    assert ordered(values, 1e-6, [0, 3, 2, 1], descending=True).tolist() == [3, 2, 1, 0]


def test_halves_of_a_decimal_are_no_middle() -> None:
    """An odd quarter inch is 63.5 tenths of a millimeter: noise must not decide its decimal."""
    quarters = np.arange(1, 400, 2) * 0.00635
    for noise in (-1e-12, 1e-12):
        assert decimals(quarters + noise, 4).tolist() == decimals(quarters, 4).tolist()
        assert in_steps(quarters + noise, 1e-4).tolist() == in_steps(quarters, 1e-4).tolist()


@pytest.mark.parametrize("name", NAMES)
def test_written_probabilities_sum_to_exactly_one(name: str) -> None:
    """As decimals, as ``answer.json`` has them."""
    told = json.loads(answer_bytes(computed(name)))
    written = [Decimal(repr(one["probability"])) for one in told["hypotheses"]]
    assert sum(written) == 1
    assert all(p == round(p, 6) for p in written)


def _numbers(block: type) -> list[str]:
    """Name the fields of a record that hold numbers, by their annotations."""
    hints = get_type_hints(block)
    return [field.name for field in fields(block) if "float" in str(hints[field.name])]


@pytest.mark.parametrize(
    "block",
    [
        value
        for module in (results, dig_plan, doubts, intervals, branches)
        for value in vars(module).values()
        if is_dataclass(value) and isinstance(value, type)
    ]
    + [Frontages, Edges, Samples, Rectangles, LotRoutes, Posterior, ManholesOnMains, Taps, Habits],
)
def test_every_number_that_is_handed_on_has_a_rule(block: type) -> None:
    """A new field of a block needs a step in ``handover.STEPS``, or a unit at its name's end."""
    assert [name for name in _numbers(block) if step_of(block, name) is None] == []


# ------------------------------------------------------------------------------ the jitter


def _jittered(value: Any, probability: np.random.Generator, name: str = "") -> Any:
    """Move every coordinate and weight within a record by what another machine might."""
    if is_dataclass(value) and not isinstance(value, type):
        changed = {
            f.name: _jittered(getattr(value, f.name), probability, f.name) for f in fields(value)
        }
        return replace(value, **changed)
    if isinstance(value, tuple):
        return tuple(_jittered(part, probability, name) for part in value)
    if isinstance(value, dict):
        return {key: _jittered(part, probability, name) for key, part in value.items()}
    if not isinstance(value, float) and getattr(value, "dtype", None) != np.float64:
        return value
    away = probability.uniform(-1.0, 1.0, np.shape(value))
    if name in WEIGHTS:
        moved = value * (1.0 + 1e-13 * away)
    elif name in PLACES or name.endswith("_m"):
        moved = value + 1e-12 * away
    else:
        return value
    return float(moved) if isinstance(value, float) else moved


def _jitter(survey: Survey, probability: np.random.Generator) -> Survey:
    blocks = {name: _jittered(getattr(survey, name), probability) for name in BLOCKS}
    return replace(survey, **blocks)


def _before_the_lattice(probability: np.random.Generator) -> Callable[..., Survey]:
    """Return a hand-over of what a stage made with other last bits."""
    return lambda survey, before=None: hand_over(_jitter(survey, probability))


def _site_jittered(survey: Survey, probability: np.random.Generator) -> Survey:
    """Return the survey with its site's computed places moved."""
    site = survey.site
    moved = {
        name: _jittered(getattr(site, name), probability)
        for name in ("lot", "building", "streets", "mains", "keep_outs", "easements", "evidence")
    }
    return hand_over_site(replace(survey, site=replace(site, **moved)))


@pytest.mark.parametrize(
    "seed", [*range(4), *(pytest.param(n, marks=pytest.mark.statistical) for n in range(4, 10))]
)
def test_jitter_between_the_stages_changes_no_file(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every output of a fixture, byte for byte: the decisions are in them."""
    # branches cost as much as the others together: once
    name = "two-stacks" if seed == 9 else NAMES[seed % len(NAMES)]
    probability = np.random.default_rng(seed)
    expected = written(name)  # before anything is jittered
    jittered = _before_the_lattice(probability)
    monkeypatch.setattr(to_the_wall, "hand_over", jittered)
    monkeypatch.setattr(pipeline, "hand_over", jittered)
    monkeypatch.setattr(
        to_the_wall, "hand_over_site", lambda survey: _site_jittered(survey, probability)
    )
    files = output_files(pipeline.compute(FIXTURES / name))
    assert [file for file in files if files[file] != expected[file]] == []


@cache
def _town() -> Block:
    """Return the invented town's layers, all its lots in one chunk."""
    city = read_city(TOWN)
    return city.layers.block(np.arange(len(city.layers.lots.ids)), AROUND_M)


def _cells(tables: Tables) -> dict[tuple[str, str], list[Any]]:
    """Return what tables hold, by table and column; shapes as bytes."""
    return {
        (name, column): (to_wkb(values) if column == "geometry" else values).tolist()
        for name, columns in tables.items()
        for column, values in columns.items()
    }


@cache
def _town_cells() -> dict[tuple[str, str], list[Any]]:
    return _cells(work_chunk(_town()))


@pytest.mark.parametrize(
    "seed", [*range(3), *(pytest.param(n, marks=pytest.mark.statistical) for n in range(3, 10))]
)
def test_jitter_within_a_city_changes_no_table(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every table of a town's lots: what faces, houses, routes, posterior and taps hand on."""
    expected, probability = _town_cells(), np.random.default_rng(seed)
    monkeypatch.setattr(
        lots, "on_lattices", lambda record: on_lattices(_jittered(record, probability))
    )
    found = _cells(work_chunk(_town()))
    assert [key for key in expected if repr(found[key]) != repr(expected[key])] == []
