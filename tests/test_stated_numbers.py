"""Numbers that a text states are those that the code uses, each parsed from the text itself.

The texts are DEVELOPERS.md, docstrings and comments: what a reader holds against a source. What is
stated in another unit, or as a quantile or the root of an equation, is worked out from the text's
number, and agrees to the digits that the constant is written with.
"""

from __future__ import annotations

import importlib
import re
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
from scipy import constants, optimize, stats

ROOT = Path(__file__).parents[1]
FOOT_M = 0.3048


def text_of(place: str) -> str:
    """Return a file's text on one line, the signs of comments left out."""
    return re.sub(r"\s*\n\s*(#\s?)?", " ", (ROOT / place).read_text("utf-8"))


def value_of(name: str) -> float:
    """Return a setting of a module, or an entry of it."""
    path, _, key = name.partition("|")
    module, _, attribute = path.rpartition(".")
    found = getattr(importlib.import_module(f"sitegis.{module}"), attribute)
    return float(found[int(key) if key.isdigit() else key] if key else found)


def quantile(percent: float) -> float:
    return float(stats.norm.ppf(1.0 - percent / 200.0))


def fullest(five: float) -> float:
    """Return where a pipe's flow is greatest: 5 (θ − θ cos θ) = 2 (θ − sin θ)."""
    return float(
        optimize.brentq(lambda a: five * (a - a * np.cos(a)) - 2 * (a - np.sin(a)), 4.0, 6.0)
    )


def tuned(percent: float) -> float:
    """Return where Huber's estimate of a mean is so efficient on normal errors (Huber 1981)."""

    def efficiency(k: float) -> float:
        within, past = 2.0 * stats.norm.cdf(k) - 1.0, 2.0 * stats.norm.sf(k)
        square = within - 2.0 * k * stats.norm.pdf(k) + k**2 * past
        return float(100.0 * within**2 / square)

    return float(optimize.brentq(lambda k: efficiency(k) - percent, 0.5, 3.0))


