"""``findings.csv``: what was dug, opened or located outdoors, as evidence and as no-dig areas."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TypeVar

import numpy as np
import shapely

from ..finds.records import METS, WORKS, Finding, Found, Missed
from ..geometry.frames import Array, LotFrame, lot_direction
from ..late_dataclass import dataclass
from ..messages.catalog import fault_of
from ..model.fields import CORNERS, as_azimuth
from ..model.revisions import KeptPit
from ..model.site import Building, KeepOut, Lot, Tie, corner_index
from ..units import LengthUnit, about
from .csv_tables import DEEPEST_M, Cells, Row, too_many_rows
from .faults import Report, guess
from .file_names import FINDINGS_FILE, TIES_FILE
from .photos import Photo, hold_against_photo, named_photo

# Judgment, no source: how well a place is known by lot coordinates, by a position from satellites
# where no sd is given, and by the middle of the hole alone, as a share of its length.
LOT_SD_M, SATELLITE_SD_M, MIDDLE_SHARE = 0.05, 0.5, 12.0**-0.5
# a telephone's place or the lot's own may be off by less without a blunder; judgment, no source
MOST_APART_M = 15.0
FURTHEST_M = 200.0
ALONG_M = 2.0  # of another pipe either way of where it was met, if its direction was seen: judgment
BY_PHOTO = "the place of photo"
# Sds by which ties may disagree before it is called a blunder, and how near in chi-square and how
# far apart two fixes must be to be told as a mirror pair; judgment. Steps of Gauss-Newton.
MISFIT, MIRROR_CHI_SQUARE, MIRROR_M, WORST_SD_M, STEPS = 4.0, 4.0, 0.5, 5.0, 40


W = TypeVar("W", bound=str)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What findings are placed by: the lot, the house, and the pits of kept answers."""

    folder: Path
    frame: LotFrame
    lot: Lot
    building: Building
    pits: Mapping[str, KeptPit]
    ties: tuple[Tie, ...]


def split_ties(
    ties: tuple[Tie, ...], rows: Sequence[Row], points: Sequence[str]
) -> tuple[tuple[Tie, ...], tuple[Tie, ...]]:
    """Part the ties into those among points, and those that place a finding.

    Parameters
    ----------
    ties
        Rows of ``ties.csv``.
    rows
        Rows of ``findings.csv``.
    points
        Names of the points.

    Returns
    -------
    among_points
        Ties between points.
    of_findings
        Ties to a finding.
    """
    # names of points go before names of findings
    ids = {row.cells.get("id", "") for row in rows} - {"", *points}
    finds = tuple(tie for tie in ties if {tie.from_name, tie.to_name} & ids)
    return tuple(tie for tie in ties if tie not in finds), finds


def read_findings(
    rows: Sequence[Row],
    around: Surroundings,
    report: Report,
    units: LengthUnit,
    depth_units: LengthUnit,
    taken: Sequence[str],
) -> tuple[tuple[Finding, ...], tuple[KeepOut, ...]]:
    """Make the findings of the rows, and the no-dig areas about other pipes that were met.

    ``taken`` are names that no finding may have. A row with a fault is left out.

    Parameters
    ----------
    rows
        Rows of ``findings.csv``.
    around
        What findings are placed by.
    report
        Where faults and notices are gathered.
    units
        Unit of a bare number.
    depth_units
        Unit of a bare depth.
    taken
        Names that no finding may have.

    Returns
    -------
    findings
        Without faults.
    keep_outs
        Other pipes that were met.
    """
    if too_many_rows(rows, FINDINGS_FILE, report):
        return (), ()
    findings: list[Finding] = []
    first: dict[str, int] = {}
    for row in rows:
        cells = Cells(FINDINGS_FILE, row, report, units, depth_units)
        name = row.cells.get("id", "")
        if name in taken:
            cells.fault("finding-name-taken", "id", name=name)
        elif name and name in first:
            cells.fault("id-twice:finding", "id", first=first[name])
        first.setdefault(name, row.number)
        made = _finding(cells, around)
        if made is not None:
            findings.append(made)
    # other pipes met: never this drain, but nobody may dig there unaware
    others = tuple(
        KeepOut(
            one.id,
            one.met,
            _seen_of(one),
            0.0,
            f"found in {one.id}" + (f" on {one.date}" if one.date else ""),
        )
        for one in findings
        if one.met not in ("yes", "no")
    )
    return tuple(findings), others


