"""A survey with every block filled by hand, for tests of stage ``write``: all invented.

The corner lot of :mod:`tests.invented`, with straight-route clouds to the front main (0.70) and
to the alley main along the right side of the house (0.25), and nothing listed (0.05).
"""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from functools import cache

import numpy as np
import shapely

from sitegis.evidence import CleanoutOutside, Dye, OutdoorLocate, TapRecord
from sitegis.geometry.frames import Array
from sitegis.messages.errors import Notice
from sitegis.model.dig_plan import Corridor, DepthStep, DigPlan, HitMap, Pit, TapeTie
from sitegis.model.doubts import Doubt, Measurement, OtherReading, Unchecked
from sitegis.model.results import (
    AdjustedObservation,
    Adjustment,
    Bend,
    Contribution,
    Drain,
    Exit,
    Hypothesis,
    NextCheck,
    PlacedPoint,
    Placement,
    ProfileComponent,
    Routes,
    ScoredHypothesis,
    Scores,
)
from sitegis.model.site import Building, KeepOut, Locate, PlannedFixture, Site
from sitegis.model.survey import Survey
from sitegis.routes.unlisted import unlisted_routes
from sitegis.rules.rule_set import load_rules

from .invented import FRONT_TRUTH, HOUSE_FRONT_M, HOUSE_LEFT_M, corner_site, front_exit

RULES = replace(
    load_rules("us-ipc"),
    title="Invented excerpt for tests",
    edition="test",
    cautions=(
        "Call the one-call center and wait for the marks before you dig.",
        "The inferred line is not a locate.",
        "Look with the camera for a gas cross-bore before you clear or cut.",
    ),
    pit_cautions=(
        "Call the one-call center and wait for the marks before you dig.",
        "Look with the camera for a gas cross-bore before you clear or cut.",
    ),
)
SAMPLES = 60
ITEMS = ("tap_record", "dye", "outdoor_locate", "cleanout_outside")


def filled_survey(
    *, name: str = "Invented corner lot", note: str = "", units: str = "ft", mark: str = "P3"
) -> Survey:
    """Fill every block; ``name``, ``note`` and ``mark`` reach every text a user can write.

    ``mark`` is the fourth point's id, and part of the names of a room, a street and a keep-out.
    """
    site = _site(name, note, units, mark)
    drain, penetration = _drain(mark), front_exit()
    routes = _routes(penetration)
    scores = _scores(routes, note)
    return Survey(
        site,
        RULES,
        _placement(site),
        drain,
        penetration,
        routes,
        scores,
        _dig(site, routes, penetration),
        doubted=_doubt(penetration),
    )


def _doubt(left_at: Exit) -> Doubt:
    """Doubt the corner of the room: another reading is likely, one tape settles it."""
    words = "room Basement was taped from its rear-right corner"
    reading = OtherReading(
        "basement:x11", "corner", "corner and hand of room Basement", words, 0.004, 4.0, 0.25,
        left_at.x_m + 2.0, left_at.y_m, left_at.angle_rad, left_at.depth_m, None, 2.0, 0.0, True,
    )  # fmt: skip
    settle = Measurement(
        f"tape from P4 to the rear-left outside corner of the house: 5 m if all is as written; 9 m "
        f"if {words}",
        "P4",
        "building:rear-left",
        ("stated", reading.id),
        (5.0, 9.0),
    )
    unchecked = Unchecked(
        "ground at the house", "Only one height is known.", "level.", 0.01, 0.0, 0.3
    )
    return Doubt((reading,), (unchecked,), settle, 0.7, 0.25)


