"""The features as a DXF drawing in the grid CRS: one drawing layer per layer and class."""

from __future__ import annotations

import io
import re
import textwrap
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

import ezdxf
import numpy as np
import shapely
from ezdxf.document import Drawing
from ezdxf.enums import TextEntityAlignment
from ezdxf.layouts.layout import Modelspace

from .._frames import Array, LotFrame
from .._survey import Survey
from .features import NOT_LOCATED, Feature, drawn_features, shown_name

# DXF header codes of the drawing unit ($INSUNITS in the DXF reference): metre, foot, US survey foot
_METRE, _FOOT, _SURVEY_FOOT = 6, 2, 21
# ACI colours: 3 is green, as sewers are marked in the APWA Uniform Color Code; 7 is black/white,
# 8 grey for what would else hide it
_COLOURS = {"main": 3, "manhole": 3, "drain": 3, "route": 3, "exit": 3, "keep-out": 1, "pit": 7,
            "tie": 8, "corridor": 8}  # fmt: skip
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
TEXT_HEIGHT_M = 0.4
NOTES_LAYER = "SITEGIS-NOTES"
_NOTE_COLUMNS = 100
_NAMED = ("main", "manhole", "locate", "exit", "pit", "route", "keep-out")
# where along a line its name stands: far enough from the wall that routes have parted
_NAMED_AT = 0.7


def dxf_bytes(survey: Survey) -> bytes:
    """Draw the features of a survey; the same survey gives the same bytes.

    Coordinates are the CRS's, in its unit, which the header names. Layers are named
    ``SITEGIS-<layer>-<evidence class>``; inferred lines are dashed. What belongs to a way too
    unlikely to be named in the answer has layers of its own, switched off. The drawing opens on
    the site, with notes under it and an arrow to grid north.
    """
    frame = survey.site.frame
    features = drawn_features(survey)
    with _fixed_times():
        drawing = _drawing(frame)
        space = drawing.modelspace()
        for feature, hidden in features:
            _add(space, feature, frame, layer=_layer(drawing, feature, hidden=hidden))
        _add_notes(drawing, survey, [feature for feature, _ in features])
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


def _layer(drawing: Drawing, feature: Feature, *, hidden: bool) -> str:
    """Make the drawing layer of a feature where it is not there yet; give its name."""
    name = f"SITEGIS-{feature.layer}-{feature.evidence_class}".upper()
    if hidden:
        name += "-UNLIKELY"
    if name not in drawing.layers:
        line = "DASHED" if feature.evidence_class == "inferred" else "CONTINUOUS"
        layer = drawing.layers.add(name, color=_COLOURS.get(feature.layer, 7), linetype=line)
        if hidden:
            layer.off()
    return name


def _lines(geometry: shapely.Geometry) -> Iterable[tuple[shapely.Geometry, bool]]:
    """Take a geometry apart into lines; True where the line is a ring."""
    for part in shapely.get_parts(geometry):
        if isinstance(part, shapely.Polygon):
            yield part.exterior, True
            yield from ((hole, True) for hole in part.interiors)
        elif isinstance(part, shapely.LineString):
            yield part, False


def _add(space: Modelspace, feature: Feature, frame: LotFrame, *, layer: str) -> None:
    """Draw one feature with its name."""
    attributes = {"layer": layer}
    for line, is_ring in _lines(feature.geometry):
        vertices = frame.to_crs(shapely.get_coordinates(line))
        space.add_lwpolyline(
            vertices[:-1] if is_ring else vertices, close=is_ring, dxfattribs=attributes
        )
    if isinstance(feature.geometry, shapely.Point):
        at = frame.to_crs(shapely.get_coordinates(feature.geometry))[0]
        space.add_circle(at, 0.15 / frame.metres_per_unit, dxfattribs=attributes)
    if feature.layer in _NAMED:
        anchor = frame.to_crs(shapely.get_coordinates(_anchor(feature.geometry)))[0]
        # the first pit lies close to the exit: its name stands above, the exit's below
        below = feature.layer == "exit"
        _write(space, shown_name(feature), anchor, frame, layer, below=below)


def _anchor(geometry: shapely.Geometry) -> shapely.Geometry:
    """Give the point of a geometry that its name stands at."""
    if isinstance(geometry, shapely.LineString):
        return geometry.interpolate(_NAMED_AT, normalized=True)
    return geometry.representative_point()


def _write(
    space: Modelspace, words: str, at: Array, frame: LotFrame, layer: str, *, below: bool = False
) -> None:
    """Write a line of text, its lower left corner (upper, if ``below``) at a point of the grid."""
    height = TEXT_HEIGHT_M / frame.metres_per_unit
    text = space.add_text(plain_text(words), height=height, dxfattribs={"layer": layer})
    align = TextEntityAlignment.TOP_LEFT if below else TextEntityAlignment.BOTTOM_LEFT
    text.set_placement(at, align=align)


def _add_notes(drawing: Drawing, survey: Survey, features: list[Feature]) -> None:
    """Write title, grid and cautions under the site, point to grid north, open on all of it."""
    frame, space = survey.site.frame, drawing.modelspace()
    drawing.layers.add(NOTES_LAYER, color=7)
    places = np.concatenate(
        [frame.to_crs(shapely.get_coordinates(feature.geometry)) for feature in features]
    )
    low, high = places.min(axis=0), places.max(axis=0)
    step = 2 * TEXT_HEIGHT_M / frame.metres_per_unit
    told = [
        f"Lateral: {survey.site.name}",
        f"Grid {frame.crs}, coordinates in {frame.unit_name}, grid north is up. Dashed: inferred.",
        NOT_LOCATED,
        *survey.rules.pit_cautions,
    ]
    lines = [line for words in told for line in textwrap.wrap(words, _NOTE_COLUMNS)]
    for number, line in enumerate(lines, start=1):
        _write(space, line, low - np.array([0.0, number * step]), frame, NOTES_LAYER)
    low = low - np.array([0.0, (len(lines) + 1) * step])
    _point_north(space, np.array([low[0], high[1]]), step, frame)
    high = high + np.array([0.0, 6 * step])
    space.reset_extents((*low, 0.0), (*high, 0.0))
    width, height = high - low
    drawing.set_modelspace_vport(1.05 * max(height, width / 1.5), (low + high) / 2)


def _point_north(space: Modelspace, foot: Array, step: float, frame: LotFrame) -> None:
    """Draw an arrow along the grid's northing, with its letter above the head."""
    shape = step * np.array([[1, 1], [1, 4], [0.6, 3], [1.4, 3], [1, 4]])
    space.add_lwpolyline(foot + shape, dxfattribs={"layer": NOTES_LAYER})
    _write(space, "N", foot + step * np.array([0.8, 4.2]), frame, NOTES_LAYER)
