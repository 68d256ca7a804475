"""The features as a DXF drawing in the grid CRS: one drawing layer per layer and class."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

import ezdxf
import shapely
from ezdxf.document import Drawing
from ezdxf.enums import TextEntityAlignment
from ezdxf.layouts.layout import Modelspace

from .._frames import LotFrame
from .._survey import Survey
from .features import Feature, survey_features

# DXF header codes of the drawing unit ($INSUNITS in the DXF reference): metre, foot, US survey foot
_METRE, _FOOT, _SURVEY_FOOT = 6, 2, 21
# ACI colours: 3 is green, as sewers are marked in the APWA Uniform Color Code; 7 is black/white
_COLOURS = {"main": 3, "manhole": 3, "drain": 3, "route": 3, "exit": 3, "keep-out": 1, "pit": 7}
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
TEXT_HEIGHT_M = 0.4


def dxf_bytes(survey: Survey) -> bytes:
    """Draw the features of a survey; the same survey gives the same bytes.

    Coordinates are the CRS's, in its unit, which the header names. Layers are named
    ``SITEGIS-<layer>-<evidence class>``; inferred lines are dashed.
    """
    with _fixed_times():
        drawing = _drawing(survey.site.frame)
        space = drawing.modelspace()
        for feature in survey_features(survey):
            if feature.layer != "corridor" or feature.properties.get("level") == 0.95:
                _add(drawing, space, feature, survey.site.frame)
        # the library would add them in the order of a set of texts, another in each process
        for name in sorted(drawing.entitydb.dxf_types_in_use()):
            drawing.classes.add_class(name)
        target = io.StringIO()
        drawing.write(target)
    return target.getvalue().encode("utf-8")


@contextmanager
def _fixed_times() -> Iterator[None]:
    """Keep times and random identifiers out of the file, as far as the library allows it."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def _drawing(frame: LotFrame) -> Drawing:
    """Start a drawing with the CRS's unit."""
    drawing = ezdxf.new("R2010", setup=["linetypes"])
    units = {"metre": _METRE, "foot": _FOOT}
    drawing.header["$INSUNITS"] = units.get(frame.unit_name, _SURVEY_FOOT)
    drawing.header["$MEASUREMENT"] = int(frame.unit_name == "metre")
    drawing.header["$LTSCALE"] = 0.6 / frame.metres_per_unit
    return drawing


def plain_text(text: str) -> str:
    r"""Make a text harmless in a drawing: no control characters, no ``%%`` or caret codes.

    >>> plain_text("50%%d ^J{x}\n")
    '50% %d ^ J{x} '
    """
    return re.sub(r"%(?=%)", "% ", _CONTROL.sub(" ", text)).replace("^", "^ ")


def _layer(drawing: Drawing, feature: Feature) -> str:
    """Make the drawing layer of a feature where it is not there yet; give its name."""
    name = f"SITEGIS-{feature.layer}-{feature.evidence_class}".upper()
    if name not in drawing.layers:
        line = "DASHED" if feature.evidence_class == "inferred" else "CONTINUOUS"
        drawing.layers.add(name, color=_COLOURS.get(feature.layer, 7), linetype=line)
    return name


def _lines(geometry: shapely.Geometry) -> Iterable[tuple[shapely.Geometry, bool]]:
    """Take a geometry apart into lines; True where the line is a ring."""
    for part in shapely.get_parts(geometry):
        if isinstance(part, shapely.Polygon):
            yield part.exterior, True
            yield from ((hole, True) for hole in part.interiors)
        elif isinstance(part, shapely.LineString):
            yield part, False


def _add(drawing: Drawing, space: Modelspace, feature: Feature, frame: LotFrame) -> None:
    """Draw one feature with its name."""
    attributes = {"layer": _layer(drawing, feature)}
    for line, is_ring in _lines(feature.geometry):
        vertices = frame.to_crs(shapely.get_coordinates(line))
        space.add_lwpolyline(
            vertices[:-1] if is_ring else vertices, close=is_ring, dxfattribs=attributes
        )
    if isinstance(feature.geometry, shapely.Point):
        at = frame.to_crs(shapely.get_coordinates(feature.geometry))[0]
        space.add_circle(at, 0.15 / frame.metres_per_unit, dxfattribs=attributes)
    if feature.layer in ("main", "manhole", "locate", "exit", "pit", "route", "keep-out"):
        anchor = frame.to_crs(shapely.get_coordinates(feature.geometry.representative_point()))[0]
        text = space.add_text(
            plain_text(_name(feature)),
            height=TEXT_HEIGHT_M / frame.metres_per_unit,
            dxfattribs=attributes,
        )
        text.set_placement(anchor, align=TextEntityAlignment.BOTTOM_LEFT)


def _name(feature: Feature) -> str:
    """Name a feature; what is inferred says so."""
    name = str(feature.properties["id"])
    return f"{name} (inferred)" if feature.evidence_class == "inferred" else name
