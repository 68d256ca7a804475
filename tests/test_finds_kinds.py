"""What a finding says of routes: against shapely's lines, complex numbers and scipy's normals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
import shapely.affinity
from scipy.stats import norm

from sitegis.evidence.kind import RouteSet
from sitegis.finds.kinds import (
    FIND_KINDS,
    found_likelihood,
    is_narrower,
    kind_of,
    measured_invert_m,
    miss_given,
    reliability_of,
    residuals,
    stray_find,
)
from sitegis.finds.records import Found, Missed, Work
from sitegis.geometry.frames import Array
from sitegis.model.site import Ground, Site

from .invented import corner_site

FIND = Found(
    "F1",
    "test-pit",
    4.3,
    2.1,
    0.04,
    "lot coordinates",
    "yes",
    direction_rad=0.4,
    depth_to_invert_m=2.3,
)
# the three of the readme's table: share that is this drain, sd across, share that it shows
WORKS: tuple[tuple[Work, float, float, float], ...] = (
    ("test-pit", 0.98, 0.02, 0.95),
    ("vacuum-hole", 0.95, 0.03, 0.90),
    ("trench", 0.98, 0.02, 0.95),
    ("cleanout", 0.90, 0.15, 0.50),
    ("connection", 0.80, 0.15, 0.60),
)


def sloping_site() -> Site:
    """Return a site whose ground is known at one spot near the find, and at one far away."""
    ground = Ground(
        np.array([[4.0, 2.0], [14.0, 22.0]]),
        np.array([1.7, 2.9]),
        np.array([0.03, 0.09]),
        assumed=False,
    )
    return replace(corner_site(), ground=ground)


def weighed_by_distance(site: Site, values: Array, x: float, y: float) -> float:
    """Interpolate by inverse squared distances."""
    weights = 1.0 / np.sum((site.ground.spots - [x, y]) ** 2, axis=1)
    return float(weights @ values / weights.sum())


def bent_routes(count: int = 30) -> tuple[Array, Array, Array]:
    """Return routes of three straights, some of two (the last vertex repeated), and lengths."""
    generator = np.random.default_rng(2)
    vertices = generator.uniform(-1.0, 8.0, (count, 4, 2))
    vertices[::3, 3] = vertices[::3, 2]
    lengths = shapely.length(shapely.linestrings(vertices))
    steps = np.cumsum(np.hypot(*np.moveaxis(np.diff(vertices, axis=1), -1, 0)), axis=1)
    fall = generator.uniform(0.01, 0.05, (count, 1))
    inverts = -0.6 - fall * np.concatenate([np.zeros((count, 1)), steps], axis=1)
    return vertices, inverts, lengths


@pytest.mark.parametrize("work", [row[0] for row in WORKS])
def test_a_find_is_held_against_the_nearest_place_or_the_tap(work: Work) -> None:
    """Shapely's distance and place, the fall shared evenly along, a direction taken either way."""
    site, (vertices, inverts, lengths) = sloping_site(), bent_routes()
    find = replace(FIND, work=work)
    across, below, turn = residuals(find, site, vertices, inverts, lengths)
    assert below is not None
    assert turn is not None
    ground = weighed_by_distance(site, site.ground.elevations_m, find.x_m, find.y_m)
    turned = set()
    for row, corners in enumerate(vertices):
        line, point = shapely.LineString(corners), shapely.Point(find.x_m, find.y_m)
        station = line.project(point)
        pieces = [shapely.LineString(corners[i : i + 2]) for i in range(3)]
        near = int(np.argmin([piece.distance(point) for piece in pieces]))
        step = complex(*(corners[near + 1] - corners[near])) * np.exp(-0.4j)
        off = line.distance(point)
        if work == "connection":
            off, station = shapely.Point(corners[-1]).distance(point), line.length
        assert across[row] == pytest.approx(off)
        invert = inverts[row, 0] + (inverts[row, -1] - inverts[row, 0]) * station / line.length
        assert below[row] == pytest.approx(invert - (ground - 2.3), abs=1e-5)
        assert turn[row] == pytest.approx(0.5 * float(np.angle(step**2)))
        turned.add(bool(step.real < 0))
    assert turned == {True, False}


@pytest.mark.parametrize(("work", "right", "across_sd_m"), [row[:3] for row in WORKS])
def test_a_find_has_the_density_of_all_that_was_measured(
    work: Work, right: float, across_sd_m: float
) -> None:
    """A normal each, of 5° for a direction; or a stray pipe, even in 20 m, 2 m and half a turn."""
    site, (vertices, inverts, lengths) = sloping_site(), bent_routes()
    main = site.mains[0]
    for direction in (None, 0.4):
        for depth in (None, 2.3):
            find = replace(FIND, work=work, direction_rad=direction, depth_to_invert_m=depth)
            laid = RouteSet(
                site, main, vertices, inverts, lengths, lengths, np.zeros((len(lengths), 1)), None
            )
            across, below, turn = residuals(find, site, vertices, inverts, lengths)
            density = norm.pdf(across, 0.0, np.hypot(across_sd_m, 0.04))
            stray = 1.0 / 20.0
            if depth is not None:
                own = weighed_by_distance(site, site.ground.sds_m, find.x_m, find.y_m)
                density = density * norm.pdf(below, 0.0, np.hypot(0.02, own))
                stray /= 2.0
            if direction is not None:
                density = density * norm.pdf(turn, 0.0, np.radians(5.0))
                stray /= np.pi
            assert stray_find(find, site) == pytest.approx(stray)
            expected = right * density + (1.0 - right) * stray
            assert found_likelihood(find, laid) == pytest.approx(expected, rel=1e-4)


