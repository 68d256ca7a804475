"""How a city's layers look when a GIS opens them, and what is told of each and of its columns."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np

from ..write.attributes import attribute_table, column_title
from ..write.gis.styles import Symbol, style_qml, style_sld
from ..write.gis.tables import LayerTable, describe_layers
from ..write.looks import BROWN, GRAY, INK, PROPOSED, SEWER, VIOLET, Look
from .infer import ANSWERS
from .layer_arrays import Words
from .tables import Columns

SURE, RATHER_SURE = 0.95, 0.80
CERTAINTY = ("95 % or more", "80 to 95 %", "below 80 %", *ANSWERS[1:])
# Light to dark as sure, gray without an answer; the colors of the page's map and summary.
_FILLS = ("#1b6d63", "#8fbf97", "#f0a35a", "#b9bcc2", "#8a8377")
_LOTS = tuple(
    Symbol(value, Look(GRAY, fill, 0.55, 0.2, label="parcel"), dashed=False)
    for value, fill in zip(CERTAINTY, _FILLS, strict=True)
)


def _one(look: Look, *, dashed: bool = False) -> tuple[Symbol, ...]:
    return (Symbol("", look, dashed=dashed),)


# Layer: its shape, the attribute that chooses the symbol, and its symbols.
_LAYERS: dict[str, tuple[str, str, tuple[Symbol, ...]]] = {
    "lots": ("polygon", "certainty", _LOTS),
    "lot_lines": ("line", "side", (
        Symbol("front", Look(INK, width_mm=0.7), dashed=False),
        *(Symbol(side, Look(GRAY, width_mm=0.25), dashed=False)
          for side in ("right", "rear", "left")),
    )),
    "routes": ("line", "", _one(Look(SEWER, width_mm=0.5), dashed=True)),
    "corridors": ("multipolygon", "", _one(Look(SEWER, SEWER, 0.12, 0.2), dashed=True)),
    "taps": ("point", "", _one(Look(SEWER, PROPOSED, width_mm=0.4), dashed=True)),
    "exits": ("point", "", _one(Look(SEWER, PROPOSED, marker="diamond", width_mm=0.4),
                                dashed=True)),
    "next_check": ("point", "", _one(Look(VIOLET, PROPOSED, width_mm=0.3))),
    "flags": ("point", "", _one(Look(BROWN, PROPOSED, marker="triangle", width_mm=0.4))),
    "failures": ("point", "", _one(Look(BROWN, BROWN, marker="triangle", label="code"))),
    "manholes_to_watch": ("point", "", _one(Look(VIOLET, VIOLET, label="name"))),
    "streets_to_visit": ("point", "", _one(Look(VIOLET, PROPOSED, marker="square",
                                                label="name"))),
    "data_faults": ("point", "", _one(Look(BROWN, PROPOSED, marker="diamond", label="feature"))),
}  # fmt: skip
_INFERRED = {"lots", "routes", "corridors", "taps", "exits"}


_GEOMETRY = {"point": "Point", "line": "LineString", "polygon": "Polygon",
             "multipolygon": "MultiPolygon"}  # fmt: skip


def geometry_type(layer: str) -> str:
    """Name the one type of a layer's shapes; "Unknown" where it has none."""
    return _GEOMETRY[_LAYERS[layer][0]] if layer in _LAYERS else "Unknown"


def certainty(lots: Columns) -> Words:
    """Return the class (n,) of each lot's answer, one of ``CERTAINTY``: the map's colors."""
    share, answer = np.round(lots["line_probability"], 6), lots["answer"]
    classes = np.array(CERTAINTY)[np.where(share >= SURE, 0, np.where(share >= RATHER_SURE, 1, 2))]
    return np.asarray(np.where(answer == ANSWERS[0], classes, answer))


def describe_city(path: Path, columns: dict[str, list[str]], date: str) -> None:
    """Store styles, titles and meanings in a city's GeoPackage that holds its layers.

    ``columns`` names each layer's attributes; ``date`` as in ``describe_layers``.

    Parameters
    ----------
    path
        The GeoPackage.
    columns
        Attributes of each layer.
    date
        Date of the run.
    """
    layers = [_described(name, columns[name]) for name in _LAYERS]
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = OFF")
        database.execute("BEGIN")
        describe_layers(database, layers, date=date)
        database.execute("COMMIT")


def _described(layer: str, columns: list[str]) -> LayerTable:
    """Put together what is told of one layer."""
    attributes = attribute_table()
    shape, attribute, symbols = _LAYERS[layer]
    shape = shape.removeprefix("multi")
    meanings = {name: (column_title(name), attributes[layer, name].meaning) for name in columns}
    aliases = {name: title for name, (title, _meaning) in meanings.items()}
    inferred = layer in _INFERRED
    return LayerTable(
        layer,
        f"{layer} (inferred, not located)" if inferred else layer,
        f"{attributes[layer, ''].meaning}. Inferred from records, never a locate.",
        style_qml(shape, symbols, attribute=attribute, aliases=aliases),
        style_sld(layer, shape, symbols, attribute=attribute),
        meanings,
    )
