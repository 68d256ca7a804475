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
from ezdxf.layouts.layout import Modelspace, Paperspace

from ...geometry.frames import Array, LotFrame
from ...model.derived import Feature
from ...model.site import Site
from ...model.survey import Survey
from ...units import about, is_imperial, percent
from ..derive import drawn_features
from ..features import NOT_LOCATED, shown_name
from ..looks import BROWN, GRAY, INK, PROPOSED, SEWER, UTILITY_COLORS, VIOLET, look_of
from ..record.sheet import Scale, scales
from ..text import reference_words

# DXF header codes of the drawing unit ($INSUNITS in the DXF reference): meter, foot, US survey foot
_METER, _FOOT, _SURVEY_FOOT = 6, 2, 21
# the numbers of the drawing colors (AutoCAD Color Index, as ezdxf lists it); 7 is black or white
_ACI = {
    INK: 7, PROPOSED: 7, GRAY: 8, SEWER: 3, BROWN: 34, VIOLET: 202, UTILITY_COLORS["gas"]: 2,
    UTILITY_COLORS["electric"]: 1, UTILITY_COLORS["telecom"]: 30, UTILITY_COLORS["water"]: 5,
}  # fmt: skip
# things that are drawn as a block with their name and depth as attributes
_BLOCKS = {"PIT": ("NAME", "DIG_TO", "P_HIT"), "MANHOLE": ("NAME",), "CLEANOUT": ("NAME",)}
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
    unlikely to be named in the answer has layers of its own, frozen: they do not print. Text is
    never dashed. The drawing opens on the site, with notes under it and an arrow to grid north;
    its first sheet shows it to scale.
    """
    frame = survey.site.frame
    features = drawn_features(survey)
    with _fixed_times():
        drawing = _drawing(frame)
        space = drawing.modelspace()
        for feature, hidden in features:
            _add(space, feature, survey.site, layer=_layer(drawing, feature, hidden=hidden))
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
    units = {"metre": _METER, "foot": _FOOT}
    drawing.header["$INSUNITS"] = units.get(frame.unit_name, _SURVEY_FOOT)
    drawing.header["$MEASUREMENT"] = int(frame.unit_name == "metre")
    # dashes are measured in drawing units: so they come out alike on the ground in any unit
    drawing.header["$LTSCALE"] = 0.6 / frame.meters_per_unit
    _define_blocks(drawing, frame)
    return drawing


def _layer(drawing: Drawing, feature: Feature, *, hidden: bool) -> str:
    """Make the drawing layer of a feature where it is not there yet; give its name."""
    name = f"SITEGIS-{feature.layer}-{feature.evidence_class}".upper()
    if hidden:
        name += "-UNLIKELY"
    if name not in drawing.layers:
        line = "DASHED" if feature.evidence_class == "inferred" else "CONTINUOUS"
        # color and dash belong to the layer, so that the office can change either at one place
        color = _ACI[look_of(feature.layer).color]
        layer = drawing.layers.add(name, color=color, linetype=line)
        if hidden:
            layer.freeze()
    return name


def _lines(geometry: shapely.Geometry) -> Iterable[tuple[shapely.Geometry, bool]]:
    """Take a geometry apart into lines; True where the line is a ring."""
    for part in shapely.get_parts(geometry):
        if isinstance(part, shapely.Polygon):
            yield part.exterior, True
            yield from ((hole, True) for hole in part.interiors)
        elif isinstance(part, shapely.LineString):
            yield part, False


def _add(space: Modelspace, feature: Feature, site: Site, *, layer: str) -> None:
    """Draw one feature with its name."""
    frame = site.frame
    attributes: dict[str, object] = {"layer": layer}
    if feature.layer == "keep-out":
        attributes["color"] = _ACI[look_of("keep-out", str(feature.properties["kind"])).color]
    block = _block(feature)
    for line, is_ring in _lines(feature.geometry):
        vertices = frame.written_crs(shapely.get_coordinates(line))
        # a closed polyline of DXF does not repeat its first vertex
        space.add_lwpolyline(
            vertices[:-1] if is_ring else vertices, close=is_ring, dxfattribs=attributes
        )
    if block:
        _insert(space, block, feature, site, layer)
        return
    if isinstance(feature.geometry, shapely.Point):
        at = frame.written_crs(shapely.get_coordinates(feature.geometry))[0]
        space.add_circle(at, 0.15 / frame.meters_per_unit, dxfattribs=attributes)
    if feature.layer in _NAMED:
        anchor = frame.written_crs(shapely.get_coordinates(_anchor(feature.geometry)))[0]
        # the first pit lies close to the exit: its name stands above, the exit's below
        below = feature.layer == "exit"
        _write(space, shown_name(feature), anchor, frame, layer, below=below)


def _block(feature: Feature) -> str:
    """Return the block that stands for a feature, none for most."""
    if feature.layer in ("pit", "manhole"):
        return feature.layer.upper()
    return "CLEANOUT" if feature.properties.get("kind") == "cleanout" else ""


def _define_blocks(drawing: Drawing, frame: LotFrame) -> None:
    """Define the blocks: a mark of the drawing's unit with its texts beside it."""
    radius = 0.3 / frame.meters_per_unit
    height = TEXT_HEIGHT_M / frame.meters_per_unit
    for name, tags in _BLOCKS.items():
        block = drawing.blocks.new(f"SITEGIS-{name}")
        if name == "PIT":
            block.add_line((-radius, 0), (radius, 0), dxfattribs={"linetype": "CONTINUOUS"})
            block.add_line((0, -radius), (0, radius), dxfattribs={"linetype": "CONTINUOUS"})
        else:
            block.add_circle((0, 0), radius, dxfattribs={"linetype": "CONTINUOUS"})
        if name == "CLEANOUT":
            block.add_circle((0, 0), radius / 2, dxfattribs={"linetype": "CONTINUOUS"})
        for number, tag in enumerate(tags):
            block.add_attdef(
                tag,
                (1.4 * radius, 0.6 * radius - 1.4 * number * height),
                height=height,
                dxfattribs={"linetype": "CONTINUOUS"},
            )