def _seen_of(other: Finding) -> Array:
    """Return where another pipe was met: a point, or the line that its direction makes of it."""
    here = np.array([other.x_m, other.y_m])
    if other.direction_rad is None:
        return here[None]
    return here + np.array([[-ALONG_M], [ALONG_M]]) * lot_direction(other.direction_rad)


def _finding(cells: Cells, around: Surroundings) -> Finding | None:
    """Read one row; None with the faults gathered where it cannot be used."""
    before = len(cells.report.faults)
    name = cells.required("id")
    if ":" in name or not name.isprintable() or len(name) > 80:
        cells.fault("name-unfit", "id")
    work = _word(cells, "kind", WORKS, "kind-unknown")
    met = _word(cells, "found", METS, "found-unknown")
    pit = _pit(cells, around.pits)
    size = [_positive(cells, column) for column in ("length", "width")]
    dug_to = _depth(cells, "dug_to")
    depths = _depth(cells, "depth_to_invert"), _depth(cells, "depth_to_top")
    # depths grow downward: the pipe's top is the lesser one
    if None not in depths and depths[1] >= depths[0]:  # type: ignore[operator]  # both are there
        cells.fault("top-below-invert", "depth_to_top")
    if met == "no" and any(depths):
        cells.fault("depth-of-nothing", "depth_to_invert" if depths[0] else "depth_to_top")
    # dug as planned, where nothing else is said
    if pit is not None:
        size = [one or whole for one, whole in zip(size, (pit.length_m, pit.width_m), strict=True)]
        dug_to = pit.depth_m if dug_to is None else dug_to
    if met is not None and met != "yes" and work is not None:
        _ask_for_hole(cells, work, size, dug_to, met)
    if (size[0] is None) != (size[1] is None):
        cells.fault("hole-half", "width" if size[1] is None else "length")
    name_of_photo, photo = named_photo(cells, around.folder)
    place = _place(cells, around, pit, size, photo, is_found=met == "yes")
    fields: dict[str, object] = {
        "direction_rad": _direction(cells, around.frame),
        "diameter_m": _positive(cells, "diameter"),
        "date": _date(cells),
        "photo": name_of_photo,
    }
    if len(cells.report.faults) > before or place is None or work is None or met is None:
        return None
    if photo is not None:
        fields |= _held_against(cells, around, photo, place, str(fields["date"]))
    # another pipe met means that this drain was not
    maker = Found if met == "yes" else Missed
    return maker(
        name,
        work,
        *place,
        met,
        angle_rad=around.building.angle_rad if pit is None else pit.angle_rad,
        length_m=size[0] or 0.0,
        width_m=size[1] or 0.0,
        dug_to_m=dug_to,
        depth_to_invert_m=depths[0],
        depth_to_top_m=depths[1],
        material=cells.text("material"),
        ties=_taped(name, around.ties),
        note=cells.text("note"),
        at_pit="" if pit is None else pit.id,
        row=cells.row.number,
        **fields,  # type: ignore[arg-type]  # each of its own type
    )


def _held_against(
    cells: Cells,
    around: Surroundings,
    photo: Photo,
    place: tuple[float, float, float, str],
    date: str,
) -> dict[str, object]:
    """Hold a row against its photo: when that was taken, and how far away."""
    off_m = None
    if photo.longitude is not None and not place[3].startswith(BY_PHOTO):
        at = _from_degrees(around.frame, np.array([photo.longitude, photo.latitude]))
        off_m = round(float(np.hypot(*(at - place[:2]))), 4)
    hold_against_photo(cells, photo, off_m, float(np.hypot(photo.sd_m, place[2])), date)
    taken = "" if photo.taken is None else photo.taken.isoformat(sep=" ")
    return {"photo_taken": taken, "photo_off_m": off_m}


