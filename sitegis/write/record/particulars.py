"""What a counter files a lateral by: the job, the lot's lines, places, elevations, manholes.

The fields are those that US cities ask for on side-sewer as-built drawings. What the input does
not say is a ruled line, to be filled in by hand.
"""

from __future__ import annotations

from itertools import groupby

import numpy as np
import shapely

from ...dig.depths import best_line
from ...geometry import polyline
from ...geometry.frames import Array
from ...model.site import Main, Manhole, RecordTexts
from ...model.survey import Survey
from ...units import FOOT_M, LengthUnit, about, format_bearing, format_station, is_imperial
from ..profile import survey_profile
from ..report.section import Cells, Section
from ..text import reference_words

RULED = "_" * 26
"""A line to be filled in by hand."""
Rows = list[Cells]


def job_rows(survey: Survey) -> Rows:
    """List what the job is filed by: name, value; an empty value is a ruled line."""
    site = survey.site
    texts = site.record
    rows = (
        ("Address", texts.address), ("Parcel id", texts.parcel),
        ("Legal description", texts.legal_description), ("Owner", texts.owner),
        ("Permit number", texts.permit), ("One-call ticket", _ticket_words(texts)),
        ("Contractor", texts.contractor), ("License", texts.license),
        ("Measured by", site.surveyed_by), ("Measured on", site.surveyed_on),
        ("Sewer type", texts.sewer_type or ""), ("Vertical datum", site.vertical_datum),
        ("Test or inspection", texts.test_result), ("Photos", texts.photos),
        ("Video", texts.video), ("Cleanouts", _cleanout_words(survey)),
    )  # fmt: skip
    return [(name, value or RULED) for name, value in rows]


def _ticket_words(texts: RecordTexts) -> str:
    """Say the ticket's number and its last day; what is not given is a line to fill in."""
    number, day = texts.ticket, texts.ticket_valid_until
    if not number and day is None:
        return ""
    return f"{number or RULED}, valid through {RULED if day is None else day.isoformat()}"


def _cleanout_words(survey: Survey) -> str:
    return ", ".join(point.id for point in survey.placement.points if point.kind == "cleanout")


def deed_length(length_m: float, unit: LengthUnit) -> str:
    """Write a length as deeds and levels do: decimal feet, or meters.

    Parameters
    ----------
    length_m
        Length, m.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The length as text.

    Examples
    --------
    >>> deed_length(15.24, "ft"), deed_length(15.24, "m")
    ('50.00 ft', '15.240 m')
    """
    if is_imperial(unit):
        return f"{round(length_m / FOOT_M, 2) + 0.0:.2f} ft"
    return f"{round(length_m, 3) + 0.0:.3f} m"


def elevation_words(survey: Survey, invert_m: float) -> str:
    """Write an invert in the mains' datum, or above the slab where the slab is not tied to it.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    invert_m
        Invert, m above the slab.

    Returns
    -------
    str
        The elevation as text.
    """
    slab_m, unit = survey.site.slab_elevation_m, survey.site.units
    if slab_m is None:
        side = "below" if invert_m < 0 else "above"
        return f"{deed_length(abs(invert_m), unit)} {side} slab"
    return deed_length(slab_m + invert_m, unit)


def datum_words(survey: Survey) -> str:
    """Name horizontal and vertical datum in a sentence."""
    site = survey.site
    vertical = site.vertical_datum or "the main's vertical datum, not named"
    if not site.datum_known:
        vertical = "the basement slab (slab = 0), not tied to a vertical datum"
    else:
        vertical += f"; basement slab {elevation_words(survey, 0.0)}"
    return (
        f"Horizontal: {site.frame.crs} ({site.frame.unit_words}), combined factor "
        f"{site.frame.combined_factor:.6f}. {reference_words(survey)} Vertical: {vertical}."
    )


def course_words(survey: Survey, ring: Array) -> Rows:
    """Return grid bearing and ground distance of each edge of a ring (n, 2).

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    ring
        Corners (n, 2), m.

    Returns
    -------
    Rows
        One row an edge.
    """
    steps = np.diff(polyline.closed(ring), axis=0)
    frame, unit = survey.site.frame, survey.site.units
    return [
        (
            format_bearing(frame.azimuth_deg(float(np.arctan2(dy, dx)))),
            deed_length(float(np.hypot(dx, dy)), unit),
        )
        for dx, dy in steps
    ]


def lot_section(survey: Survey) -> Section:
    """Return the lot's lines counter-clockwise: side, grid bearing, ground distance."""
    lot = survey.site.lot
    courses = course_words(survey, lot.vertices)
    return Section(
        "Lot lines, counter-clockwise from the front-left corner",
        ("side", "grid bearing", "distance on the ground"),
        tuple((side, *course) for side, course in zip(lot.sides, courses, strict=True)),
    )


def building_words(survey: Survey) -> str:
    """Return the outside walls in their order, by the side that they are on."""
    building = survey.site.building
    lengths = polyline.segment_lengths(polyline.closed(building.vertices))
    walls = zip(building.sides, lengths, strict=True)
    return ", ".join(
        f"{side} " + " + ".join(about(float(length), survey.site.units) for _, length in some)
        for side, some in groupby(walls, key=lambda wall: wall[0])
    )


