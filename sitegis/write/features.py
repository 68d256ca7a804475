"""What the outputs show, as features in lot coordinates: one list for every file format."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import shapely
import shapely.ops

from ..dig.depths import best_route
from ..finds.kinds import kind_of
from ..geometry import polyline
from ..geometry.frames import Array, lot_direction
from ..model.derived import EvidenceClass, Excavation, Feature, Layer, TieIn
from ..model.dig_plan import TapeTie
from ..model.results import PlacedPoint
from ..model.site import KeepOut
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, on_lattice
from ..units import percent
from .found import stretches
from .numbers import by_unit

# what lateral.geojson is agreed to hold, and what the other formats show besides
AGREED_LAYERS: tuple[Layer, ...] = (
    "lot", "building", "main", "manhole", "locate", "drain", "exit", "route", "corridor", "pit",
    "tie", "keep-out", "branch", "wye",
)  # fmt: skip
LAYERS: tuple[Layer, ...] = (*AGREED_LAYERS, "spoil-setback", "planned-branch", "slab-opening",
                             "planned-vent", "other-reading", "stretch")  # fmt: skip
READING_SHOWN_M = 3.0
"""How much of a drain is drawn from the wall under another reading of the input."""
NOT_LOCATED = (
    "Inferred, not located. Call the one-call center and wait for the marks before digging."
)


def shown_name(feature: Feature) -> str:
    """Name a feature on a drawing or a phone: its probability, and that it is inferred if so.

    >>> chance = {"id": "alley-main:direct", "probability": 0.97}
    >>> shown_name(Feature("route", "inferred", shapely.Point(), chance))
    'alley-main:direct, 97 % (inferred)'
    """
    name = "wall penetration" if feature.layer == "exit" else str(feature.properties["id"])
    chance = feature.properties.get("probability")
    if isinstance(chance, float):
        name += f", {percent(chance)}"
    return f"{name} (inferred)" if feature.evidence_class == "inferred" else name


def list_features(
    survey: Survey, dug: Iterable[Excavation], joined: Iterable[TieIn]
) -> tuple[Feature, ...]:
    """List all features of a survey whose blocks are filled, layer by layer.

    What was computed is always ``inferred``: the fitted drain too, though it runs through
    located points, and pits, ties and planned branches, which are proposals.
    """
    listed = (
        *_record_features(survey),
        *_point_features(survey),
        *_drain_features(survey),
        *_branch_features(survey),
        *_route_features(survey),
        *_stretch_features(survey),
        *_corridor_features(survey),
        *_pit_features(survey),
        *keep_out_features(survey.site.keep_outs),
        *_spoil_features(dug),
        *_tie_in_features(joined),
        *_reading_features(survey),
    )
    return tuple(map(_as_written, listed))


def found_features(survey: Survey) -> tuple[Feature, ...]:
    """List what is known once the stages up to ``exit`` have run."""
    listed = (
        *_record_features(survey),
        *_point_features(survey),
        *_drain_features(survey),
        *_branch_features(survey),
        *keep_out_features(survey.site.keep_outs),
    )
    return tuple(map(_as_written, listed))


def _as_written(feature: Feature) -> Feature:
    """Give a feature with its places on the lattice and its lengths rounded: once, for all."""
    return replace(
        feature,
        geometry=shapely.transform(feature.geometry, on_lattice),
        properties=by_unit(feature.properties),
    )


def polygon(ring: Array, holes: Iterable[Array] = ()) -> shapely.Polygon:
    """Make a polygon of an unclosed ring (n, 2) and its holes."""
    return shapely.Polygon(ring, list(holes))


def _record_features(survey: Survey) -> Iterator[Feature]:
    """List lot, building, mains and manholes, as their sources have them."""
    site = survey.site
    yield Feature(
        "lot", "record", polygon(site.lot.vertices),
        {"id": "lot", "source": site.lot.source, "area_m2": site.lot.area_m2,
         "closure_ratio": site.lot.closure_ratio},
    )  # fmt: skip
    yield Feature(
        "building", "record", polygon(site.building.vertices),
        {"id": "building", "source": site.building.source,
         "position_sd_m": site.building.position_sd_m},
    )  # fmt: skip
    for main in site.mains:
        yield Feature(
            "main", "record", shapely.LineString(main.line),
            {"id": main.id, "street": main.street, "side": main.side, "kind": main.kind,
             "diameter_m": main.diameter_m, "invert_known": main.invert_known,
             "invert_upstream_m": float(main.inverts_m[0]),
             "invert_downstream_m": float(main.inverts_m[-1]), "line_sd_m": main.line_sd_m},
        )  # fmt: skip
    for main in site.mains:
        for manhole in main.manholes:
            yield Feature(
                "manhole", "record", shapely.Point(manhole.x_m, manhole.y_m),
                {"id": manhole.id, "main": main.id, "station_m": manhole.station_m,
                 "invert_m": manhole.invert_m},
            )  # fmt: skip


def point_class(point: PlacedPoint) -> EvidenceClass:
    """Say how a point's place is known.

    A stack, cleanout or floor drain is seen; a mark on a wall (a door jamb) tells about the wall,
    not about the pipe: it was measured; all else was found with the receiver.
    """
    if point.kind in ("stack", "cleanout", "floor-drain"):
        return "exposed"
    return "measured" if point.kind == "wall" else "located"


def _point_features(survey: Survey) -> Iterator[Feature]:
    """List what was found: the placed points, and outdoor finds that are not among them."""
    notes = {locate.id: locate.note for locate in survey.site.locates}
    names = set()
    for point in survey.placement.points:
        names.add(point.id)
        yield Feature(
            "locate", point_class(point), shapely.Point(point.x_m, point.y_m),
            {"id": point.id, "kind": point.kind, "room": point.room, "depth_m": point.depth_m,
             "depth_sd_m": point.depth_sd_m, "sd_major_m": point.sd_major_m,
             "sd_minor_m": point.sd_minor_m, **_footage(point.footage_m),
             "distorted": point.distorted, "note": notes.get(point.id, "")},
        )  # fmt: skip
    outside = [
        mark
        for item in survey.site.evidence
        if (draw := kind_of(item).mark) is not None and (mark := draw(item)).name not in names
    ]
    for number, mark in enumerate(outside, start=1):
        # with the same properties as a placed point
        yield Feature(
            "locate", mark.known, shapely.Point(mark.x_m, mark.y_m),
            {"id": mark.name or f"outdoor-{number}", "kind": mark.kind, "room": "lot",
             "depth_m": mark.depth_m, "depth_sd_m": None, "sd_major_m": mark.sd_m,
             "sd_minor_m": mark.sd_m, **_footage(None), "distorted": False, "note": ""},
        )  # fmt: skip


def _footage(footage_m: float | None) -> dict[str, float | None]:
    """Return the footage under its name, and under the one it had, for one release."""
    return {"footage_m": footage_m, "cable_count_m": footage_m}


def _drain_features(survey: Survey) -> Iterator[Feature]:
    """Give the fitted drain from its upstream start to the wall, and the exit."""
    drain, penetration = survey.drain, survey.exit
    ending = np.array([[penetration.x_m, penetration.y_m]])
    line = np.concatenate([drain.vertices, ending])
    line = line[polyline.remove_repeated_points(line)]
    yield Feature(
        "drain", "inferred", shapely.LineString(line),
        {"id": "drain", "through_located_points": True, "points": ", ".join(drain.point_ids),
         "unseen_m": penetration.unseen_m, "slope": drain.slope, "slope_sd": drain.slope_sd,
         "slope_sd_ratio": drain.slope_sd_ratio},
    )  # fmt: skip
    yield Feature(
        "exit", "inferred", shapely.Point(penetration.x_m, penetration.y_m),
        {"id": "exit", "wall": penetration.side, "invert_m": penetration.invert_m,
         "invert_sd_m": penetration.invert_sd_m, "depth_m": penetration.depth_m,
         "depth_sd_m": penetration.depth_sd_m, "slope": penetration.slope,
         "azimuth_deg": survey.site.frame.azimuth_deg(penetration.angle_rad)},
    )  # fmt: skip


def _branch_features(survey: Survey) -> Iterator[Feature]:
    """Give every branch's own pipe, then the wyes: none where the site has no runs."""
    branches = () if survey.joined is None else survey.joined.branches
    for one in branches:
        if len(one.vertices) < 2:
            continue
        yield Feature(
            "branch", "inferred", shapely.LineString(one.vertices),
            {"id": one.id, "joins": one.joins, "probability": one.probability,
             "system": one.system, "points": ", ".join(one.point_ids), "slope": one.slope,
             "slope_sd": one.slope_sd, "slope_sd_ratio": one.slope_sd_ratio,
             "length_m": one.length_m, "label": "inferred, not located"},
        )  # fmt: skip
    for one in branches:
        wye = one.wye
        if wye is not None:
            yield Feature(
                "wye", "inferred", shapely.Point(wye.x_m, wye.y_m),
                {"id": f"wye-{one.id}", "run": one.id, "joins": one.joins,
                 "probability": one.probability, "invert_m": wye.invert_m,
                 "invert_sd_m": float(np.sqrt(wye.covariance[2, 2])),
                 "radius_95_m": wye.radius_95_m, "turn_deg": wye.turn_deg, "side": wye.side,
                 "p_45": wye.p_45, "p_90": wye.p_90, "footage_m": wye.footage_m},
            )  # fmt: skip


