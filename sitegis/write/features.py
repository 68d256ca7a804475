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
from ..model.derived import EvidenceClass, Excavation, Feature, Layer, TieIn, Value
from ..model.dig_plan import TapeTie
from ..model.results import PlacedPoint
from ..model.site import KeepOut
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, on_lattice
from ..pits.cost import dug_holes, hole_of
from ..units import percent
from .found import stretches
from .numbers import by_unit

# what lateral.geojson is agreed to hold, and what the other formats show besides
AGREED_LAYERS: tuple[Layer, ...] = (
    "lot", "building", "main", "manhole", "locate", "drain", "exit", "route", "corridor", "pit",
    "tie", "keep-out", "branch", "wye",
)  # fmt: skip
LAYERS: tuple[Layer, ...] = (*AGREED_LAYERS, "spoil-setback", "planned-branch", "slab-opening",
                             "planned-vent", "other-reading", "stretch", "dug")  # fmt: skip
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
    probability = feature.properties.get("probability")
    if isinstance(probability, float):
        name += f", {percent(probability)}"
    return f"{name} (inferred)" if feature.evidence_class == "inferred" else name


def list_features(
    survey: Survey, dug: Iterable[Excavation], joined: Iterable[TieIn]
) -> tuple[Feature, ...]:
    """List all features of a survey whose blocks are filled, layer by layer.

    What was computed is always ``inferred``: the fitted drain too, though it runs through
    located points, and pits, ties and planned branches, which are proposals.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    dug
        What it takes to dig each pit.
    joined
        Planned tie-ins.

    Returns
    -------
    tuple[Feature, ...]
        The features, layer by layer.
    """
    listed = (
        *_record_features(survey),
        *_point_features(survey),
        *_drain_features(survey),
        *_branch_features(survey),
        *_route_features(survey),
        *_stretch_features(survey),
        *dug_features(survey),
        *_corridor_features(survey),
        *_pit_features(survey),
        *keep_out_features(survey.site.keep_outs),
        *_spoil_features(dug),
        *_tie_in_features(joined),
        *_reading_features(survey),
    )
    # rounded once for all formats: no two files may disagree in a last digit
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
    """Return a feature with its places on the lattice and its lengths rounded: once, for all."""
    return replace(
        feature,
        geometry=shapely.transform(feature.geometry, on_lattice),
        properties=by_unit(feature.properties),
    )


def _of(record: object, names: str, **first: Value) -> dict[str, Value]:
    """Return what is given first, then attributes of a record under their names, in this order."""
    return first | {name: getattr(record, name) for name in names.split()}


def polygon(ring: Array, holes: Iterable[Array] = ()) -> shapely.Polygon:
    """Make a polygon of an unclosed ring (n, 2) and its holes.

    Parameters
    ----------
    ring
        Corners (n, 2), m.
    holes
        Rings of the holes (k, 2), m.

    Returns
    -------
    shapely.Polygon
        The polygon.
    """
    return shapely.Polygon(ring, list(holes))


def _record_features(survey: Survey) -> Iterator[Feature]:
    """List lot, building, mains and manholes, as their sources have them."""
    site = survey.site
    yield Feature(
        "lot",
        "record",
        polygon(site.lot.vertices),
        _of(site.lot, "source area_m2 closure_ratio", id="lot"),
    )
    yield Feature(
        "building",
        "record",
        polygon(site.building.vertices),
        _of(site.building, "source position_sd_m", id="building"),
    )
    for main in site.mains:
        known = _of(main, "id street side kind diameter_m invert_known")
        known["invert_upstream_m"] = float(main.inverts_m[0])
        known["invert_downstream_m"] = float(main.inverts_m[-1])
        known["line_sd_m"] = main.line_sd_m
        yield Feature("main", "record", shapely.LineString(main.line), known)
    for main in site.mains:
        for manhole in main.manholes:
            known = _of(manhole, "station_m invert_m", id=manhole.id, main=main.id)
            yield Feature("manhole", "record", shapely.Point(manhole.x_m, manhole.y_m), known)