def _taped(name: str, ties: tuple[Tie, ...]) -> tuple[tuple[str, float], ...]:
    """List the taped distances to a finding, by what they are from."""
    return tuple(
        (tie.to_name if tie.from_name == name else tie.from_name, tie.distance_m)
        for tie in ties
        if name in (tie.from_name, tie.to_name)
    )


def _word(cells: Cells, column: str, known: tuple[W, ...], fault: str) -> W | None:
    """Read a word of a list."""
    text = cells.required(column).lower().replace("_", "-").replace(" ", "-")
    word = next((one for one in known if one == text), None)
    if text and word is None:
        cells.fault(fault, column, known=guess(text, known))
    return word


def _pit(cells: Cells, pits: Mapping[str, KeptPit]) -> KeptPit | None:
    """Find the pit of a kept answer that a row names."""
    text = cells.text("at_pit")
    pit = pits.get(text.upper())
    if text and pit is None:
        cells.fault("pit-unknown", "at_pit", known=guess(text, pits))
    return pit


def _positive(cells: Cells, column: str) -> float | None:
    """Read a length above 0."""
    value = cells.length(column, as_depth=column == "diameter")
    if value is not None and not 0.0 < value < FURTHEST_M:
        cells.fault("size-not-positive", column, column=column)
        return None
    return value


def _depth(cells: Cells, column: str) -> float | None:
    """Read a depth below the ground."""
    value = cells.length(column, as_depth=True)
    if value is not None and cells.report.units_known and not 0.0 < value <= DEEPEST_M:
        cells.fault("depth-outdoors-absurd", column, column=column, deepest_m=DEEPEST_M)
        return None
    return value


def _ask_for_hole(
    cells: Cells, work: str, size: list[float | None], dug_to: float | None, met: str
) -> None:
    """Fault a hole that showed nothing and is not told of: how wide, and how deep."""
    is_hole = work in ("test-pit", "vacuum-hole", "trench")
    if met == "no" and None in size:
        cells.fault("hole-size-missing", "length" if size[0] is None else "width")
    if is_hole and met == "no" and dug_to is None and not cells.text("dug_to"):
        cells.fault("dug-to-missing", "dug_to")


def _direction(cells: Cells, frame: LotFrame) -> float | None:
    """Read the pipe's direction, a grid azimuth or a bearing, as a lot angle."""
    text = cells.text("direction")
    if not text:
        return None
    try:
        azimuth_deg = as_azimuth(text)
    except ValueError as error:
        cells.fault("direction-unreadable", "direction", error=str(error).rstrip("."))
        return None
    return frame.angle_rad(azimuth_deg)


def _date(cells: Cells) -> str:
    """Read a date as in 2026-04-14."""
    text = cells.text("date")
    try:
        return datetime.date.fromisoformat(text).isoformat() if text else ""
    except ValueError:
        cells.fault("date-unreadable", "date")
        return ""


# ------------------------------------------------------------------------------------- places


