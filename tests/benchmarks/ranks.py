"""Simulation-based calibration: ``python -m tests.benchmarks.ranks``. Argument: sites a row (400).

Truths are drawn from the model's own prior, marks and evidence from its own likelihoods; then the
posterior's distribution function at the truth must be uniform on (0, 1) (Talts et al. 2018,
"Validating Bayesian inference algorithms with simulation-based calibration", from memory).

Routes: true ways come from ``tests/route_model.py``, which is written apart from the package; each
gets a tap record or an outdoor locate with its stated errors, strays too. Then each is found in
test pits, place and depth to their stated errors, 1 in 50 another pipe, or missed by pits that
stand by chance, 1 in 20 though it is there (4 in 100 sites show nothing). Sites whose two finds lie
on a line more than 6° off the exit's direction, past a bend, are a row of their own. ``finds`` for
a second argument prints these alone, a case for a third that one alone. Exit: straight drains with
the profile's own prior and normal or Student-t noise go through place, line and exit; no bend is
drawn in the unseen stretch, though the package allows for one, so that the place may be a little
too wide.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import shapely
from scipy import stats

from sitegis.evidence import Evidence, OutdoorLocate, TapRecord
from sitegis.exit import find_exit
from sitegis.finds.records import Found, Missed
from sitegis.geometry.frames import Array
from sitegis.line import fit_line
from sitegis.line.profile import INVERT_PRIOR_M, SLAB_COVER_M, slope_prior
from sitegis.model.survey import Survey
from sitegis.routes import sample_routes
from sitegis.rules.rule_set import load_rules
from sitegis.score.weighed_site import log_weights, weigh_site
from tests.benchmarks.line import mark_drain, place_on, true_drain
from tests.benchmarks.whole_site import cases
from tests.invented import corner_site
from tests.route_model import CUBE, RouteModel, ground_covariance
from tests.test_routes_sample import by_id

from .heading import heading

RULES = load_rules("us-ipc")
BINS = 20
PIT_M, ALONE, COMMON = (1.2, 0.9), 0.01 / 0.96, 0.04
FIND_SD_M, TURNED_RAD = 0.02, np.radians(6.0)
AFTER = (
    ("1 find", 1, 0, False),
    ("2 finds", 2, 0, False),
    ("2 finds past a bend", 2, 0, True),
    ("1 miss", 0, 1, False),
    ("2 misses", 0, 2, False),
    ("1 miss, 1 find", 1, 1, False),
)
POOL = 40_000
Item = Callable[[RouteModel, dict[str, Array], int, np.random.Generator], Evidence]


def record(
    model: RouteModel, truth: dict[str, Array], i: int, generator: np.random.Generator
) -> Evidence:
    """Draw a tap record: right 4 times in 5 with sd 0.6 m beside 0.2 m, else anywhere."""
    main = model.main
    if generator.random() < 0.8:
        station = generator.normal(truth["station"][i], np.hypot(0.6, 0.2))
    else:
        station = generator.uniform(0.0, model.line.length)
    manhole = main.manholes[0]
    return TapRecord(main.id, manhole.id, float(station - manhole.station_m))


def locate(
    model: RouteModel, truth: dict[str, Array], i: int, generator: np.random.Generator
) -> Evidence:
    """Draw a locate where the pipe crosses a line along the lot: Student-t, a stray anywhere.

    A stray falls evenly over 20 m about the exit.
    """
    across_m = -4.0 if model.main.side == "front" else 34.0
    (x, _), *_ = shapely.get_coordinates(
        shapely.intersection(
            shapely.LineString(truth["vertices"][i]),
            shapely.LineString([(-50.0, across_m), (50.0, across_m)]),
        )
    )
    noise = model.site.noise
    sd = np.hypot(noise.horizontal_floor_m, noise.session_horizontal_m)
    x += sd * generator.standard_t(noise.degrees_of_freedom)
    if generator.random() < 0.05:
        x = model.exit.x_m + generator.uniform(-10.0, 10.0)
    return OutdoorLocate(float(x), across_m, None)


def draw_truths(
    model: RouteModel, count: int, generator: np.random.Generator, *, pool: int
) -> dict[str, Array]:
    """Draw whole routes from the prior: random points of the cube, chosen by their weights."""
    plain = replace(model, site=replace(model.site, evidence=()))
    parts = [generator.random((pool // 4, CUBE)) for _ in range(4)]
    weighed = [plain.log_weight(part) for part in parts]
    weight = np.exp(np.concatenate([value for value, _ in weighed]))
    chosen = generator.choice(weight.size, count, replace=False, p=weight / weight.sum())
    laid = plain.lay(np.concatenate(parts)[chosen])
    station = np.concatenate([station for _, station in weighed])[chosen]
    taps = shapely.get_coordinates(shapely.line_interpolate_point(plain.line, station))
    vertices = np.concatenate([laid["vertices"], taps[:, None]], axis=1)
    levels = {key: laid[key] for key in ("invert", "slope", "heading")}
    return {"vertices": vertices, "station": station, **levels}


def route_ranks(name: str, item: Item | None, count: int, *, seed: int, pool: int = POOL) -> Array:
    """Return the posterior's distribution function of the tap station at each truth (count,)."""
    generator = np.random.default_rng(seed)
    model = cases()[name]
    site = replace(model.site, mains=(model.main,), evidence=())
    model = replace(model, site=site)
    truth = draw_truths(model, count, generator, pool=pool)
    ranks = []
    for i in range(count):
        given = () if item is None else (item(model, truth, i, generator),)
        told = replace(site, evidence=given, seed=i)
        sampled = sample_routes(Survey(told, RULES, penetration=model.exit)).routes
        routes = by_id(Survey(told, RULES, sampled=sampled))[name]
        logs = log_weights(weigh_site(told, sampled, frozenset()), routes)
        weights = np.exp(logs - logs.max())
        below = routes.tap_stations_m < truth["station"][i]
        ranks.append(weights[below].sum() / weights.sum())
    return np.array(ranks)


