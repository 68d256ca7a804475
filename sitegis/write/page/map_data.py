"""What the map draws, as one JSON value: features, hypotheses, the section, the scale."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from ...exit import SAME_DIRECTION_RAD, exit_turns
from ...geometry.frames import Array, LotFrame, lot_direction, wrap_radians
from ...model.derived import Feature, Profile, Value
from ...model.dig_plan import HitMap, Pit
from ...model.results import Exit, ExitComponent
from ...model.site import Main
from ...model.survey import Survey
from ...numerics.ordering import MATTERS_P, at_least, decimals, largest, on_lattice
from ...numerics.raster import boxes_of
from ...numerics.statistics import ELLIPSE_95, square_root
from ...units import LengthUnit, about, is_imperial, percent
from ..derive import survey_features
from ..features import clearance_area, keep_out_features
from ..gis.geojson import geometry_object, to_wgs84
from ..looks import utility_color
from ..numbers import finite
from ..report.digging import discriminating_directions
from ..text import short_name
from .reweigh_data import what_if_data

HIT_BANDS = (0.1, 0.25, 0.5, 0.75)
ARROW_EVERY_M = 12.0
WORTH_DRAWING, TURNED_M = 0.05, 2.0
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
COLORS = ("#00613a", "#6a2fb5", "#a33c00", "#0059b3", "#8a0f4d", "#4d4d00")
"""One for each route alternative in turn; each at least 4.5 to 1 against white (WCAG 1.4.3)."""


Drawn = tuple[str, shapely.Geometry, dict[str, Value]]
"""What the map draws of one thing: its layer, its shape, and what is told of it."""


def map_data(survey: Survey, profile: Profile) -> dict[str, Any]:
    """Gather everything the page's script needs, in WGS 84 and plain numbers.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    profile
        The profile drawn beside the map.

    Returns
    -------
    dict[str, Any]
        What the script needs, ready for JSON.
    """
    site = survey.site
    frame = site.frame
    extra = [
        *_street_features(survey),
        *_flow_features(site.mains),
        *_hit_features(survey.dig.hit_map),
        *_ellipse_features(survey),
        *_turned_features(survey.exit),
        *_clearance_features(survey),
        *_telling_features(survey),
    ]
    drawn = [*extra, *(_shown(survey, feature) for feature in survey_features(survey))]
    moved = to_wgs84([geometry for _, geometry, _ in drawn], frame)
    return {
        "features": [
            {
                "type": "Feature",
                "geometry": geometry_object(geometry),
                "properties": {"layer": layer, **properties},
            }
            for (layer, _, properties), geometry in zip(drawn, moved, strict=True)
            if not geometry.is_empty
        ],
        "hypotheses": [
            {
                "id": scored.hypothesis.id,
                "letter": LETTERS[index % len(LETTERS)],
                "color": COLORS[index % len(COLORS)],
                "name": short_name(survey, scored.hypothesis),
                "percent": percent(scored.probability),
                "probability": scored.probability,
            }
            for index, scored in enumerate(survey.scores.hypotheses)
        ],
        "pits": [_latitude_longitude(survey, pit) for pit in survey.dig.pits],
        "profile": _profile_data(profile, frame),
        "bounds": _bounds(survey),
        "what_if": what_if_data(survey),
        "meters": _meters_per_degree(frame),
        "imperial": is_imperial(site.units),
    }


def _latitude_longitude(survey: Survey, pit: Pit) -> list[float]:
    longitude, latitude = survey.site.frame.written_lonlat(np.array([pit.x_m, pit.y_m]))
    return [round(float(latitude), 8), round(float(longitude), 8)]


def _shown(survey: Survey, feature: Feature) -> Drawn:
    """Return layer, geometry and what the map says about a feature of the outputs."""
    properties = feature.properties
    shown: dict[str, Value] = {
        "evidence": feature.evidence_class,
        "label": str(properties["id"]),
        "words": _words(survey, feature),
    }
    # what the script filters and colors by; all else is in the words
    for key in ("hypothesis", "level", "rank", "kind", "found"):
        if key in properties:
            shown[key] = properties[key]
    if feature.layer == "locate":
        shown["label"] = _mark_label(survey, feature)
        if properties["kind"] == "wall":
            return "jamb", feature.geometry, shown
    if feature.layer == "planned-branch":
        shown["label"] = f"{properties['name'] or properties['fixture']}, planned"
    if feature.layer == "keep-out":
        shown["color"] = utility_color(str(properties["kind"]))
    if feature.layer == "tie":
        shown["label"] = about(float(properties["distance_m"] or 0.0), survey.site.units)
    return feature.layer, feature.geometry, shown


def _mark_label(survey: Survey, feature: Feature) -> str:
    depth = feature.properties["depth_m"]
    name = str(feature.properties["id"])
    if not isinstance(depth, float):
        return name
    return f"{name}  {about(depth, survey.site.depth_units)}"


def _words(survey: Survey, feature: Feature) -> str:
    """Say what a feature is, for its tooltip."""
    units: LengthUnit = survey.site.units
    known = feature.properties

    def length(key: str) -> str:
        value = known.get(key)
        return about(value, units) if isinstance(value, float) else "unknown"

    layer = feature.layer
    sentences: dict[str, str] = {
        "lot": "Lot line (record)",
        "building": "House, outside outline (record)",
        "main": f"Public sewer {known['id']} (record), {length('diameter_m')} across",
        "manhole": f"Manhole {known['id']} (record)",
        "drain": "Building drain as fitted: inferred, not located",
        "branch": f"Branch {known['id']}: inferred, not located",
        "wye": f"Wye of {known.get('run')}: inferred, not located; within "
        f"{length('radius_95_m')} of here with 95 %",
        "exit": f"Wall penetration, {known.get('wall')} wall: inferred, not located",
        "route": "Most probable route: inferred, not located",
        "stretch": f"Stretch that is {feature.evidence_class}, {length('length_m')} long"
        + (": not located" if feature.evidence_class == "inferred" else ""),
        "corridor": f"{percent(float(known.get('level') or 0))} of the routes of this "
        "alternative lie wholly within",
        "tie": f"Tape {length('distance_m')} from {known.get('from')} to {known.get('to')}",
        "spoil-setback": "Spoil, tools and machines stay outside this line "
        f"(pit {known.get('rank')})",
        "planned-branch": f"Planned branch for {known.get('name') or known.get('fixture')}: "
        f"not built, {length('diameter_m')} across, {length('length_m')} long",
        "planned-vent": f"Vent of {known.get('fixture')}, planned: {length('straight_m')} in a "
        "straight line",
        "other-reading": f"If {known.get('words')}: the drain leaves here. Inferred; settle it "
        "before digging",
        "slab-opening": f"Planned slab opening for {known.get('fixture')}: scan for tendons, bars "
        "and pipes before cutting",
        "keep-out": f"No-dig area ({known.get('kind')}): {known['id']}, clearance "
        f"{length('clearance_m')}. {known.get('note') or ''}".strip(),
    }
    if layer == "dug":
        saw = {"yes": "the pipe was seen", "no": "no pipe of the drain was seen"}
        met = str(known["found"])
        return f"Dug: {known['kind']} {known['id']}, to {length('dug_to_m')}: " + saw.get(
            met, f"another pipe was met ({met})"
        )
    if layer == "pit":
        hit = percent(float(known["p_hit"] or 0.0))
        return f"Proposed test pit {known['rank']}: {hit} to find the pipe"
    if layer == "locate":
        depth = known.get("depth_m")
        deep = f", {about(depth, survey.site.depth_units)} deep" if isinstance(depth, float) else ""
        distorted = ", reading distorted" if known.get("distorted") else ""
        note = f" {known['note']}" if known.get("note") else ""
        return f"{known['kind']} {known['id']} ({feature.evidence_class}){deep}{distorted}.{note}"
    return sentences[layer]


def _street_features(survey: Survey) -> Iterator[Drawn]:
    """Yield streets, alleys and rooms, which no other output has."""
    for street in survey.site.streets:
        yield (
            "street",
            shapely.Polygon(street.row),
            {
                "label": street.name,
                "kind": street.kind,
                "words": f"{street.name}: {street.kind}, right-of-way (record)",
            },
        )
    names = {room.id: room.name for room in survey.site.rooms}
    for identifier, outline in survey.placement.room_outlines.items():
        name = names.get(identifier, identifier) or identifier
        yield "room", shapely.Polygon(outline), {"label": name, "words": f"Room {name}"}


def _flow_features(mains: tuple[Main, ...]) -> Iterator[Drawn]:
    """Yield an arrow with the flow every dozen meters along each main."""
    shape = np.array([[0.9, 0.0], [-0.7, 0.55], [-0.7, -0.55]])
    for main in mains:
        line = shapely.LineString(main.line)
        count = max(int(line.length / ARROW_EVERY_M), 1)
        for at in (np.arange(count) + 0.5) * line.length / count:
            here, ahead = (
                shapely.get_coordinates(line.interpolate(at + step))[0] for step in (-0.05, 0.05)
            )
            # a unit vector along the flow, from 10 cm of the line
            east, north = (ahead - here) / np.hypot(*(ahead - here))
            turn = np.array([[east, -north], [north, east]])
            yield (
                "flow",
                shapely.Polygon(here + shape @ turn.T),
                {"label": main.id, "words": f"Flow in {main.id}"},
            )


def _hit_features(hits: HitMap) -> Iterator[Drawn]:
    """Yield the cells of the hit map merged into bands: over 10, 25, 50 and 75 %."""
    for index, low in enumerate(HIT_BANDS):
        high = HIT_BANDS[index + 1] if index + 1 < len(HIT_BANDS) else np.inf
        # half-open bands, each cell in one of them
        boxes = boxes_of(at_least(hits.p, low) & ~at_least(hits.p, high))
        if not len(boxes):
            continue
        # merged as whole numbers of cells, where every corner is exact
        whole = shapely.union_all(shapely.box(*boxes.T))
        merged = shapely.transform(whole, lambda cells: hits.origin_m + hits.cell_m * cells)
        over, under = percent(low), percent(high) if np.isfinite(high) else ""
        reach = f"{over} to {under}" if under else f"over {over}"
        yield (
            "hit",
            merged,
            {"band": index, "label": reach, "words": f"A pit here finds the pipe with {reach}"},
        )


def ellipse(center: Array, covariance: Array, *, corners: int = 48) -> shapely.Polygon:
    """Draw the 95 % ellipse of a place (2,) with covariance (2, 2), in lot coordinates.

    Parameters
    ----------
    center
        Middle (2,), m.
    covariance
        Covariance (2, 2), m².
    corners
        Number of corners.

    Returns
    -------
    shapely.Polygon
        The polygon.
    """
    angle = np.linspace(0.0, 2 * np.pi, corners, endpoint=False)
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    # the covariance's root takes a circle to the ellipse; the factor holds 95 % in the plane
    root = square_root(covariance)
    return shapely.Polygon(on_lattice(center + ELLIPSE_95 * circle @ root))


def _ellipse_features(survey: Survey) -> Iterator[Drawn]:
    penetration = survey.exit
    center = np.array([penetration.x_m, penetration.y_m])
    yield (
        "exit-ellipse",
        ellipse(center, penetration.covariance[:2, :2]),
        {"label": "exit", "words": "Wall penetration: 95 % ellipse"},
    )
    for point in survey.placement.points:
        cosine, sine = np.cos(point.major_angle_rad), np.sin(point.major_angle_rad)
        # columns: the directions of the longer and the shorter axis
        axes = np.array([[cosine, -sine], [sine, cosine]])
        covariance = axes @ np.diag([point.sd_major_m**2, point.sd_minor_m**2]) @ axes.T
        yield (
            "mark-ellipse",
            ellipse(np.array([point.x_m, point.y_m]), covariance, corners=32),
            {"label": point.id, "words": f"{point.id}: 95 % ellipse"},
        )


def _turned_features(penetration: Exit) -> Iterator[Drawn]:
    """Yield where the drain goes on outside if it bends unseen: the likeliest to each hand, 2 m."""
    groups = exit_turns(penetration)
    for hand, side in (("left", 1.0), ("right", -1.0)):
        weight = groups[hand][0] if hand in groups else 0.0
        if not at_least(weight, WORTH_DRAWING):
            continue
        parts = [
            p for p in penetration.mixture if _turned(p, penetration) * side > SAME_DIRECTION_RAD
        ]
        # a hand also counts what passes another wall, though it
        # hardly turns: there may be none to draw
        if not parts:
            continue
        likeliest = parts[largest([part.weight for part in parts], MATTERS_P)]
        here = np.array([likeliest.x_m, likeliest.y_m])
        line = np.stack([here, here + TURNED_M * lot_direction(likeliest.angle_rad)])
        words = f"If the drain turned {hand} where no mark shows it: {percent(weight)}"
        yield "exit-turned", shapely.LineString(line), {"label": hand, "words": words}


def _turned(part: ExitComponent, penetration: Exit) -> float:
    """Return how far left a component goes of the stated direction, -pi to pi."""
    return float(wrap_radians(np.array(part.angle_rad - penetration.angle_rad)))


def _clearance_features(survey: Survey) -> Iterator[Drawn]:
    for feature in keep_out_features(survey.site.keep_outs):
        area, known = clearance_area(feature), feature.properties
        if not area.is_empty:
            yield (
                "clearance",
                area,
                {
                    "label": known["id"],
                    "kind": known["kind"],
                    "color": utility_color(str(known["kind"])),
                    "words": f"Clearance about {known['id']}",
                },
            )


def _telling_features(survey: Survey) -> Iterator[Drawn]:
    """Yield the pits that tell the directions apart, where there is more than one pit."""
    for pit in discriminating_directions(survey):
        yield (
            "telling-pit",
            shapely.Polygon(pit.ring),
            {
                "label": f"{pit.toward}, or not",
                "words": f"Proposed discriminating test pit, to the {pit.toward} or not: exposes "
                f"the pipe with {percent(pit.p_if_so)} if so, {percent(pit.p_otherwise)} if not",
            },
        )


def _profile_data(profile: Profile, frame: LotFrame) -> dict[str, Any]:
    places = frame.written_lonlat(profile.xy)
    return {
        "station": _numbers(profile.stations_m, 3),
        "longitude": _numbers(places[:, 0], 8),
        "latitude": _numbers(places[:, 1], 8),
        "surface": _numbers(profile.surface_m, 3),
        "invert": _numbers(profile.invert_m, 3),
        "shallow": _numbers(profile.shallow_m, 3),
        "deep": _numbers(profile.deep_m, 3),
    }


def _numbers(values: Array, digits: int) -> list[float | None]:
    return [finite(float(value), digits) for value in values]


def _bounds(survey: Survey) -> list[list[float]]:
    """Return south-west and north-east of what one sees first: lot, pits, routes, nearest mains."""
    pieces = [survey.site.lot.vertices]
    middle = shapely.Point(survey.site.building.vertices.mean(axis=0))
    for main in survey.site.mains:
        nearest = shapely.shortest_line(shapely.LineString(main.line), middle)
        pieces.append(shapely.get_coordinates(nearest)[:1])
    pieces += [pit.ring for pit in survey.dig.pits]
    pieces += [
        np.asarray(shapely.get_coordinates(feature.geometry))
        for feature in survey_features(survey)
        # an unlikely route may run to another street, and would shrink all else
        if feature.layer == "route" and float(feature.properties["probability"] or 0) >= 0.05
    ]
    places = survey.site.frame.written_lonlat(np.concatenate(pieces))
    west, south = places.min(axis=0)
    east, north = places.max(axis=0)
    return [
        [round(float(south), 8), round(float(west), 8)],
        [round(float(north), 8), round(float(east), 8)],
    ]


def _meters_per_degree(frame: LotFrame) -> dict[str, float]:
    """Return ground meters per degree at the lot, for the measuring tool.

    From the frame itself by central differences over 40 m, so that a distance measured on the
    page is a ground distance (within 1e-5 over a lot), not one on a sphere.
    """
    corner = frame.written_lonlat(np.array([0.0, 0.0]))
    step = 20.0
    # 20 m each way along x and y of the lot
    ahead = frame.to_lonlat(np.array([[step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]]))
    # columns: degrees per meter along x and y of the lot; the inverse takes degrees to meters
    jacobian = np.stack([ahead[0] - ahead[1], ahead[2] - ahead[3]], axis=-1) / (2 * step)
    inverse = decimals(np.linalg.inv(jacobian), 3)
    return {
        "longitude": float(corner[0]),
        "latitude": float(corner[1]),
        "xx": float(inverse[0, 0]),
        "xy": float(inverse[0, 1]),
        "yx": float(inverse[1, 0]),
        "yy": float(inverse[1, 1]),
    }