def point_class(point: PlacedPoint) -> EvidenceClass:
    """Say how a point's place is known.

    A stack, cleanout or floor drain is seen; a mark on a wall (a door jamb) tells about the wall,
    not about the pipe: it was measured; all else was found with the locator.
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
        known = _of(point, "id kind room depth_m depth_sd_m sd_major_m sd_minor_m")
        known |= _footage(point.footage_m)
        known |= {"distorted": point.distorted, "note": notes.get(point.id, "")}
        yield Feature("locate", point_class(point), shapely.Point(point.x_m, point.y_m), known)
    # evidence that is itself a place (a locator's mark, a hole): each kind says how it is drawn
    outside = [
        mark
        for item in survey.site.evidence
        if (draw := kind_of(item).mark) is not None and (mark := draw(item)).name not in names
    ]
    for number, mark in enumerate(outside, start=1):
        # with the same properties as a placed point
        name = mark.name or f"outdoor-{number}"
        known = _of(mark, "kind", id=name) | {"room": "lot", "depth_m": mark.depth_m}
        # one sd in all directions: these are not from the adjustment, which gives ellipses
        known |= {"depth_sd_m": None, "sd_major_m": mark.sd_m, "sd_minor_m": mark.sd_m}
        known |= {**_footage(None), "distorted": False, "note": ""}
        yield Feature("locate", mark.known, shapely.Point(mark.x_m, mark.y_m), known)


def _footage(footage_m: float | None) -> dict[str, Value]:
    """Return the footage under its name, and under the one it had, for one release."""
    return {"footage_m": footage_m, "cable_count_m": footage_m}


def _drain_features(survey: Survey) -> Iterator[Feature]:
    """Yield the fitted drain from its upstream start to the wall, and the exit."""
    drain, penetration = survey.drain, survey.exit
    ending = np.array([[penetration.x_m, penetration.y_m]])
    line = np.concatenate([drain.vertices, ending])
    # the drain may end at the wall already: no segment of length 0
    line = line[polyline.remove_repeated_points(line)]
    points = ", ".join(drain.point_ids)
    known = _of(penetration, "unseen_m", id="drain", through_located_points=True, points=points)
    known |= _of(drain, "slope slope_sd slope_sd_ratio")
    yield Feature("drain", "inferred", shapely.LineString(line), known)
    known = _of(
        penetration,
        "invert_m invert_sd_m depth_m depth_sd_m slope",
        id="exit",
        wall=penetration.side,
    )
    known["azimuth_deg"] = survey.site.frame.azimuth_deg(penetration.angle_rad)
    yield Feature("exit", "inferred", shapely.Point(penetration.x_m, penetration.y_m), known)


def _branch_features(survey: Survey) -> Iterator[Feature]:
    """Yield every branch's own pipe, then the wyes: none where the site has no runs."""
    branches = () if survey.joined is None else survey.joined.branches
    for one in branches:
        # a branch that was seen at one point has no line to draw
        if len(one.vertices) < 2:
            continue
        known = _of(one, "id joins probability system")
        known["points"] = ", ".join(one.point_ids)
        known |= _of(one, "slope slope_sd slope_sd_ratio length_m")
        known["label"] = "inferred, not located"
        yield Feature("branch", "inferred", shapely.LineString(one.vertices), known)
    for one in branches:
        wye = one.wye
        if wye is not None:
            known = _of(one, "joins probability", id=f"wye-{one.id}", run=one.id)
            known["invert_m"] = wye.invert_m
            known["invert_sd_m"] = float(np.sqrt(wye.covariance[2, 2]))
            known |= _of(wye, "radius_95_m turn_deg side p_45 p_90 footage_m")
            yield Feature("wye", "inferred", shapely.Point(wye.x_m, wye.y_m), known)


def _route_features(survey: Survey) -> Iterator[Feature]:
    """Yield the most probable route of each hypothesis that has one."""
    for scored in survey.scores.hypotheses:
        route = best_route(survey, scored)
        if route is None or len(route[0]) < 2:
            continue
        hypothesis = scored.hypothesis
        known = _of(hypothesis, "main way toward", id=hypothesis.id, hypothesis=hypothesis.id)
        known |= {"probability": scored.probability, "label": "inferred, not located"}
        yield Feature("route", "inferred", shapely.LineString(route[0]), known)


def _stretch_features(survey: Survey) -> Iterator[Feature]:
    """Part the most probable route by how it is known, where something outdoors was seen."""
    # hypotheses stand by probability, the likeliest first
    scored = survey.scores.hypotheses[0]
    route = best_route(survey, scored)
    known = stretches(survey)
    if route is None or not known:
        return
    line = shapely.LineString(route[0])
    for number, one in enumerate(known, start=1):
        # too short to be seen or measured: a rounding remainder
        if one.to_m - one.from_m < MATTERS_M:
            continue
        part = shapely.ops.substring(line, one.from_m, one.to_m)
        hypothesis = scored.hypothesis.id
        shown = _of(one, "from_m to_m", id=f"stretch-{number}", hypothesis=hypothesis)
        shown["length_m"] = one.to_m - one.from_m
        yield Feature("stretch", one.evidence_class, part, shown)


def dug_features(survey: Survey) -> Iterator[Feature]:
    """List the holes that were dug outdoors, whether they showed the pipe or not."""
    for item in dug_holes(survey.site):
        yield Feature(
            "dug", "measured", hole_of(item),
            {"id": item.id, "kind": item.work, "found": item.met, "date": item.date,
             "dug_to_m": item.dug_to_m, "length_m": item.length_m, "width_m": item.width_m},
        )  # fmt: skip