def seen_at(
    model: RouteModel,
    truth: dict[str, Array],
    i: int,
    stations: list[float],
    generator: np.random.Generator,
) -> list[Found]:
    """Find a true way at stations; the ground's error there is drawn for all of them at once."""
    line = shapely.LineString(truth["vertices"][i])
    at = [min(station, line.length - 1.0) for station in stations]
    if not at:
        return []
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(line, [m, m + 0.01])) for m in at
    ]
    off = generator.multivariate_normal(
        np.zeros(len(at)), ground_covariance(model.site.ground, np.array([e[0] for e in ends]))
    )
    return [
        found(model, (truth["invert"][i], truth["slope"][i], m, e), pair, generator)
        for m, pair, e in zip(at, ends, off, strict=True)
    ]


def found(
    model: RouteModel,
    truth: tuple[float, float, float, float],
    ends: Array,
    generator: np.random.Generator,
) -> Found:
    """Find a way in a test pit: as it is, or 1 in 50 another pipe beside it.

    ``truth``: invert at the wall, slope, station and the ground's error; ``ends`` (2, 2) are the
    place and one 1 cm on.
    """
    site, (start, slope, at_m, higher) = model.site, truth
    place, along = ends[0], (ends[1] - ends[0]) / 0.01
    off, deeper = np.zeros(2), 0.0
    if generator.random() < 0.02:
        off = np.array([-along[1], along[0]]) * generator.uniform(-10.0, 10.0)
        deeper = generator.uniform(-1.0, 1.0)
    x, y = here = place + off + generator.normal(0.0, np.hypot(0.02, FIND_SD_M), 2)
    invert = start - slope * at_m - higher + generator.normal(0.0, 0.02)
    depth = float(site.ground.elevation_m(here) - invert + deeper)
    name = f"G{at_m:.3f}"
    return Found(name, "test-pit", float(x), float(y), FIND_SD_M, "lot coordinates", "yes",
                 depth_to_invert_m=depth)  # fmt: skip