def _site(name: str, note: str, units: str, mark: str) -> Site:
    evidence = (
        TapRecord("front-main", "front-main-MH0", 12.0),
        Dye("front-main-MH1", True, 15.0),
        OutdoorLocate(6.9, 3.0, 2.6, 0.2),
        CleanoutOutside(6.95, 5.0),
    )
    site = corner_site(evidence=evidence)
    locates: tuple[Locate, ...] = tuple(
        dataclasses.replace(locate, note=note, id=mark if locate.id == "P3" else locate.id)
        for locate in site.locates
    )
    keep_outs = (
        KeepOut("gas-1", "gas", np.array([[11.0, -10.0], [11.0, 7.6]]), 0.6, note),
        KeepOut(f"oak {mark}", "tree", np.array([[3.0, 3.5]]), 1.5, note),
        KeepOut(
            "shed",
            "other",
            np.array([[10.0, 30.0], [13.0, 30.0], [13.0, 33.0], [10.0, 33.0]]),
            0.3,
            note,
            is_area=True,
        ),
    )
    notices = (
        Notice("ground-assumed", f"The ground height was assumed. {note}".strip(), "site", False),
        Notice("lift-disagrees", "At P3 the lifted reading disagrees: read it again.", "P3", True),
    )
    return dataclasses.replace(
        site,
        name=name,
        locates=locates,
        rooms=(dataclasses.replace(site.rooms[0], name=f"Front room {mark}"), *site.rooms[1:]),
        streets=(
            dataclasses.replace(site.streets[0], name=f"First Street {mark}"),
            *site.streets[1:],
        ),
        mains=(dataclasses.replace(site.mains[0], street=f"First Street {mark}"), *site.mains[1:]),
        keep_outs=keep_outs,
        fixtures=(
            PlannedFixture(
                "WC",
                "water-closet",
                "R1",
                3.0,
                3.0,
                vent_m=(2.0, 3.5),
                name=f"New toilet {mark}",
            ),
        ),
        notices=notices,
        units=units,
        depth_units="in" if units == "ft" else units,
        surveyed_by=note,
        surveyed_on="2001-02-03",
    )


def _placement(site: Site) -> Placement:
    points = []
    for locate in site.locates:
        room = next(room for room in site.rooms if room.id == locate.room)
        assert room.origin_m is not None
        x = locate.x_m + HOUSE_LEFT_M + room.origin_m[0]
        y = locate.y_m + HOUSE_FRONT_M + room.origin_m[1]
        found = locate.kind == "locate"
        points.append(
            PlacedPoint(
                locate.id,
                locate.kind,
                locate.room,
                x,
                y,
                0.15 if found else 0.03,
                0.12 if found else 0.03,
                0.3,
                0.0,
                locate.depth_m,
                0.05,
                locate.footage_m,
                "slab",
                locate.row,
            )
        )
    size = 2 * len(points)
    observation = AdjustedObservation("R1 offset of P1, x", 3.2, 0.013, 0.004, 0.0, 0.4, np.inf)
    outlines = {}
    for room in site.rooms:
        assert room.origin_m is not None
        assert room.size_m is not None
        x0 = HOUSE_LEFT_M + room.origin_m[0]
        y0 = HOUSE_FRONT_M + room.origin_m[1]
        x1, y1 = x0 + room.size_m[0], y0 + room.size_m[1]
        outlines[room.id] = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    return Placement(
        tuple(points),
        np.eye(size) * 0.02,
        np.eye(size) * 0.001,
        Adjustment((observation,), 1.2, 1, 1.2, 3),
        outlines,
    )


def _drain(mark: str) -> Drain:
    vertices = np.array([FRONT_TRUTH.drain[0], FRONT_TRUTH.drain[1], [7.36, 9.2]])
    stations = np.linspace(0.0, 6.5 + 1.3, 6)
    end = front_exit()
    profile = tuple(
        ProfileComponent(c.weight, np.array([c.mean[0] + 0.03, c.mean[1]]), c.covariance)
        for c in end.profile
    )
    return Drain(
        vertices,
        ("P0", "P1", "P2", mark, "P4", "P5"),
        stations,
        np.full(6, 0.03),
        (Bend(6.5, 0.0, 7.4, 10.5),),
        end.angle_rad,
        end.covariance,
        profile,
        0.0177,
        0.006,
        0.8,
        {0: -3.0, 1: -2.0},
    )


