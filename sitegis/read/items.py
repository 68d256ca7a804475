"""Evidence, planned fixtures, no-dig areas, easements and the settings."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import shapely

from ..evidence import KINDS, CleanoutOutside, OutdoorLocate
from ..geometry.frames import Array, LotFrame
from ..model.fields import key_of
from ..model.site import DigSettings, Easement, Evidence, KeepOut, Locate, Main, PlannedFixture
from ..rules.rule_set import RuleSet
from .context import Reading, ring_of
from .faults import guess
from .layers.features import Want
from .rings import clean_ring, is_simple
from .schema import EasementTable, KeepOutTable

# Judgment, no source: the time grows with all points of all no-dig areas together.
MOST_NO_DIG_VERTICES = 5000


def make_evidence(
    reading: Reading, mains: tuple[Main, ...], locates: tuple[Locate, ...]
) -> tuple[Evidence, ...]:
    """Make the evidence as written, then what outdoor rows of ``locates.csv`` are evidence of.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    mains
        The mains.
    locates
        Rows of ``locates.csv``.

    Returns
    -------
    tuple[Evidence, ...]
        Items without faults.
    """
    made: list[Evidence] = []
    for number, item in enumerate(reading.file.evidence, start=1):
        key = f"evidence[{number}]"
        if _names_known(reading, item, key, mains) and _is_usable(reading, item, key, mains):
            made.append(item)
    for locate in locates:
        if locate.room == "lot" and locate.kind in ("locate", "bend", "branch"):
            # with several runs a footage counts from its own access, not from the exit's
            count = None if locate.run else locate.footage_m
            made.append(
                OutdoorLocate(
                    locate.x_m, locate.y_m, locate.depth_m, footage_m=count, point=locate.id
                )
            )
        elif locate.room == "lot" and locate.kind == "cleanout":
            made.append(CleanoutOutside(locate.x_m, locate.y_m))
    return tuple(made)


def _names_known(reading: Reading, item: Evidence, key: str, mains: tuple[Main, ...]) -> bool:
    """Fault an item that names a main or a manhole which is not there."""
    broken, report = reading.report.broken_names, reading.report
    main_id, manhole_id = getattr(item, "main", None), getattr(item, "manhole", None)
    by_id = {main.id: main for main in mains}
    if main_id is not None and main_id not in by_id:
        if main_id not in broken:
            report.fault("main-unknown", f"{key}.main", main_id, known=guess(main_id, by_id))
        return False
    if manhole_id is None:
        return True
    among = [by_id[main_id]] if main_id is not None else list(mains)
    known = [manhole.id for main in among for manhole in main.manholes]
    if manhole_id in known:
        return True
    if manhole_id not in broken and "*manholes" not in broken:
        where = f"main {main_id}" if main_id is not None else "any main"
        report.fault(
            "manhole-unknown:any",
            f"{key}.manhole",
            manhole_id,
            where=where,
            known=guess(manhole_id, known),
        )
    return False


def _is_usable(reading: Reading, item: Evidence, key: str, mains: tuple[Main, ...]) -> bool:
    """Hold an item against the mains as its kind does; False with a fault gathered."""
    found = list(KINDS[item.kind].check(item, mains))
    for one in found:
        where = f"{key}.{one.key}"
        if one.kind == "fault":
            reading.report.fault(one.name, where, one.value, **one.values)
        else:
            reading.report.note(one.name, where, **one.values)
    return all(one.kind == "notice" for one in found)


def make_fixtures(reading: Reading, room_ids: set[str]) -> tuple[PlannedFixture, ...]:
    """Make the planned fixtures; one in an unknown room is a fault.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    room_ids
        Ids of the rooms.

    Returns
    -------
    tuple[PlannedFixture, ...]
        Fixtures without faults.
    """
    made = []
    for number, one in enumerate(reading.file.fixture, start=1):
        if one.room in room_ids:
            made.append(replace(one, name=one.name or one.id))
        elif one.room not in reading.report.broken_names:
            known = guess(one.room, sorted(room_ids))
            reading.report.fault("room-unknown", f"fixture[{number}].room", one.room, known=known)
    _twice(reading, "fixture", [one.id for one in reading.file.fixture])
    return tuple(made)


def _twice(reading: Reading, table: str, ids: list[str]) -> None:
    """Fault ids that are used twice in a list of tables."""
    for number, name in enumerate(ids, start=1):
        if name in ids[: number - 1]:
            reading.report.fault("id-twice", f"{table}[{number}].id", name)


def make_keep_outs(reading: Reading, frame: LotFrame) -> tuple[KeepOut, ...]:
    """Make the no-dig areas; a closed list of points is an area.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    frame
        The lot on the grid.

    Returns
    -------
    tuple[KeepOut, ...]
        no-dig areas without faults.
    """
    made = []
    for number, table in enumerate(reading.file.keep_out, start=1):
        keep_out = _keep_out(reading, table, f"keep_out[{number}]", frame)
        if keep_out is not None:
            made.append(keep_out)
    vertices = sum(len(keep_out.points) for keep_out in made)
    if vertices > MOST_NO_DIG_VERTICES:
        reading.report.fault(
            "too-many-vertices", "keep_out", None, many=vertices, most=MOST_NO_DIG_VERTICES
        )
    _twice(reading, "keep_out", [table.id for table in reading.file.keep_out])
    return tuple(made)


def _points(
    reading: Reading,
    table: KeepOutTable | EasementTable,
    key: str,
    frame: LotFrame,
    *,
    wanted: Want,
) -> tuple[Array, bool] | None:
    """Return a shape's points (n, 2), and whether it is an area of a layer; None with a fault."""
    if (table.points is None) == (table.layer is None):
        source = "keep-out-source" if isinstance(table, KeepOutTable) else "easement-source"
        reading.report.fault(source, key, None)
        return None
    if table.points is not None:
        return np.array(table.points, float), False
    identifier = table.feature or table.id
    shape = reading.lot_shape(frame, table, key, wanted=wanted, identifier=identifier)
    shape = None if shape is None else reading.simplified(shape, key)
    if shape is None:
        return None
    is_area = shapely.get_dimensions(shape) == 2
    return (ring_of(shape) if is_area else shapely.get_coordinates(shape)), bool(is_area)