def _route_features(survey: Survey) -> Iterator[Feature]:
    """Give the most probable route of each hypothesis that has one."""
    for scored in survey.scores.hypotheses:
        route = best_route(survey, scored)
        if route is None or len(route[0]) < 2:
            continue
        hypothesis = scored.hypothesis
        yield Feature(
            "route", "inferred", shapely.LineString(route[0]),
            {"id": hypothesis.id, "hypothesis": hypothesis.id, "main": hypothesis.main,
             "way": hypothesis.way, "toward": hypothesis.toward,
             "probability": scored.probability, "label": "inferred, not located"},
        )  # fmt: skip


def _stretch_features(survey: Survey) -> Iterator[Feature]:
    """Part the most probable route by how it is known, where something outdoors was seen."""
    scored = survey.scores.hypotheses[0]
    route = best_route(survey, scored)
    known = stretches(survey)
    if route is None or not known:
        return
    line = shapely.LineString(route[0])
    for number, one in enumerate(known, start=1):
        if one.to_m - one.from_m < MATTERS_M:
            continue
        yield Feature(
            "stretch", one.evidence_class, shapely.ops.substring(line, one.from_m, one.to_m),
            {"id": f"stretch-{number}", "hypothesis": scored.hypothesis.id, "from_m": one.from_m,
             "to_m": one.to_m, "length_m": one.to_m - one.from_m},
        )  # fmt: skip