def test_a_depth_to_the_top_lacks_the_diameter_and_the_wall() -> None:
    """The find's own diameter, else the drain's, and 8 mm; ground and tape by their squares."""
    site = replace(sloping_site(), drain_diameter_m=0.1016)
    ground = weighed_by_distance(site, site.ground.elevations_m, FIND.x_m, FIND.y_m)
    sd = np.hypot(0.02, weighed_by_distance(site, site.ground.sds_m, FIND.x_m, FIND.y_m))
    top = replace(FIND, depth_to_invert_m=None, depth_to_top_m=1.9)
    for diameter, inside in ((None, 0.1016), (0.1524, 0.1524)):
        measured = measured_invert_m(replace(top, diameter_m=diameter), site)
        assert measured == pytest.approx((ground - 1.9 - inside - 0.008, sd), abs=1e-5)
    assert measured_invert_m(replace(top, depth_to_top_m=None), site) is None
    located = measured_invert_m(replace(FIND, work="locate"), site)
    assert located is not None
    noise = site.noise
    square = max(noise.depth_floor_m, noise.depth_share * 2.3) ** 2
    square += (noise.session_depth_scale * 2.3) ** 2 + sd**2 - 0.02**2
    assert located[1] == pytest.approx(np.sqrt(square), rel=1e-4)
    aim = FIND_KINDS["found"].aims(replace(FIND, work="locate"), site, site.mains[0])[0]
    assert aim.sd_m == pytest.approx(np.hypot(noise.located_sd_m(2.3), 0.04))
    assert aim.point.tolist() == [FIND.x_m, FIND.y_m]
    assert aim.invert_m == located
    assert (aim.held, aim.found) == (True, True)
    assert kind_of(FIND) is FIND_KINDS["found"]


def test_a_narrower_pipe_has_a_tenth_of_the_odds() -> None:
    """By 15 mm or more, and only where both diameters are known."""
    site = replace(corner_site(), drain_diameter_m=0.1016, drain_diameter_known=True)
    narrow = replace(FIND, diameter_m=0.0762)
    odds = 0.1 * 0.98 / 0.02
    assert reliability_of(narrow, site) == pytest.approx(odds / (1.0 + odds))
    for alike in (replace(FIND, diameter_m=0.09), FIND):
        assert reliability_of(alike, site) == 0.98
        assert not is_narrower(alike, site)
    assert not is_narrower(narrow, replace(site, drain_diameter_known=False))


@pytest.mark.parametrize(("work", "shows"), [(row[0], row[3]) for row in WORKS])
def test_a_miss_leaves_what_shapely_says_of_the_hole(work: Work, shows: float) -> None:
    """1 − r Φ((top of pipe − bottom) / sd) where a route passes the turned hole, else 1."""
    site, (vertices, inverts, _) = sloping_site(), bent_routes()
    miss = Missed(
        "M1",
        work,
        3.9,
        2.7,
        0.05,
        "lot coordinates",
        "no",
        angle_rad=0.7,
        length_m=1.8,
        width_m=0.9,
        dug_to_m=2.35,
    )
    hole = shapely.affinity.translate(
        shapely.affinity.rotate(shapely.box(-0.9, -0.45, 0.9, 0.45), 0.7, (0, 0), use_radians=True),
        3.9,
        2.7,
    )
    bottom = weighed_by_distance(site, site.ground.elevations_m, 3.9, 2.7) - 2.35
    sd = weighed_by_distance(site, site.ground.sds_m, 3.9, 2.7)
    found = miss_given(miss, site, vertices, inverts)
    crossed = 0
    for row, corners in enumerate(vertices):
        highest = -np.inf
        for i in range(3):
            piece = shapely.LineString(corners[i : i + 2])
            inside = piece.intersection(hole)
            if piece.length == 0 or inside.is_empty:
                continue
            for end in inside.coords:
                share = np.hypot(*(np.array(end) - corners[i])) / piece.length
                invert = inverts[row, i] + share * (inverts[row, i + 1] - inverts[row, i])
                highest = max(highest, invert)
        crossed += highest > -np.inf
        chance = norm.cdf((highest + site.drain_diameter_m - bottom) / sd)
        assert found[row] == pytest.approx(1.0 - shows * chance, abs=1e-5)
    assert crossed >= 8
    above = replace(miss, dug_to_m=None)
    passed = 1.0 - miss_given(above, site, vertices, inverts)
    assert sorted({round(float(p), 9) for p in passed}) == [0.0, shows]
    nowhere = replace(miss, width_m=0.0)
    assert miss_given(nowhere, site, vertices, inverts).tolist() == [1.0] * len(vertices)
