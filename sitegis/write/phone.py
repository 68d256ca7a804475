"""The features for a phone: KML (OGC KML 2.2) and GPX 1.1, both in WGS 84."""

from __future__ import annotations

import re
from collections.abc import Sequence

import gpxpy.gpx
import shapely
import simplekml

from .._frames import LotFrame
from .._survey import Survey
from .features import Feature, Value, survey_features

# Characters that XML 1.0 does not allow, escaped or not (XML 1.0, section 2.2).
_NOT_XML = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
# KML colours are aabbggrr: green for sewers and white for proposed excavation, as in the APWA
# Uniform Color Code; red outlines for keep-outs.
_GREEN, _WHITE, _RED, _GREY = "ff3a8a1e", "ffffffff", "ff2020d0", "ff808080"
_COLOURS = {"main": _GREEN, "manhole": _GREEN, "drain": _GREEN, "route": _GREEN, "exit": _GREEN,
            "pit": _WHITE, "keep-out": _RED}  # fmt: skip
WARNING = "Inferred, not located. Call the one-call centre and wait for the marks before digging."


def xml_text(text: str) -> str:
    r"""Drop the characters that no XML file may hold.

    >>> xml_text("a\x00b\x0bc")
    'abc'
    """
    return _NOT_XML.sub("", text)


def kml_bytes(survey: Survey) -> bytes:
    """Write the features as KML, a folder per layer, inferred ones named as such."""
    kml = simplekml.Kml(name=xml_text(survey.site.name), description=WARNING)
    folders: dict[str, simplekml.Folder] = {}
    for number, feature in enumerate(survey_features(survey)):
        if feature.layer == "corridor" and feature.properties.get("level") != 0.95:
            continue
        if feature.layer not in folders:
            folders[feature.layer] = kml.newfolder(name=feature.layer)
        _add_placemarks(folders[feature.layer], feature, survey.site.frame, number)
    return _without_object_ids(kml.kml()).encode("utf-8")


def _without_object_ids(text: str) -> str:
    """Renumber the library's process-wide ids: equal surveys give equal files."""
    seen: dict[str, str] = {}

    def renumber(match: re.Match[str]) -> str:
        return match[1] + seen.setdefault(match[2], str(len(seen) + 1)) + match[3]

    return re.sub(r'((?: id="|<styleUrl>#))(\w+)("|</styleUrl>)', renumber, text)


def _label(feature: Feature) -> str:
    name = xml_text(str(feature.properties["id"]))
    return f"{name} (inferred)" if feature.evidence_class == "inferred" else name


def _describe(feature: Feature) -> str:
    """List a feature's properties, its evidence class first."""
    first: list[tuple[str, Value]] = [("evidence class", feature.evidence_class)]
    rows = [*first, *feature.properties.items()]
    words = [f"{key}: {value}" for key, value in rows if value is not None and value != ""]
    if feature.evidence_class == "inferred":
        words.insert(0, WARNING)
    return xml_text("\n".join(words))


def _lonlat(frame: LotFrame, geometry: shapely.Geometry) -> list[tuple[float, float]]:
    pairs = frame.to_lonlat(shapely.get_coordinates(geometry))
    return [(round(float(x), 8), round(float(y), 8)) for x, y in pairs]


def _add_placemarks(
    folder: simplekml.Folder, feature: Feature, frame: LotFrame, number: int
) -> None:
    """Add one placemark per part of a feature."""
    colour = _COLOURS.get(feature.layer, _GREY)
    for part in shapely.get_parts(feature.geometry):
        if isinstance(part, shapely.Point):
            mark = folder.newpoint(coords=_lonlat(frame, part))
        elif isinstance(part, shapely.Polygon):
            mark = folder.newpolygon(
                outerboundaryis=_lonlat(frame, part.exterior),
                innerboundaryis=[_lonlat(frame, hole) for hole in part.interiors],
            )
            mark.style.polystyle.fill = 0
        else:
            mark = folder.newlinestring(coords=_lonlat(frame, part), tessellate=1)
        mark.name, mark.description = _label(feature), _describe(feature)
        mark.style.linestyle.color = colour
        mark.style.linestyle.width = 3 if feature.layer in ("drain", "route") else 2


def gpx_bytes(survey: Survey) -> bytes:
    """Write GPX 1.1: waypoints for marks, exit, pits and manholes, a route per hypothesis."""
    gpx = gpxpy.gpx.GPX()
    gpx.creator, gpx.name = "sitegis", xml_text(survey.site.name)
    gpx.description = WARNING
    frame = survey.site.frame
    for feature in survey_features(survey):
        if feature.layer in ("locate", "manhole", "exit", "pit"):
            centre = _lonlat(frame, feature.geometry.centroid)[0]
            gpx.waypoints.append(_waypoint(feature, centre))
        elif feature.layer in ("route", "drain"):
            gpx.routes.append(_route(feature, _lonlat(frame, feature.geometry)))
    return gpx.to_xml(version="1.1").encode("utf-8")


def _waypoint(feature: Feature, lonlat: tuple[float, float]) -> gpxpy.gpx.GPXWaypoint:
    return gpxpy.gpx.GPXWaypoint(
        latitude=lonlat[1], longitude=lonlat[0], name=_label(feature),
        description=_describe(feature), type=feature.layer,
    )  # fmt: skip


def _route(feature: Feature, lonlats: Sequence[tuple[float, float]]) -> gpxpy.gpx.GPXRoute:
    route = gpxpy.gpx.GPXRoute(name=_label(feature), description=_describe(feature))
    route.points = [gpxpy.gpx.GPXRoutePoint(latitude=y, longitude=x) for x, y in lonlats]
    return route
