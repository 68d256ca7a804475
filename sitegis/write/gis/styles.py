"""Styles that are stored in a GeoPackage, so that its layers open as they are meant to be seen.

A style is written twice: as QML, which QGIS takes by itself, and as SLD (OGC Symbology Encoding
1.1) for other programs. What is inferred is dashed, what is not is solid; areas are unfilled or
light, so that the order of layers does not hide anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from xml.etree.ElementTree import Element, SubElement, tostring

from ...late_dataclass import dataclass
from ..looks import Look

_DASH_MM = "3;1.6"
_DASH_PIXELS = "10 6"  # SLD counts in pixels of 0.28 mm (OGC 05-077r4, section 11)
_PIXEL_MM = 0.28
_SE = {
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:se": "http://www.opengis.net/se",
    "xmlns:ogc": "http://www.opengis.net/ogc",
    "version": "1.1.0",
}
_SYMBOLS = {"point": "marker", "line": "line", "polygon": "fill"}


@dataclass(frozen=True, slots=True)
class Symbol:
    """The look of the features with one value of an attribute, or of all with ``value`` empty."""

    value: str
    look: Look
    dashed: bool


def style_qml(
    shape: str, symbols: Sequence[Symbol], *, attribute: str, aliases: Mapping[str, str]
) -> str:
    """Return the style of a layer as QML.

    Parameters
    ----------
    shape : str
        ``point``, ``line`` or ``polygon``.
    symbols : sequence of Symbol
        One symbol a value of ``attribute``; a single one serves the whole layer.
    attribute : str
        The attribute that chooses the symbol.
    aliases : mapping of str to str
        What each column is called in a table of attributes.

    Returns
    -------
    str
    """
    label = symbols[0].look.label
    root = Element(
        "qgis",
        version="3.22.16",
        styleCategories="Symbology|Labeling|Fields",
        labelsEnabled=str(int(bool(label))),
    )
    single = len(symbols) == 1
    kind = "singleSymbol" if single else "categorizedSymbol"
    renderer = SubElement(root, "renderer-v2", type=kind, forceraster="0", symbollevels="0")
    if not single:
        renderer.set("attr", attribute)
        categories = SubElement(renderer, "categories")
        for number, one in enumerate(symbols):
            SubElement(
                categories,
                "category",
                value=one.value,
                symbol=str(number),
                label=one.value,
                render="true",
            )
    drawn = SubElement(renderer, "symbols")
    for number, one in enumerate(symbols):
        symbol = SubElement(drawn, "symbol", type=_SYMBOLS[shape], name=str(number), alpha="1")
        _qml_layer(symbol, shape, one)
    if label:
        _qml_label(root, label)
    named = SubElement(root, "aliases")
    for index, (field, alias) in enumerate(aliases.items()):
        SubElement(named, "alias", field=field, index=str(index), name=alias)
    return "<!DOCTYPE qgis>" + tostring(root, encoding="unicode")


def _qml_layer(symbol: Element, shape: str, one: Symbol) -> None:
    """Add the one symbol layer of a symbol."""
    look = one.look
    # QGIS takes 0 to 255, SLD below 0 to 1
    alpha = round(255 * look.opacity) if look.fill else 0
    fill = _rgba(look.fill or look.color, alpha)
    if shape == "line":
        options = {
            "line_color": _rgba(look.color),
            "line_width": f"{look.width_mm}",
            "line_style": "dash" if one.dashed else "solid",
            "use_custom_dash": str(int(one.dashed)),
            "customdash": _DASH_MM,
            "customdash_unit": "MM",
            "capstyle": "flat",
        }
    else:
        options = {
            "color": fill,
            "outline_color": _rgba(look.color),
            "outline_style": "dash" if one.dashed else "solid",
            "outline_width": f"{look.width_mm}",
        }
        options |= (
            {"name": look.marker, "size": "2.6"}
            if shape == "point"
            else {"style": "solid" if look.fill else "no"}
        )
    names = {"point": "SimpleMarker", "line": "SimpleLine", "polygon": "SimpleFill"}
    layer = SubElement(
        symbol, "layer", {"class": names[shape], "enabled": "1", "pass": "0", "locked": "0"}
    )
    listed = SubElement(layer, "Option", type="Map")
    for name, value in options.items():
        SubElement(listed, "Option", type="QString", name=name, value=value)


def _qml_label(root: Element, field: str) -> None:
    """Write an attribute beside each feature, with a white edge."""
    settings = SubElement(SubElement(root, "labeling", type="simple"), "settings")
    text = SubElement(
        settings,
        "text-style",
        fieldName=field,
        isExpression="0",
        fontSize="8",
        textColor="17,17,17,255",
    )
    SubElement(text, "text-buffer", bufferDraw="1", bufferSize="0.8", bufferColor="255,255,255,255")
    SubElement(settings, "rendering", drawLabels="1")


def style_sld(name: str, shape: str, symbols: Sequence[Symbol], *, attribute: str) -> str:
    """Return the style of a layer as SLD 1.1, one rule a symbol; arguments as in :func:`style_qml`.

    Parameters
    ----------
    name : str
        Name of the layer.
    shape, symbols, attribute
        As in :func:`style_qml`.

    Returns
    -------
    str
    """
    root = Element("StyledLayerDescriptor", _SE)
    layer = SubElement(root, "NamedLayer")
    SubElement(layer, "se:Name").text = name
    feature_style = SubElement(SubElement(layer, "UserStyle"), "se:FeatureTypeStyle")
    for one in symbols:
        rule = SubElement(feature_style, "se:Rule")
        SubElement(rule, "se:Name").text = one.value or name
        if one.value:
            equal = SubElement(SubElement(rule, "ogc:Filter"), "ogc:PropertyIsEqualTo")
            SubElement(equal, "ogc:PropertyName").text = attribute
            SubElement(equal, "ogc:Literal").text = one.value
        _sld_symbolizer(rule, shape, one)
    return tostring(root, encoding="unicode")


def _sld_symbolizer(rule: Element, shape: str, one: Symbol) -> None:
    """Add a rule's symbolizer; the parts stand in the order of the schema."""
    if shape == "point":
        graphic = SubElement(SubElement(rule, "se:PointSymbolizer"), "se:Graphic")
        parent = SubElement(graphic, "se:Mark")
        # the standard knows no diamond
        SubElement(parent, "se:WellKnownName").text = (
            "square" if one.look.marker == "diamond" else one.look.marker
        )
    else:
        parent = SubElement(
            rule, "se:LineSymbolizer" if shape == "line" else "se:PolygonSymbolizer"
        )
    if shape != "line" and one.look.fill:
        fill = SubElement(parent, "se:Fill")
        _parameter(fill, "fill", one.look.fill)
        _parameter(fill, "fill-opacity", f"{one.look.opacity}")
    stroke = SubElement(parent, "se:Stroke")
    _parameter(stroke, "stroke", one.look.color)
    _parameter(stroke, "stroke-width", f"{one.look.width_mm / _PIXEL_MM:.2f}")
    if one.dashed:
        _parameter(stroke, "stroke-dasharray", _DASH_PIXELS)
    if shape == "point":
        SubElement(graphic, "se:Size").text = "9"


def _parameter(parent: Element, name: str, value: str) -> None:
    SubElement(parent, "se:SvgParameter", name=name).text = value


def _rgba(color: str, alpha: int = 255) -> str:
    """Write ``#rrggbb`` as QML has it.

    >>> _rgba("#00843d", 128)
    '0,132,61,128'
    """
    return ",".join(str(int(color[at : at + 2], 16)) for at in (1, 3, 5)) + f",{alpha}"