def _one_cloud(hypothesis: Hypothesis, penetration: Exit, path: Array, seed: int) -> Routes:
    """Scatter copies of a path whose first vertex is the exit."""
    generator = np.random.default_rng(seed)
    start = np.array([[penetration.x_m, penetration.y_m]])
    nominal = np.concatenate([start, path])
    scatter = generator.normal(0, 0.25, (SAMPLES, len(nominal), 2))
    scatter[:, 0] *= 0.5
    scatter[:, 1:] += generator.normal(0, 0.4, (SAMPLES, 1, 2)) * np.array([1.0, 0.1])
    scatter[:, -1, 1] = 0.0
    vertices = nominal + scatter
    steps = np.hypot(*np.moveaxis(np.diff(vertices, axis=1), -1, 0))
    stations = np.concatenate([np.zeros((SAMPLES, 1)), np.cumsum(steps, axis=1)], axis=1)
    inverts = penetration.invert_m - 0.02 * stations + generator.normal(0, 0.03, (SAMPLES, 1))
    # a route shorter than the widest one repeats its tap
    vertices = np.concatenate([vertices, vertices[:, -1:]], axis=1)
    inverts = np.concatenate([inverts, inverts[:, -1:]], axis=1)
    return Routes(
        hypothesis,
        vertices,
        inverts,
        stations[:, -1],
        inverts[:, -1] + 1.6,
        np.full(SAMPLES, 30.0),
        np.zeros(SAMPLES),
        dict.fromkeys(ITEMS, np.zeros(SAMPLES)),
        2 * SAMPLES,
    )


def _routes(penetration: Exit) -> tuple[Routes, ...]:
    front = Hypothesis("front-main:direct", "front-main", "direct", "front", None, 0.6)
    alley = Hypothesis(
        "alley-main:side-yard-right", "alley-main", "side-yard", "rear", "right", 0.35
    )
    unlisted = Hypothesis("unlisted", None, "unlisted", None, None, 0.05)
    return (
        _one_cloud(front, penetration, np.array([[6.6, -10.06]]), 1),
        _one_cloud(alley, penetration, np.array([[11.5, 6.0], [12.2, 22.5], [12.0, 40.5]]), 2),
        dataclasses.replace(
            unlisted_routes(unlisted, corner_site(), penetration),
            why_none="Nothing listed: no route is drawn.",
        ),
    )


def _scores(routes: tuple[Routes, ...], note: str) -> Scores:
    uniform = np.full(SAMPLES, 1.0 / SAMPLES)
    straights = np.full(routes[-1].drawn, 1.0 / routes[-1].drawn)
    contributions = (
        Contribution("tap_record", "tap_record", 1.4, "The tap record fits: ×2.6 for this way."),
        Contribution("dye", "dye", 0.9, f"Dye was seen at front-main-MH1. {note}".strip()),
        Contribution("cleanout_outside", "cleanout_outside", 0.0, "Says nothing either way."),
    )
    against = tuple(
        dataclasses.replace(item, bits=-item.bits, words=f"Against: {item.words}")
        for item in contributions
    )
    front, alley, unlisted = (route.hypothesis for route in routes)
    return Scores(
        (
            ScoredHypothesis(front, 0.70, -4.1, 0.03, 480.0, contributions, uniform, 0),
            ScoredHypothesis(alley, 0.25, -4.6, 0.04, 410.0, against, uniform, 3),
            ScoredHypothesis(unlisted, 0.05, -np.inf, 0.0, 0.0, (), straights, None),
        ),
        (
            NextCheck(
                "Open front-main-MH1 and watch for dye for 20 minutes",
                0.41,
                310.0,
                90.0,
                (("dye seen", 0.66, "dig pit 1"), ("not seen", 0.34, "dig pit 2")),
            ),
            NextCheck(
                f"Ask the neighbors {note}".strip(),
                0.10,
                0.0,
                20.0,
                (("most drain to the front", 0.6, "dig pit 1"),),
            ),
        ),
        ("Dye seen at the right manhole is believed 0.9: judgment, no source.",),
    )