def _corridor_features(survey: Survey) -> Iterator[Feature]:
    """Give the corridors of each hypothesis, the widest first so that narrower ones lie on top."""
    for corridor in sorted(survey.dig.corridors, key=lambda c: (c.hypothesis, -c.level)):
        parts = [
            polygon(ring, holes) for ring, holes in zip(corridor.rings, corridor.holes, strict=True)
        ]
        if not parts:
            continue
        geometry = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
        yield Feature(
            "corridor", "inferred", geometry,
            {"id": f"{corridor.hypothesis} {corridor.level:.0%}",
             "hypothesis": corridor.hypothesis, "level": corridor.level,
             "routes_held": corridor.routes_held, "taps_held": corridor.taps_held},
        )  # fmt: skip


def _pit_features(survey: Survey) -> Iterator[Feature]:
    """List the proposed pits, then the ties to them and to the exit."""
    for pit in survey.dig.pits:
        yield Feature(
            "pit", "inferred", polygon(pit.ring),
            {"id": f"pit-{pit.rank}", "rank": pit.rank, "p_hit": pit.p_hit,
             "p_hit_so_far": pit.p_hit_so_far, "depth_m": pit.depth_m,
             "depth_05_m": pit.depth_05_m, "depth_95_m": pit.depth_95_m,
             "volume_m3": pit.volume_m3, "surface": pit.surface,
             "needs_protection": pit.needs_protection},
        )  # fmt: skip
    penetration = survey.exit
    targets = [(f"pit-{pit.rank}", (pit.x_m, pit.y_m), pit.ties) for pit in survey.dig.pits]
    targets.append(("exit", (penetration.x_m, penetration.y_m), survey.dig.exit_ties))
    for name, target, ties in targets:
        for tie in ties:
            yield _tie_feature(name, target, tie)