def _place(
    cells: Cells,
    around: Surroundings,
    pit: KeptPit | None,
    size: list[float | None],
    photo: Photo | None,
    *,
    is_found: bool,
) -> tuple[float, float, float, str] | None:
    """Place a row: x, y, sd and by what; None with a fault where that fails.

    Ties win over lot coordinates, those over longitude and latitude, those over the pit: what was
    measured on the pipe itself over where the hole was to be. What was found and has none of these
    lies, weakly, where its photo was taken, no better than that is known whatever the row says.
    """
    sd = _positive(cells, "sd")
    name = cells.text("id")
    ties = [tie for tie in around.ties if name and name in (tie.from_name, tie.to_name)]
    lot_place = _pair(cells, "x", "y")
    on_earth = _degrees(cells)
    if ties:
        found = _by_ties(cells, around, name, ties, lot_place)
    elif lot_place is not None:
        found = (lot_place, LOT_SD_M, "lot coordinates")
    elif on_earth is not None:
        found = (_from_degrees(around.frame, on_earth), SATELLITE_SD_M, "longitude and latitude")
    elif pit is not None:
        whole = max(one or 0.0 for one in size)
        # found anywhere along the hole: an even law has its length over √12
        middle = whole * MIDDLE_SHARE if is_found else LOT_SD_M
        found = (np.array([pit.x_m, pit.y_m]), middle, f"pit {pit.id}")
    elif is_found and photo is not None and photo.longitude is not None:
        at = _from_degrees(around.frame, np.array([photo.longitude, photo.latitude]))
        found = (at, photo.sd_m, f"{BY_PHOTO} {cells.text('photo')}")
        sd = None if sd is None else max(sd, photo.sd_m)
        cells.report.note(
            "photo-place-taken",
            FINDINGS_FILE,
            row=cells.row.number,
            name=cells.text("photo"),
            sd=about(photo.sd_m, cells.units),
        )
    else:
        given = ("x", "y", "longitude", "latitude", "at_pit")
        if not any(cells.text(column) for column in given):
            cells.fault("finding-without-place", "x")
        return None
    if found is None:
        return None
    place, own_sd, words = found
    if on_earth is not None:
        off = float(np.hypot(*(_from_degrees(around.frame, on_earth) - place)))
        if off > MOST_APART_M:
            cells.report.note(
                "find-places-differ",
                FINDINGS_FILE,
                row=cells.row.number,
                off=about(off, cells.units),
                placed=words,
            )
    lot = shapely.Polygon(around.lot.vertices)
    away = float(lot.distance(shapely.Point(place))) if np.isfinite(place).all() else np.inf
    if not away <= FURTHEST_M:
        cells.fault("finding-far", "x" if cells.text("x") else "longitude", most=FURTHEST_M)
        return None
    return float(place[0]), float(place[1]), own_sd if sd is None else sd, words


def _pair(cells: Cells, one: str, other: str) -> Array | None:
    """Read two lengths that belong together."""
    values = cells.length(one), cells.length(other)
    if bool(cells.text(one)) != bool(cells.text(other)):
        cells.fault("place-half", other if cells.text(one) else one)
    return None if None in values else np.array(values, float)


def _degrees(cells: Cells) -> Array | None:
    """Read longitude and latitude in degrees."""
    texts = cells.text("longitude"), cells.text("latitude")
    if not any(texts):
        return None
    if not all(texts):
        cells.fault("place-half", "latitude" if texts[0] else "longitude")
        return None
    values = []
    for text, column, most in zip(texts, ("longitude", "latitude"), (180.0, 90.0), strict=True):
        try:
            value = float(text)
        except ValueError:
            value = np.inf
        if not abs(value) <= most:
            cells.fault("degrees-unreadable", column)
            return None
        values.append(value)
    return np.array(values)


def _from_degrees(frame: LotFrame, degrees: Array) -> Array:
    """Take longitude and latitude to the lot: the written operation, turned round by Newton."""
    east, north = degrees.tolist()
    # the written operation inverted, so that what is written comes back to the same place
    to_lot = frame.to_degrees.transformer.transform(east, north, direction="INVERSE")
    return frame.from_crs(np.array(to_lot))