def _insert(space: Modelspace, block: str, feature: Feature, site: Site, layer: str) -> None:
    """Insert a feature's block at its middle, its attributes filled."""
    at = site.frame.to_crs(shapely.get_coordinates(feature.geometry.centroid))[0]
    known = feature.properties
    texts = {"NAME": shown_name(feature)}
    if block == "PIT":
        texts["DIG_TO"] = f"dig to {about(float(str(known['depth_m'])), site.units)}"
        texts["P_HIT"] = f"{percent(float(str(known['p_hit'])))} to find the pipe"
    inserted = space.add_blockref(f"SITEGIS-{block}", at, dxfattribs={"layer": layer})
    inserted.add_auto_attribs({tag: plain_text(text) for tag, text in texts.items()})
    # letters stay whole on a dashed layer
    for attribute in inserted.attribs:
        attribute.dxf.linetype = "CONTINUOUS"


def _anchor(geometry: shapely.Geometry) -> shapely.Geometry:
    """Return the point of a geometry that its name stands at."""
    if isinstance(geometry, shapely.LineString):
        return geometry.interpolate(_NAMED_AT, normalized=True)
    return geometry.representative_point()


def _write(
    space: Modelspace, words: str, at: Array, frame: LotFrame, layer: str, *, below: bool = False
) -> None:
    """Write a line of text, its lower left corner (upper, if ``below``) at a point of the grid."""
    height = TEXT_HEIGHT_M / frame.meters_per_unit
    # a dashed layer would dash its letters
    plain = {"layer": layer, "linetype": "CONTINUOUS"}
    text = space.add_text(plain_text(words), height=height, dxfattribs=plain)
    align = TextEntityAlignment.TOP_LEFT if below else TextEntityAlignment.BOTTOM_LEFT
    text.set_placement(at, align=align)