def _pit(site: Site, rank: int, x: float, y: float, p: tuple[float, float], surface: str) -> Pit:
    half = np.array([0.6, 0.45])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    building: Building = site.building
    ties = tuple(
        TapeTie(name, *map(float, corner), float(np.hypot(corner[0] - x, corner[1] - y)))
        for name, corner in zip(
            ("building:front-left", "building:front-right"), building.vertices[:2], strict=True
        )
    )
    return Pit(
        rank,
        x,
        y,
        np.array([x, y]) + half * corners,
        *p,
        2.9,
        2.55,
        2.85,
        3.1,
        1180.0,
        surface,
        True,
        ties,
        ("front-main:direct",) if rank == 1 else ("alley-main:side-yard-right",),
    )


def _corridors(routes: tuple[Routes, ...]) -> tuple[Corridor, ...]:
    corridors = []
    for route in routes:
        if not route.tap_stations_m.size:
            continue
        lines = shapely.linestrings(route.vertices)
        for level, width, share in ((0.5, 0.15, 0.5), (0.8, 0.2, 0.8), (0.95, 0.25, 1.0)):
            area = shapely.union_all(shapely.buffer(lines[: int(share * len(lines))], width))
            parts = shapely.get_parts(area)
            corridors.append(
                Corridor(
                    route.hypothesis.id,
                    level,
                    tuple(np.array(part.exterior.coords)[:-1] for part in parts),
                    tuple(
                        tuple(np.array(hole.coords)[:-1] for hole in part.interiors)
                        for part in parts
                    ),
                    share,
                    share,
                )
            )
    return tuple(corridors)


@cache
def _drawn() -> tuple[HitMap, tuple[Corridor, ...]]:
    """Draw once what no text changes: 3888 cells against 120 routes, and the corridors."""
    routes = _routes(front_exit())
    scores = _scores(routes, "")
    origin, cell = (-1.0, -12.0), 0.5
    x = origin[0] + cell * (np.arange(36) + 0.5)
    y = origin[1] + cell * (np.arange(108) + 0.5)
    centers = shapely.buffer(shapely.points(*np.meshgrid(x, y)), 0.5)
    p = np.zeros(centers.shape)
    for route, scored in zip(routes, scores.hypotheses, strict=True):
        for line in shapely.linestrings(route.vertices):
            p += scored.probability * shapely.intersects(line, centers) / len(route.vertices)
    return HitMap(origin, cell, p), _corridors(routes)


def _dig(site: Site, routes: tuple[Routes, ...], penetration: Exit) -> DigPlan:
    hit_map, corridors = _drawn()
    pits = (
        _pit(site, 1, 7.0, 5.6, (0.66, 0.66), "lawn"),
        _pit(site, 2, 12.0, 24.0, (0.21, 0.86), "concrete"),
    )
    best = routes[0].vertices[0]
    stations = np.linspace(0.0, routes[0].lengths_m[0], 7)
    at = shapely.get_coordinates(
        shapely.line_interpolate_point(shapely.LineString(best[:2]), stations)
    )
    depths = tuple(
        DepthStep(
            float(s),
            float(x),
            float(y),
            2.1 - 0.01 * s,
            penetration.invert_m - 0.02 * s,
            2.1 - penetration.invert_m + 0.01 * s,
            2.0 - penetration.invert_m + 0.005 * s,
            2.2 - penetration.invert_m + 0.015 * s,
        )
        for s, (x, y) in zip(stations, at, strict=True)
    )
    return DigPlan(
        pits,
        hit_map,
        corridors,
        depths,
        1420.0,
        2010.0,
        (
            TapeTie(
                "building:front-left",
                *map(float, site.building.vertices[0]),
                penetration.x_m - float(site.building.vertices[0, 0]),
            ),
        ),
    )