# ------------------------------------------------------------------------------------ places


def property_line_m(survey: Survey) -> float | None:
    """Return the distance from the wall at which the best route last crosses the lot line."""
    line = best_line(survey)
    if line is None:
        return None
    path = shapely.LineString(line[0])
    # a route may leave the lot and come back: the last crossing counts
    met = path.intersection(shapely.LinearRing(survey.site.lot.vertices))
    if met.is_empty:
        return None
    along = [path.project(shapely.Point(xy)) for xy in shapely.get_coordinates(met)]
    return float(max(along))


def place_section(survey: Survey) -> Section:
    """Return exit, property line, tap and cleanouts: grid, degrees, depth, invert elevation.

    The elevations of what is inferred are medians over the routes, with 90 %.
    """
    profile, line = survey_profile(survey), best_line(survey)
    exit_xy = np.array([survey.exit.x_m, survey.exit.y_m])
    named: list[tuple[str, Array, float]] = [("wall penetration (inferred)", exit_xy, 0.0)]
    if line is not None and survey.dig.depths:
        crossing = property_line_m(survey)
        if crossing is not None:
            at = polyline.line_interpolate_point(line[0], crossing)
            named.append(("at the property line (inferred)", at, crossing))
        named.append(("tap (inferred)", line[0][-1], float(profile.stations_m[-1])))
    outdoors = profile.stations_m >= 0.0
    rows: Rows = []
    for name, xy, station in named:
        # indoors the profile is the drain's own: only stations outdoors are read
        invert, low, high, surface = (
            float(np.interp(station, profile.stations_m[outdoors], values[outdoors]))
            for values in (profile.invert_m, profile.low_m, profile.high_m, profile.surface_m)
        )
        # at the wall the depth is the exit's own, of all routes and the ground there
        depth = survey.exit.depth_m if station == 0.0 else surface - invert
        words = f"{elevation_words(survey, invert)} ({_bare(survey, low)} to {_bare(survey, high)})"
        rows.append((name, *coordinate_words(survey, xy), about(depth, survey.site.units), words))
    return Section(
        "Places, depths and elevations",
        ("place", "easting, northing", "longitude, latitude", "depth to invert",
         "invert elevation (90 %)"),
        (*rows, *_cleanout_rows(survey)),
        (datum_words(survey),),
    )  # fmt: skip


def _bare(survey: Survey, invert_m: float) -> str:
    return elevation_words(survey, invert_m).split(" ", 1)[0]


def _cleanout_rows(survey: Survey) -> Rows:
    return [
        (
            f"cleanout {point.id}",
            *coordinate_words(survey, np.array([point.x_m, point.y_m])),
            "" if point.depth_m is None else about(point.depth_m, survey.site.units),
            "",
        )
        for point in survey.placement.points
        if point.kind == "cleanout"
    ]


def coordinate_words(survey: Survey, xy: Array) -> tuple[str, str]:
    """Write a place on the grid, in the grid's own unit, and in degrees.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    xy
        Place in the lot (2,), m.

    Returns
    -------
    tuple[str, str]
        On the grid, and in degrees.
    """
    frame = survey.site.frame
    east, north = frame.written_crs(xy)
    longitude, latitude = frame.written_lonlat(xy)
    return f"{east:.2f}, {north:.2f}", f"{longitude:.7f}, {latitude:.7f}"


def reach_of(main: Main, station_m: float) -> tuple[Manhole | None, Manhole | None]:
    """Return the manholes next downstream and next upstream of a station on a main.

    Parameters
    ----------
    main
        The main.
    station_m
        Station on the main, m.

    Returns
    -------
    tuple[Manhole | None, Manhole | None]
        Downstream and upstream manhole, None where there is none.
    """
    # stations grow with the flow
    order = sorted(main.manholes, key=lambda manhole: (manhole.station_m, manhole.id))
    upstream = [one for one in order if one.station_m <= station_m]
    downstream = [one for one in order if one.station_m > station_m]
    return (downstream[0] if downstream else None), (upstream[-1] if upstream else None)


def manhole_section(survey: Survey) -> Section:
    """Return the manholes at both ends of each reach that a route reaches."""
    unit = survey.site.units
    rows: Rows = []
    for tap in survey.derived.taps:
        for toward, manhole in zip(
            ("downstream", "upstream"), reach_of(tap.main, tap.station_m), strict=True
        ):
            if manhole is None:
                rows.append((tap.main.id, toward, "not on record", "", ""))
                continue
            invert = manhole.invert_m
            rows.append(
                (
                    tap.main.id,
                    toward,
                    manhole.id,
                    format_station(abs(tap.station_m - manhole.station_m), unit),
                    RULED if invert is None else elevation_words(survey, invert),
                )
            )
    return Section(
        "Manholes at the ends of each reach",
        ("main", "from the tap", "manhole", "distance from the tap", "invert elevation"),
        tuple(rows),
    )