def _corridor_features(survey: Survey) -> Iterator[Feature]:
    """Yield the corridors of each hypothesis, the widest first so that narrower ones lie on top."""
    for corridor in sorted(survey.dig.corridors, key=lambda c: (c.hypothesis, -c.level)):
        parts = [
            polygon(ring, holes) for ring, holes in zip(corridor.rings, corridor.holes, strict=True)
        ]
        if not parts:
            continue
        geometry = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
        known = _of(
            corridor,
            "hypothesis level routes_held taps_held",
            id=f"{corridor.hypothesis} {corridor.level:.0%}",
        )
        yield Feature("corridor", "inferred", geometry, known)


def _pit_features(survey: Survey) -> Iterator[Feature]:
    """List the proposed pits, then the ties to them and to the exit."""
    for pit in survey.dig.pits:
        known = _of(
            pit, "rank p_hit p_hit_so_far depth_m depth_05_m depth_95_m", id=f"pit-{pit.rank}"
        )
        known |= _of(pit, "volume_m3 surface needs_protection")
        known["lengthens"] = None if pit.whole is None else f"pit-{pit.whole.ranks[0]}"
        yield Feature("pit", "inferred", polygon(pit.ring), known)
    penetration = survey.exit
    # pits in the order of digging, the exit last
    targets = [(f"pit-{pit.rank}", (pit.x_m, pit.y_m), pit.ties) for pit in survey.dig.pits]
    targets.append(("exit", (penetration.x_m, penetration.y_m), survey.dig.exit_ties))
    for name, target, ties in targets:
        for tie in ties:
            yield _tie_feature(name, target, tie)


def _tie_feature(name: str, target: tuple[float, float], tie: TapeTie) -> Feature:
    line = shapely.LineString([(tie.from_x_m, tie.from_y_m), target])
    ends: dict[str, Value] = {"id": f"{name} from {tie.from_name}", "from": tie.from_name}
    ends |= {"to": name, "distance_m": tie.distance_m}
    return Feature("tie", "inferred", line, ends)


def keep_out_geometry(keep_out: KeepOut) -> shapely.Geometry:
    """Return a no-dig area as polygon, line or point, without its clearance."""
    if keep_out.is_area:
        return polygon(keep_out.points)
    if len(keep_out.points) == 1:
        return shapely.Point(keep_out.points[0])
    return shapely.LineString(keep_out.points)


def clearance_area(feature: Feature) -> shapely.Polygon:
    """Return what is to be kept clear about a ``keep-out`` feature, empty without a clearance."""
    clearance = feature.properties["clearance_m"]
    assert isinstance(clearance, float)
    # arcs of a buffer differ in their last digits between platforms: 0.1 mm hides that
    return shapely.set_precision(shapely.buffer(feature.geometry, clearance, quad_segs=6), 1e-4)


def keep_out_features(keep_outs: Iterable[KeepOut]) -> Iterator[Feature]:
    """List the no-dig areas as points, lines or polygons of the record, without clearance."""
    for keep_out in keep_outs:
        known = _of(keep_out, "id kind clearance_m note")
        yield Feature("keep-out", "record", keep_out_geometry(keep_out), known)


def _spoil_features(holes: Iterable[Excavation]) -> Iterator[Feature]:
    """Yield the line round each pit behind which spoil, tools and machines stay."""
    for hole in holes:
        known = _of(hole, "rank soil", id=f"spoil-{hole.rank}")
        known["spoil_loose_m3"] = hole.spoil_m3
        known |= _of(hole, "backfill_m3 sloped_m3 sloped_fits")
        yield Feature("spoil-setback", "inferred", polygon(hole.spoil_ring), known)


def _tie_in_features(planned: Iterable[TieIn]) -> Iterator[Feature]:
    """Yield the planned branches from fixtures to the drain, then what is cut from the slab."""
    # gone through three times, layer by layer: an iterator would be used up
    branches = tuple(planned)
    for one in branches:
        known = _of(one, "fixture name entry diameter_m length_m slope", id=f"branch-{one.fixture}")
        known |= _of(one, "needed_fall_m available_fall_m available_fall_sd_m p_gravity")
        yield Feature("planned-branch", "inferred", shapely.LineString(one.path), known)
    for one in branches:
        if one.vent is not None:
            known = _of(one, "fixture", id=f"vent-{one.fixture}")
            known["straight_m"] = float(np.hypot(*(one.vent[1] - one.vent[0])))
            yield Feature("planned-vent", "inferred", shapely.LineString(one.vent), known)
    for one in branches:
        known = _of(one, "fixture concrete_m2 concrete_m3 soil_m3", id=f"opening-{one.fixture}")
        yield Feature("slab-opening", "inferred", polygon(one.opening), known)


def _reading_features(survey: Survey) -> Iterator[Feature]:
    """Yield where the drain would leave under each likely other reading of the input."""
    for one in () if survey.doubted is None else survey.doubted.readings:
        if one.likely:
            start = np.array([one.x_m, one.y_m])
            end = start + READING_SHOWN_M * lot_direction(one.angle_rad)
            known = _of(
                one,
                "main depth_m moved_m deeper_m",
                id=one.id,
                words=one.words,
                probability=one.posterior,
            )
            yield Feature("other-reading", "inferred", shapely.LineString([start, end]), known)