def _add_notes(drawing: Drawing, survey: Survey, features: list[Feature]) -> None:
    """Write title, grid and cautions under the site, point to grid north, open on all of it."""
    frame, space = survey.site.frame, drawing.modelspace()
    drawing.layers.add(NOTES_LAYER, color=7)
    # (n, 2) on the grid, to frame the drawing and put the notes under it
    places = np.concatenate(
        [frame.written_crs(shapely.get_coordinates(feature.geometry)) for feature in features]
    )
    low, high = places.min(axis=0), places.max(axis=0)
    step = 2 * TEXT_HEIGHT_M / frame.meters_per_unit
    notes = [
        f"Lateral: {survey.site.name}",
        f"Grid {frame.crs}, coordinates in {frame.unit_words}, grid north is up. Dashed: inferred.",
        reference_words(survey),
        NOT_LOCATED,
        *survey.rules.pit_cautions,
    ]
    lines = [line for words in notes for line in textwrap.wrap(words, _NOTE_COLUMNS)]
    first = low + np.array([step / 2, -1.5 * step])
    for number, line in enumerate(lines):
        _write(space, line, first - np.array([0.0, number * step]), frame, NOTES_LAYER)
    last = first - np.array([0.0, len(lines) * step])
    foot = float(last[1]) - step / 2
    block = [tuple(low), (high[0], low[1]), (high[0], foot), (low[0], foot)]
    space.add_lwpolyline(block, close=True, dxfattribs={"layer": NOTES_LAYER})
    low = np.array([low[0], foot - step])
    _point_north(space, np.array([low[0], high[1]]), step, frame)
    high = high + np.array([0.0, 6 * step])
    # what programs zoom to: the site, the notes under it, the arrow above
    space.reset_extents((*low, 0.0), (*high, 0.0))
    scale = add_sheet(drawing, survey, low, high)
    _write(space, f"Sheet: {scale.words}.", last, frame, NOTES_LAYER)
    width, height = high - low
    drawing.set_modelspace_vport(1.05 * max(height, width / 1.5), (low + high) / 2)


def _point_north(space: Modelspace, foot: Array, step: float, frame: LotFrame) -> None:
    """Draw an arrow along the grid's northing, with its letter above the head."""
    shape = step * np.array([[1, 1], [1, 4], [0.6, 3], [1.4, 3], [1, 4]])
    space.add_lwpolyline(foot + shape, dxfattribs={"layer": NOTES_LAYER})
    _write(space, "N", foot + step * np.array([0.8, 4.2]), frame, NOTES_LAYER)


_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
# sheet, margin and title block in millimeters, whatever the site's units: ANSI B and ISO A3
_SHEETS_MM = {True: (431.8, 279.4), False: (420.0, 297.0)}
_MARGIN_MM = 12.0


def plain_text(text: str) -> str:
    r"""Make a text harmless in a drawing: no control characters, no ``%%`` or caret codes.

    >>> plain_text("50%%d ^J{x}\n")
    '50% %d ^ J{x} '
    """
    return re.sub(r"%(?=%)", "% ", _CONTROL.sub(" ", text)).replace("^", "^ ")


def add_sheet(drawing: Drawing, survey: Survey, low: Array, high: Array) -> Scale:
    """Lay out the drawing's first sheet: a viewport on the site and its title block.

    Parameters
    ----------
    drawing : ezdxf.document.Drawing
        Its model space in the CRS and its unit.
    survey : Survey
        For the units of its site and the unit of its grid.
    low, high : ndarray, shape (2,)
        Corners of what must be seen, grid coordinates in the unit of the CRS.

    Returns
    -------
    Scale
        The largest usual scale at which all of it fits.

    Raises
    ------
    ValueError
        If it fits at no scale.
    """
    site, frame = survey.site, survey.site.frame
    size = _SHEETS_MM[is_imperial(site.units)]
    room = (size[0] - 2 * _MARGIN_MM, size[1] - 2 * _MARGIN_MM)
    on_paper = 0.001 / frame.meters_per_unit  # grid units in a millimeter
    scale = next(
        (
            one
            for one in scales(site.units)
            if all((high - low)[i] <= room[i] * one.ratio * on_paper for i in (0, 1))
        ),
        None,
    )
    if scale is None:
        raise ValueError("the site is too large for any drawing scale")
    sheet = drawing.layouts.get("Layout1")
    assert isinstance(sheet, Paperspace)
    sheet.page_setup(size=size, margins=(0, 0, 0, 0), units="mm")
    sheet.add_viewport(
        center=(size[0] / 2, size[1] / 2),
        size=room,
        view_center_point=tuple((low + high) / 2),
        view_height=room[1] * scale.ratio * on_paper,
    )
    return scale