def missed(
    model: RouteModel, truth: dict[str, Array], i: int, holes: int, generator: np.random.Generator
) -> list[Missed] | None:
    """Dig holes beside each other, 1.5 m out and by chance; None where one shows the pipe."""
    exit, size = model.exit, np.array(PIT_M)
    line, nothing_shows = shapely.LineString(truth["vertices"][i]), generator.random() < COMMON
    ahead = np.array([np.cos(exit.angle_rad), np.sin(exit.angle_rad)])
    left = np.array([-ahead[1], ahead[0]])
    beside, dug = generator.uniform(-0.8, 0.8), []
    for number in range(holes):
        x, y = middle = np.array([exit.x_m, exit.y_m]) + 1.5 * ahead + beside * left
        half = 0.5 * size[:, None] * np.stack([left, ahead])
        corners = [
            middle + a * half[0] + b * half[1] for a, b in ((1, 1), (1, -1), (-1, -1), (-1, 1))
        ]
        inside = bool(shapely.intersects(line, shapely.Polygon(corners)))
        if inside and not nothing_shows and generator.random() > ALONE:
            return None
        dug.append(
            Missed(f"F{number}", "test-pit", float(x), float(y), 0.02, "lot coordinates", "no",
                   angle_rad=float(np.arctan2(left[1], left[0])), length_m=PIT_M[0],
                   width_m=PIT_M[1], dug_to_m=8.0)
        )  # fmt: skip
        beside += PIT_M[0] * (1.0 if generator.random() < 0.5 else -1.0)
    return dug


