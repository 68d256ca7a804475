"""The features for a phone: KML (OGC KML 2.2) and GPX 1.1, both in WGS 84."""

from __future__ import annotations

import re
from collections.abc import Sequence
from xml.etree.ElementTree import Element, SubElement, indent, tostring

import gpxpy.gpx
import shapely

from ...geometry.frames import LotFrame
from ...model.derived import Feature, Value
from ...model.survey import Survey
from ...units import LengthUnit, format_length, is_imperial
from ..attributes import OLD_NAMES
from ..derive import drawn_features, survey_features
from ..features import NOT_LOCATED, shown_name
from ..looks import look_of
from ..text import reference_words

# Characters that XML 1.0 does not allow, escaped or not (XML 1.0, section 2.2): listed, as all that
# it does allow takes seven times as long to compile.
_NOT_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_KML = "http://www.opengis.net/kml/2.2"


def xml_text(text: str) -> str:
    r"""Drop the characters that no XML file may hold.

    >>> xml_text("a\x00b\x0bc")
    'abc'
    """
    return _NOT_XML.sub("", text)


def kml_bytes(survey: Survey) -> bytes:
    """Write the features as KML, a folder per layer, inferred ones named as such.

    What belongs to a way too unlikely to be named in the answer is hidden at first. The order
    of elements is that of the OGC KML 2.2 schema.
    """
    root = Element("kml", xmlns=_KML)
    document = SubElement(root, "Document")
    _words(document, xml_text(survey.site.name), f"{NOT_LOCATED} {reference_words(survey)}")
    features = drawn_features(survey)
    layers = list(dict.fromkeys(feature.layer for feature, _ in features))
    # one style a layer, for no-dig areas one a utility, as each has its own color
    for layer, kind in dict.fromkeys((one.layer, _kind(one)) for one, _ in features):
        _add_style(document, layer, kind)
    folders = {layer: SubElement(document, "Folder") for layer in layers}
    for layer, folder in folders.items():
        SubElement(folder, "name").text = layer
    for feature, hidden in features:
        # a placemark takes one plain geometry: every part gets its own
        for part in shapely.get_parts(feature.geometry):
            mark = SubElement(folders[feature.layer], "Placemark")
            _words(mark, _label(feature), _describe(feature, survey.site.units), hidden=hidden)
            SubElement(mark, "styleUrl").text = f"#{feature.layer}{_kind(feature)}"
            _add_geometry(mark, part, survey.site.frame)
    indent(root)
    return bytes(tostring(root, encoding="UTF-8", xml_declaration=True))


def _words(parent: Element, name: str, description: str, *, hidden: bool = False) -> None:
    """Add name and description; between them, where it applies, that it is hidden at first."""
    SubElement(parent, "name").text = name
    if hidden:
        SubElement(parent, "visibility").text = "0"
    SubElement(parent, "description").text = description


def _kind(feature: Feature) -> str:
    """Return what a no-dig area is of, behind a hyphen, as it may stand in an XML name."""
    kind = str(feature.properties["kind"]) if feature.layer == "keep-out" else ""
    # an id in XML holds no blanks, and the kinds of utilities do
    return "-" + re.sub(r"[^a-z]+", "-", kind) if kind else ""


def _add_style(document: Element, layer: str, kind: str) -> None:
    """Add the look of a layer's lines; areas show their outline only."""
    style = SubElement(document, "Style", id=f"{layer}{kind}")
    color = look_of(layer, kind.removeprefix("-")).color
    line = SubElement(style, "LineStyle")
    SubElement(line, "color").text = f"ff{color[5:7]}{color[3:5]}{color[1:3]}"  # aabbggrr
    SubElement(line, "width").text = "3" if layer in ("drain", "route") else "2"
    SubElement(SubElement(style, "PolyStyle"), "fill").text = "0"