Convert = Callable[[float], float]
MM: Convert = lambda value: value / 1000.0  # noqa: E731
SECONDS: Convert = lambda value: float(np.radians(value / 3600.0))  # noqa: E731
# where it stands, what it says (one number a group), and what has each value, in another unit or
# not, to how much of itself
STATED: Sequence[tuple[str, str, tuple[str, ...], Convert, float]] = (
    (
        "DEVELOPERS.md",
        r"with c = ([\d.]+) for what all misses",
        ("finds.reweigh.COMMON_FAILURE",),
        float,
        1e-9,
    ),
    (
        "DEVELOPERS.md",
        r"\(test pit and trench ([\d.]+), vacuum hole ([\d.]+)\)",
        ("finds.kinds.SHOWS|test-pit", "finds.kinds.SHOWS|vacuum-hole"),
        float,
        1e-9,
    ),
    (
        "DEVELOPERS.md",
        r"\(test pit and trench ([\d.]+),",
        ("finds.kinds.SHOWS|trench",),
        float,
        1e-9,
    ),
    (
        "DEVELOPERS.md",
        r"ESS ≥ (\d+), se\(ln Z\) ≤ ([\d.]+), Pareto k ≤ ([\d.]+)",
        (
            "routes.sample.EFFECTIVE_SAMPLES",
            "routes.sample.LOG_EVIDENCE_SE",
            "numerics.statistics.MOST_PARETO_K",
        ),
        float,
        1e-9,
    ),
    (
        "DEVELOPERS.md",
        r"but the likeliest are worth (\d+) together",
        ("routes.sample.REST_EFFECTIVE",),
        float,
        1e-9,
    ),
    (
        "DEVELOPERS.md",
        r"what matters \(`largest`, `smallest`, `ordered`, `at_least`; (\d+) mm",
        ("numerics.ordering.MATTERS_M",),
        MM,
        1e-9,
    ),
    (
        "DEVELOPERS.md",
        r"`at_least`; 1 mm, (1e-6) in probability",
        ("numerics.ordering.MATTERS_P",),
        float,
        1e-9,
    ),
    (
        "sitegis/place/head.py",
        r"two-sided (\d+) %: one false alarm in a hundred",
        ("place.head.DISTORTION_SIGMA",),
        quantile,
        1e-4,
    ),
    (
        "sitegis/place/adjust.py",
        r"two-sided ([\d.]+) % of the normal distribution",
        ("place.adjust.CRITICAL_W",),
        quantile,
        1e-3,
    ),
    (
        "sitegis/place/blunders.py",
        r"\(\|ρ\| > ([\d.]+)\), and those that happen not to be: \|w\| "
        r"beyond ([\d.]+)",
        ("place.adjust.INSEPARABLE", "place.adjust.CRITICAL_W"),
        float,
        1e-9,
    ),
    (
        "sitegis/place/blunders.py",
        r"if it were left out\) within (\d+) of",
        ("place.blunders.MIRROR_CHI_SQUARE",),
        float,
        1e-9,
    ),
    (
        "sitegis/place/blunders.py",
        r"sds; (\d+) % efficient on normal errors",
        ("place.blunders.HUBER_THRESHOLD",),
        tuned,
        1e-3,
    ),
    (
        "sitegis/numerics/noise_scale.py",
        r"six nodes, k from ([\d.]+) to ([\d.]+);",
        ("numerics.noise_scale.SCALES|0", "numerics.noise_scale.SCALES|5"),
        float,
        0.008,
    ),
    (
        "sitegis/numerics/noise_scale.py",
        r"`PRIOR_MEDIAN`` of k is (\d\.\d+)",
        ("numerics.noise_scale.PRIOR_MEDIAN",),
        float,
        0.005,
    ),
    (
        "sitegis/numerics/ordering.py",
        r"coordinates and elevations: ([\d.]+) mm",
        ("numerics.ordering.LENGTH_M",),
        MM,
        4e-3,
    ),
    (
        "sitegis/numerics/ordering.py",
        r"residuals and readings: ([\d.]+) mm",
        ("numerics.ordering.FINE_M",),
        MM,
        5e-3,
    ),
    (
        "sitegis/numerics/ordering.py",
        r"Lattice of angles: ([\d.]+) seconds of arc",
        ("numerics.ordering.ANGLE_RAD",),
        SECONDS,
        0.017,
    ),
    (
        "sitegis/numerics/ordering.py",
        r"the square of ([\d.]+) mm",
        ("numerics.ordering.COVARIANCE",),
        lambda mm: MM(mm) ** 2,
        0.04,
    ),
    (
        "sitegis/score/intervals.py",
        r"The sets of (\d+) and (\d+) % are the least of all. Of that of (\d+) %",
        tuple(f"numerics.intervals.LEVELS|{i}" for i in range(3)),
        lambda percent: percent / 100.0,
        1e-9,
    ),
    (
        "sitegis/numerics/exit_mixture.py",
        r"has a mean square of 1/6 · (\d\.\d)",
        ("numerics.exit_mixture.ASIDE_SHARE",),
        lambda mean: float(np.sqrt(mean / 6.0)),
        0.01,
    ),
    (
        "sitegis/line/bend_catalog.py",
        r"bends \(1/(\d+), 1/(\d+), 1/(\d+), 1/(\d+), 1/(\d+); ",
        tuple(f"line.bend_catalog.CATALOG_DEG|{i}" for i in range(5)),
        lambda n: 360.0 / n,
        1e-9,
    ),
    (
        "sitegis/line/bend_catalog.py",
        r"1/5; (\d+) as two 45s\)",
        ("line.bend_catalog.CATALOG_DEG|5",),
        float,
        1e-9,
    ),
    (
        "sitegis/dig/hydraulics.py",
        r"(\d+) ft/s, the usual design floor",
        ("dig.hydraulics.SELF_CLEANSING_M_S",),
        lambda feet: feet * FOOT_M,
        1e-9,
    ),
    (
        "sitegis/dig/hydraulics.py",
        r"d\(A R\^\(2/3\)\)/dθ = 0: (\d+) \(θ − θ cos θ\) = 2",
        ("dig.hydraulics.FULLEST_ANGLE_RAD",),
        fullest,
        1e-6,
    ),
    (
        "sitegis/pits/exposure.py",
        r"(\d+) in across: contractors",
        ("pits.exposure.VACUUM_HOLE_M",),
        lambda inches: inches * FOOT_M / 12.0,
        1e-9,
    ),
    (
        "sitegis/geometry/georeference.py",
        r"(20 906 000) ft, NOAA Manual",
        ("geometry.georeference.MEAN_EARTH_RADIUS_M",),
        lambda feet: feet * FOOT_M,
        1e-4,
    ),
)