def _tie_feature(name: str, target: tuple[float, float], tie: TapeTie) -> Feature:
    return Feature(
        "tie", "inferred", shapely.LineString([(tie.from_x_m, tie.from_y_m), target]),
        {"id": f"{name} from {tie.from_name}", "from": tie.from_name, "to": name,
         "distance_m": tie.distance_m},
    )  # fmt: skip


def keep_out_geometry(keep_out: KeepOut) -> shapely.Geometry:
    """Give a keep-out as polygon, line or point, without its clearance."""
    if keep_out.is_area:
        return polygon(keep_out.points)
    if len(keep_out.points) == 1:
        return shapely.Point(keep_out.points[0])
    return shapely.LineString(keep_out.points)


def clearance_area(feature: Feature) -> shapely.Polygon:
    """Return what is to be kept clear about a ``keep-out`` feature, empty without a clearance."""
    clearance = feature.properties["clearance_m"]
    assert isinstance(clearance, float)
    return shapely.set_precision(shapely.buffer(feature.geometry, clearance, quad_segs=6), 1e-4)


def keep_out_features(keep_outs: Iterable[KeepOut]) -> Iterator[Feature]:
    """List the no-dig areas as points, lines or polygons of the record, without clearance."""
    for keep_out in keep_outs:
        yield Feature(
            "keep-out", "record", keep_out_geometry(keep_out),
            {"id": keep_out.id, "kind": keep_out.kind, "clearance_m": keep_out.clearance_m,
             "note": keep_out.note},
        )  # fmt: skip


def _spoil_features(holes: Iterable[Excavation]) -> Iterator[Feature]:
    """Give the line round each pit behind which spoil, tools and machines stay."""
    for hole in holes:
        yield Feature(
            "spoil-setback", "inferred", polygon(hole.spoil_ring),
            {"id": f"spoil-{hole.rank}", "rank": hole.rank, "soil": hole.soil,
             "spoil_loose_m3": hole.spoil_m3, "backfill_m3": hole.backfill_m3,
             "sloped_m3": hole.sloped_m3, "sloped_fits": hole.sloped_fits},
        )  # fmt: skip


def _tie_in_features(planned: Iterable[TieIn]) -> Iterator[Feature]:
    """Give the planned branches from fixtures to the drain, then what is cut from the slab."""
    branches = tuple(planned)
    for one in branches:
        yield Feature(
            "planned-branch", "inferred", shapely.LineString(one.path),
            {"id": f"branch-{one.fixture}", "fixture": one.fixture, "name": one.name,
             "entry": one.entry, "diameter_m": one.diameter_m, "length_m": one.length_m,
             "slope": one.slope, "needed_fall_m": one.needed_fall_m,
             "available_fall_m": one.available_fall_m,
             "available_fall_sd_m": one.available_fall_sd_m, "p_gravity": one.p_gravity},
        )  # fmt: skip
    for one in branches:
        if one.vent is not None:
            yield Feature(
                "planned-vent", "inferred", shapely.LineString(one.vent),
                {"id": f"vent-{one.fixture}", "fixture": one.fixture,
                 "straight_m": float(np.hypot(*(one.vent[1] - one.vent[0])))},
            )  # fmt: skip
    for one in branches:
        yield Feature(
            "slab-opening", "inferred", polygon(one.opening),
            {"id": f"opening-{one.fixture}", "fixture": one.fixture,
             "concrete_m2": one.concrete_m2, "concrete_m3": one.concrete_m3,
             "soil_m3": one.soil_m3},
        )  # fmt: skip


def _reading_features(survey: Survey) -> Iterator[Feature]:
    """Give where the drain would leave under each likely other reading of the input."""
    for one in () if survey.doubted is None else survey.doubted.readings:
        if one.likely:
            start = np.array([one.x_m, one.y_m])
            end = start + READING_SHOWN_M * lot_direction(one.angle_rad)
            yield Feature(
                "other-reading", "inferred", shapely.LineString([start, end]),
                {"id": one.id, "words": one.words, "probability": one.posterior,
                 "main": one.main, "depth_m": one.depth_m, "moved_m": one.moved_m,
                 "deeper_m": one.deeper_m},
            )  # fmt: skip