def _by_ties(
    cells: Cells, around: Surroundings, name: str, ties: list[Tie], start: Array | None
) -> tuple[Array, float, str] | None:
    """Place by taped distances from corners: least squares, the fix outside the house.

    The sd is the larger axis of (JᵀWJ)⁻¹ with what the fixed corners are known to.
    """
    known = _corners(around)
    points, distances, sds = [], [], []
    for tie in ties:
        other = tie.to_name if tie.from_name == name else tie.from_name
        if other not in known:
            field = "to" if tie.from_name == name else "from"
            cells.report.add(
                fault_of("tie-unknown", TIES_FILE, tie.row, field, other, known=guess(other, known))
            )
            return None
        point, sd = known[other]
        points.append(point)
        distances.append(tie.distance_m)
        sds.append(np.hypot(tie.sd_m, sd))
    # one distance is a circle
    if len(points) < 2:
        cells.fault("finding-one-tie", "id")
        return None
    fixed, taped, spread = np.array(points), np.array(distances), np.array(sds)

    house = shapely.Polygon(around.building.vertices)
    tried = [_fix(fixed, taped, spread, guess_at) for guess_at in _starts(fixed, start)]
    # what was found outdoors lies outside the house, if any solution does
    outside = [fit for fit in tried if not house.contains(shapely.Point(fit.place))] or tried
    # of equal fits a stated order of places
    best = min(outside, key=lambda fit: (round(fit.chi_square, 3), *np.round(fit.place, 3)))
    close = [fit for fit in outside if fit.chi_square < best.chi_square + MIRROR_CHI_SQUARE]
    if start is None and any(np.hypot(*(fit.place - best.place)) > MIRROR_M for fit in close):
        cells.fault("finding-mirror", "id")
        return None
    if best.worst > MISFIT:
        cells.fault("finding-ties-differ", "id", worst=best.worst)
        return None
    return best.place, best.sd_m, f"{len(points)} swing ties"


@dataclass(frozen=True, slots=True)
class _Fix:
    """A place (2,) from taped distances; ``worst`` is its largest residual in sds."""

    place: Array
    sd_m: float
    chi_square: float
    worst: float


def _fix(fixed: Array, taped: Array, spread: Array, start: Array) -> _Fix:
    """Fit a place to distances (n,) from points (n, 2) by Gauss-Newton, steps of 5 m at most."""
    at = np.array(start, float)
    for _ in range(STEPS):
        gap = at - fixed
        reach = np.maximum(np.hypot(*gap.T), 1e-6)
        # derivative of each distance: the unit vector from its corner
        rows = gap / reach[:, None] / spread[:, None]
        step = np.linalg.lstsq(rows, (taped - reach) / spread, rcond=1e-6)[0]
        at = at + step * min(1.0, 5.0 / max(float(np.hypot(*step)), 1e-12))
    residuals = (taped - np.hypot(*(at - fixed).T)) / spread
    # least singular value of the whitened design: the weakest direction
    axes = np.linalg.svd(rows, compute_uv=False)
    sd = min(1.0 / max(float(axes[-1]), 1e-6), WORST_SD_M)
    return _Fix(
        np.round(at, 4), round(sd, 4), float(residuals @ residuals), float(np.abs(residuals).max())
    )


def _starts(fixed: Array, start: Array | None) -> list[Array]:
    """Return where to start: where the user says, else on either side of the fixed corners."""
    if start is not None:
        return [start]
    # far enough out that each quadrant's solution is reached
    middle, spread = fixed.mean(axis=0), np.ptp(fixed, axis=0) + 3.0
    return [middle + spread * np.array(sign) for sign in ((1, 1), (1, -1), (-1, 1), (-1, -1))]


def _corners(around: Surroundings) -> dict[str, tuple[Array, float]]:
    """Return the corners one can tape from, by name, with the sd of their place on the lot."""
    places: dict[str, tuple[Array, float]] = {}
    house_sd = float(np.hypot(around.building.outline_sd_m, around.building.position_sd_m))
    outlines = (
        ("building", around.building.vertices, around.building.sides, house_sd),
        ("lot", around.lot.vertices, around.lot.sides, around.lot.corner_sd_m),
    )
    for owner, outline, sides, sd in outlines:
        for corner in CORNERS:
            index = corner_index(outline, sides, corner)
            places[f"{owner}:{corner}"] = (outline[index], sd)
    return places