LATTICES = (
    *(
        f"numerics.ordering.{name}"
        for name in "LENGTH_M FINE_M ANGLE_RAD COVARIANCE RATIO LOG WEIGHT".split()
    ),
    "dig.cloud.COUNT_STEP",
    "dig.cloud.CLOUD_WEIGHT",
)
OTHERS = (
    "routes.bends.MOST_BENDS",
    "score.pits._GOLDEN",
    "score.checks.PUSH_M",
    "dig.codes.FLOOR_DRAIN_M",
    "line.straights.HALF_NORMAL_SD",
)
for one in (*(name for row in STATED for name in row[2]), *LATTICES, *OTHERS):
    value_of(one)  # imported before a test runs, so that it calls nothing of the package


@pytest.mark.parametrize(
    ("place", "says", "names", "convert", "within"), STATED, ids=[row[2][0] for row in STATED]
)
def test_a_stated_number_is_the_one_in_use(
    place: str, says: str, names: tuple[str, ...], convert: Convert, within: float
) -> None:
    """The text is found where it stands, and each number of it is the constant's."""
    found = re.search(says, text_of(place))
    assert found is not None, f"{place} no longer says {says}"
    numbers = [float(number.replace(" ", "")) for number in found.groups()]
    assert [value_of(name) for name in names] == pytest.approx(
        [convert(number) for number in numbers], rel=within
    )


def test_settings_made_of_laws_are_scipys() -> None:
    """Half normal, inverse gamma, and the golden ratio, which spreads multiples of it evenly."""
    half = stats.halfnorm()
    square = stats.invgamma(
        value_of("numerics.noise_scale.SHAPE"), scale=value_of("numerics.noise_scale.RATE")
    )
    for name, expected in (
        ("line.straights.HALF_NORMAL_MEAN", half.mean()),
        ("line.straights.HALF_NORMAL_SD", half.std()),
        ("numerics.noise_scale.PRIOR_MEAN_SQUARE", square.mean()),
        ("numerics.noise_scale.PRIOR_MEDIAN", np.sqrt(square.median())),
        ("score.pits._GOLDEN", constants.golden - 1.0),
    ):
        assert value_of(name) == pytest.approx(expected, rel=1e-12), name


def test_lattices_are_powers_of_two() -> None:
    """Sums on a lattice are exact in any order only then (IEEE 754: no bit of them is lost)."""
    for name in LATTICES:
        assert np.frexp(value_of(name))[0] == 0.5, name


def test_lengths_in_inches_and_feet_are_whole_ones() -> None:
    """3 in, the sizes to choose from, ten feet of a push camera; bends outdoors are made ones."""
    assert value_of("dig.codes.FLOOR_DRAIN_M") == pytest.approx(3 * constants.inch, rel=1e-12)
    sizes = [value_of(f"dig.codes.SIZES_M|{i}") / constants.inch for i in range(4)]
    assert sizes == pytest.approx([2, 3, 4, 6], rel=1e-12)
    assert value_of("score.checks.PUSH_IMPERIAL_M") == pytest.approx(10 * constants.foot, rel=1e-12)
    made = [360.0 / n for n in (32, 16, 8, 6, 5, 4)]
    outdoors = importlib.import_module("sitegis.routes.bends").ANGLE_SHARES
    assert sorted(outdoors) == pytest.approx(made, rel=1e-12)


def test_planned_pits_stand_apart_by_twice_the_spoils_setback() -> None:
    """DEVELOPERS.md says twice; 2 ft of spoil back from the edge is 29 CFR 1926.651(j)(2)'s."""
    assert "nearer than twice the spoil's setback" in text_of("DEVELOPERS.md")
    rules = importlib.import_module("sitegis.rules.rule_set").load_rules("us-ipc")
    apart = importlib.import_module("sitegis.pits.cost").spacing_m(rules)
    assert apart == pytest.approx(4 * constants.foot, abs=1e-3)