def _keep_out(reading: Reading, table: KeepOutTable, key: str, frame: LotFrame) -> KeepOut | None:
    """Make one no-dig area from points or a layer.

    Its clearance is 0 unless given: stage ``dig`` adds the tolerance zone.
    """
    found = _points(reading, table, key, frame, wanted="any")
    if found is None:
        return None
    points, is_area = found
    # closed as in GIS: the last point is the first again
    if table.points is not None and len(points) > 3 and np.allclose(points[0], points[-1]):
        points, is_area = points[:-1], True
    if is_area and not is_simple(points):
        reading.report.fault("area-not-simple:crossing", key, None)
        return None
    return KeepOut(table.id, table.kind, points, table.clearance or 0.0, table.note, is_area)


def make_easements(reading: Reading, frame: LotFrame) -> tuple[Easement, ...]:
    """Make the easements.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    frame
        The lot on the grid.

    Returns
    -------
    tuple[Easement, ...]
        Easements without faults.
    """
    made = []
    for number, table in enumerate(reading.file.easement, start=1):
        easement = _easement(reading, table, f"easement[{number}]", frame)
        if easement is not None:
            made.append(easement)
    _twice(reading, "easement", [table.id for table in reading.file.easement])
    return tuple(made)


def _easement(reading: Reading, table: EasementTable, key: str, frame: LotFrame) -> Easement | None:
    """Make one easement from points or a layer."""
    found = _points(reading, table, key, frame, wanted="area")
    if found is None:
        return None
    ring = clean_ring(found[0], tolerance_m=1e-6)
    if not is_simple(ring):
        reading.report.fault("area-not-simple", key, None)
        return None
    return Easement(table.id, ring)


# ----------------------------------------------------------------------------------- settings


def make_dig(reading: Reading, rules: RuleSet, mains: tuple[Main, ...]) -> DigSettings:
    """Override the default dig settings by ``[dig]`` and ``[cost]``; zone by the rules.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    rules
        Rule set of the site.
    mains
        The mains.

    Returns
    -------
    DigSettings
        The settings.
    """
    file, by_id = reading.file, {main.id: main for main in mains}
    guessed, report = file.dig.owner_guess, reading.report
    if guessed is not None and guessed not in by_id and guessed not in report.broken_names:
        report.fault("main-unknown", "dig.owner_guess", guessed, known=guess(guessed, by_id))
    base = replace(DigSettings(), tolerance_m=rules.tolerance_zone_m)
    # keys of the file to fields of the record, which carry their units
    names = {key_of(field.name): field.name for field in fields(DigSettings)} | {
        "soil": "soil_type"
    }
    if file.cost.dug_by == "machine":
        base = replace(base, hand_lift_m=None)
    # what is not written keeps its default
    given = {**file.dig.model_dump(), **file.cost.model_dump(exclude={"surface", "dug_by"})}
    changes = {names[name]: value for name, value in given.items() if value is not None}
    surface = {**base.surface_per_m2, **file.cost.surface}
    return replace(base, **changes, surface_per_m2=surface)