def found_ranks(
    name: str, kind: tuple[str, int, int, bool], count: int, *, seed: int, pool: int = POOL
) -> dict[str, Array]:
    """Return the ranks of tap, azimuth, exit along the wall and invert after finds and misses."""
    _, finds, misses, turned = kind
    generator = np.random.default_rng([seed, finds, misses, int(turned)])
    model = cases()[name]
    site = replace(model.site, mains=(model.main,), evidence=())
    model = replace(model, site=site)
    truth = draw_truths(model, min(40 * count, pool // 4), generator, pool=pool)
    axis = 0 if model.exit.side in ("front", "rear") else 1
    ranks: dict[str, list[float]] = {"tap": [], "azimuth": [], "place": [], "invert": []}
    for i in range(len(truth["station"])):
        dug = missed(model, truth, i, misses, generator)
        if dug is None or len(ranks["tap"]) == count:
            continue
        start = generator.uniform(1.0, 6.0)
        seen = seen_at(model, truth, i, [start + 5.0 * j for j in range(finds)], generator)
        if turned and not _is_turned(seen, model.exit.angle_rad):
            continue
        told = replace(site, evidence=(*dug, *seen), seed=i)
        sampled = sample_routes(Survey(told, RULES, penetration=model.exit)).routes
        routes = by_id(Survey(told, RULES, sampled=sampled))[name]
        logs = log_weights(weigh_site(told, sampled, frozenset()), routes)
        weights = np.exp(logs - logs.max())
        step = routes.vertices[:, 1] - routes.vertices[:, 0]
        turn = np.arctan2(step[:, 1], step[:, 0]) - truth["heading"][i]
        for key, below in (
            ("tap", routes.tap_stations_m < truth["station"][i]),
            ("azimuth", (turn + np.pi) % (2.0 * np.pi) < np.pi),
            ("place", routes.vertices[:, 0, axis] < truth["vertices"][i, 0, axis]),
            ("invert", routes.inverts_m[:, 0] < truth["invert"][i]),
        ):
            ranks[key].append(float(weights[below].sum() / weights.sum()))
    return {key: np.array(values) for key, values in ranks.items()}


def _is_turned(seen: list[Found], angle_rad: float) -> bool:
    """Return whether two finds lie on a line that is off the exit's direction."""
    one, other = seen
    along = np.arctan2(other.y_m - one.y_m, other.x_m - one.x_m)
    return bool(abs((along - angle_rad + np.pi) % (2.0 * np.pi) - np.pi) > TURNED_RAD)


def exit_ranks(count: int, *, heavy: bool, seed: int) -> dict[str, Array]:
    """Return the same for the exit's place along the wall, its invert and its slope."""
    ranks: dict[str, list[float]] = {"place": [], "invert": [], "slope": []}
    for i in range(count):
        generator = np.random.default_rng([seed, i])
        site, drain = corner_site(), true_drain(generator, bend=False)
        # The prior of the invert is that at the last mark, about 0.75 m before the wall.
        length = float(np.hypot(*np.diff(drain, axis=0).T).sum()) - 6.75
        start, slope = _draw_profile(site.drain_diameter_m, length, generator)
        survey, to_wall = mark_drain(site, drain, generator, (start, slope), heavy=heavy, count=7)
        found = find_exit(fit_line(survey)).exit
        at = place_on(drain, np.array([to_wall]))[0]
        ranks["place"].append(stats.norm.cdf(at[0], found.x_m, np.sqrt(found.covariance[0, 0])))
        for j, (name, value) in enumerate((("invert", start - slope * to_wall), ("slope", slope))):
            ranks[name].append(
                sum(
                    c.weight * stats.norm.cdf(value, c.mean[j], np.sqrt(c.covariance[j, j]))
                    for c in found.profile
                )
            )
    return {name: np.array(values) for name, values in ranks.items()}


def _draw_profile(
    diameter: float, length: float, generator: np.random.Generator
) -> tuple[float, float]:
    """Draw the first invert and slope by the profile's prior: the crown stays below the slab."""
    prior = slope_prior(RULES, diameter)
    while True:
        part = generator.choice(prior.weights.size, p=prior.weights)
        slope = float(generator.normal(prior.means[part], prior.sds[part]))
        start = float(generator.normal(*INVERT_PRIOR_M)) + slope * length
        if max(start, start - slope * length) < -(diameter + SLAB_COVER_M):
            return start, slope


def describe(name: str, ranks: Array) -> str:
    """Write a row: chi-square over the bins and Kolmogorov-Smirnov with their p, and the counts."""
    counts = np.histogram(ranks, BINS, (0.0, 1.0))[0]
    chi = stats.chisquare(counts)
    smirnov = stats.kstest(ranks, "uniform")
    return (
        f"{name:56s}{len(ranks):6d}{chi.statistic:8.1f}{chi.pvalue:8.3f}{smirnov.statistic:8.3f}"
        f"{smirnov.pvalue:8.3f}   {' '.join(map(str, counts))}"
    )


def main(count: int, only: str = "", case: str = "") -> None:
    """Write the table."""
    write = sys.stdout.write
    write(
        f"{'':56s}{'sites':>6s}{'chi2':>8s}{'p':>8s}{'KS':>8s}{'p':>8s}   counts of {BINS} bins\n"
    )
    for name in () if only else cases():
        for words, item in (("nothing", None), ("tap record", record), ("locate", locate)):
            row = describe(f"{name}, {words}", route_ranks(name, item, count, seed=21))
            write(row + "\n")
            sys.stdout.flush()
    for name in (case,) if case else cases():
        for kind in AFTER:
            for key, ranks in found_ranks(name, kind, count, seed=22).items():
                write(describe(f"{name}, {kind[0]}: {key}", ranks) + "\n")
            sys.stdout.flush()
    for heavy in () if only else (False, True):
        for name, ranks in exit_ranks(count, heavy=heavy, seed=5).items():
            noise = "Student-t" if heavy else "normal"
            write(describe(f"exit {name}, {noise} noise", ranks) + "\n")


if __name__ == "__main__":
    sys.stdout.write(heading("seeds: 21 for routes, 22 after finds and misses, 5 for exits"))
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400, *sys.argv[2:])