def _add_geometry(mark: Element, part: shapely.Geometry, frame: LotFrame) -> None:
    """Add a point, line or area to a placemark, on the ground."""
    if isinstance(part, shapely.Polygon):
        shape = SubElement(mark, "Polygon")
        rings = [("outerBoundaryIs", part.exterior)]
        rings += [("innerBoundaryIs", hole) for hole in part.interiors]
        for tag, ring in rings:
            _add_places(SubElement(SubElement(shape, tag), "LinearRing"), ring, frame)
        return
    if isinstance(part, shapely.Point):
        _add_places(SubElement(mark, "Point"), part, frame)
        return
    line = SubElement(mark, "LineString")
    # follow the ground: without it a line at height 0 runs under a hill
    SubElement(line, "tessellate").text = "1"
    _add_places(line, part, frame)


def _add_places(shape: Element, geometry: shapely.Geometry, frame: LotFrame) -> None:
    places = " ".join(f"{x!r},{y!r}" for x, y in _lonlat(frame, geometry))
    SubElement(shape, "coordinates").text = places


def _label(feature: Feature) -> str:
    return xml_text(shown_name(feature))


def _describe(feature: Feature, unit: LengthUnit) -> str:
    """List a feature's properties, its evidence class first."""
    first: list[tuple[str, Value]] = [("evidence class", feature.evidence_class)]
    # the former names are for programs; a person would read each value twice
    now = ((name, value) for name, value in feature.properties.items() if name not in OLD_NAMES)
    rows = [*first, *now]
    words = [
        f"{key}: {_value_words(key, value, unit)}"
        for key, value in rows
        if value is not None and value != ""
    ]
    if feature.evidence_class == "inferred":
        words.insert(0, NOT_LOCATED)
    return xml_text("\n".join(words))


def _value_words(key: str, value: Value, unit: LengthUnit) -> str:
    r"""Write a value for a reader: six digits, and a length as the tape has it beside meters.

    >>> _value_words("depth_m", 2.8956, "ft"), _value_words("slope", 0.02083333333, "m")
    ('2.8956 (9\' 6")', '0.0208333')
    """
    if not isinstance(value, float):
        return str(value)
    words = f"{value:.6g}"
    if key.endswith("_m") and is_imperial(unit):
        words += f" ({format_length(value, unit, fraction=2)})"
    return words


def _lonlat(frame: LotFrame, geometry: shapely.Geometry) -> list[tuple[float, float]]:
    pairs = frame.written_lonlat(shapely.get_coordinates(geometry))
    return [(round(float(x), 8), round(float(y), 8)) for x, y in pairs]


def gpx_bytes(survey: Survey) -> bytes:
    """Write GPX 1.1: waypoints for marks, exit, pits and manholes, a route per hypothesis."""
    gpx = gpxpy.gpx.GPX()
    gpx.creator, gpx.name = "sitegis", xml_text(survey.site.name)
    gpx.description = f"{NOT_LOCATED} {xml_text(reference_words(survey))}"
    frame = survey.site.frame
    for feature in survey_features(survey):
        if feature.layer in ("locate", "manhole", "exit", "pit"):
            # of a pit the middle, of points themselves
            center = _lonlat(frame, feature.geometry.centroid)[0]
            gpx.waypoints.append(_waypoint(feature, center, survey.site.units))
        elif feature.layer in ("route", "drain"):
            places = _lonlat(frame, feature.geometry)
            gpx.routes.append(_route(feature, places, survey.site.units))
    return gpx.to_xml(version="1.1").encode("utf-8")


def _waypoint(
    feature: Feature, lonlat: tuple[float, float], unit: LengthUnit
) -> gpxpy.gpx.GPXWaypoint:
    return gpxpy.gpx.GPXWaypoint(
        latitude=lonlat[1],
        longitude=lonlat[0],
        name=_label(feature),
        description=_describe(feature, unit),
        type=feature.layer,
    )


def _route(
    feature: Feature, lonlats: Sequence[tuple[float, float]], unit: LengthUnit
) -> gpxpy.gpx.GPXRoute:
    route = gpxpy.gpx.GPXRoute(name=_label(feature), description=_describe(feature, unit))
    route.points = [gpxpy.gpx.GPXRoutePoint(latitude=y, longitude=x) for x, y in lonlats]
    return route
