"""``city.html``: all lots on one canvas, offline; quantized outlines in typed arrays.

A lot's outline is kept in decimeters about its own place (16 bits a coordinate), its place in
decimeters about the town's corner (32 bits).
"""

from __future__ import annotations

import base64
import html
import json
from importlib import resources
from typing import Any

import numpy as np
import shapely

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from .layer_arrays import Shapes, Whole
from .summary import CitySummary, Tally
from .tables import Columns, Tables

SIMPLER_M = 0.4
STOPS = 40
TABLES = ("lots", "next_check", "taps")
NO_ANSWER = 255


@dataclass(frozen=True, slots=True)
class Made:
    """Where a city's outputs come from: version, date, inputs with their hashes."""

    version: str
    date: str
    inputs: tuple[tuple[str, str], ...]

    def line(self) -> str:
        """Say it in a line."""
        return f"sitegis {self.version} · {self.date} · {len(self.inputs)} input files"


def map_page(
    parts: list[Tables],
    tally: Tally,
    summary: CitySummary,
    made: Made,
    notes: list[tuple[str, str, str]],
) -> bytes:
    """Return the page's bytes from the chunks' tables (of :data:`TABLES`).

    Parameters
    ----------
    parts
        Tables of the chunks.
    tally
        Counts by lot, street and manhole.
    summary
        What the run found, in sums.
    made
        Version, date and inputs of the run.
    notes
        Kind, where and words of each note.

    Returns
    -------
    bytes
        The page in UTF-8.
    """
    lots = _joined(parts, "lots")
    # chunks end in any order: by parcel the page is the same
    order = np.argsort(lots["parcel"], kind="stable")
    lots = {name: values[order] for name, values in lots.items()}
    at, rings, ends, corner = _quantized(lots["geometry"])
    checks = _matched(_joined(parts, "next_check"), lots["parcel"])
    taps = _matched(_joined(parts, "taps"), lots["parcel"])
    kinds, kind = np.unique(lots["kind"], return_inverse=True)
    answered = lots["answer"] == "main on record"
    data: dict[str, Any] = {
        "ids": "\n".join(lots["parcel"].tolist()),
        "kinds": kinds.tolist(),
        "at": _packed(at, np.int32),
        "rings": _packed(rings, np.int16),
        "ends": _packed(ends, np.uint32),
        "k": _packed(kind, np.uint8),
        "p": _packed(
            # half percents in a byte; 255 is kept for no answer
            np.where(answered, np.round(200.0 * lots["line_probability"]), NO_ANSWER),
            np.uint8,
        ),
        "e": _packed(np.clip(np.nan_to_num(lots["entropy_bits"]) * 80.0, 0, 255), np.uint8),
        "v": _packed(np.clip(_column(checks, "gain_bits", 0.0) * 100.0, 0, 255), np.uint8),
        "tap": _packed(
            np.stack(
                [_column(taps, name, np.nan) for name in ("station_m", "low_80_m", "high_80_m")]
                + [np.zeros(len(order))],
                axis=1,
            ),
            np.float32,
        ),
        "stops": _stops(tally, corner),
    }
    for name, key, values in (
        ("check", "checks", _column(checks, "check", "")),
        ("main", "mains", lots["line"]),
        ("street", "streets", lots["front_street"]),
    ):
        words, index = np.unique(values, return_inverse=True)
        data[key], data[name] = words.tolist(), _packed(index, np.uint32)
    text = resources.files("sitegis.city").joinpath("map.html").read_text("utf-8")
    # no "<" in the data: it could end the script element
    body = json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
    for mark, put in (
        ("__TITLE__", html.escape(summary.name)),
        ("__MADE__", made.line()),
        ("__NOTES__", _notes(notes, made)),
        ("__DATA__", body),
    ):
        text = text.replace(mark, put)
    return text.encode()


def _joined(parts: list[Tables], name: str) -> Columns:
    return {
        column: np.concatenate([part[name][column] for part in parts]) for column in parts[0][name]
    }


def _matched(table: Columns, parcels: Any) -> tuple[Columns, Whole]:
    """Return a table and, for each parcel, its row there (-1 none)."""
    order = np.argsort(table["parcel"], kind="stable")
    names = table["parcel"][order]
    place = np.minimum(np.searchsorted(names, parcels), max(len(names) - 1, 0))
    if not len(names):
        return table, np.full(len(parcels), -1, np.int64)
    return table, np.where(names[place] == parcels, order[place], -1)


def _column(matched: tuple[Columns, Whole], name: str, otherwise: Any) -> Any:
    table, row = matched
    if not len(table[name]):
        return np.full(len(row), otherwise)
    return np.where(row >= 0, table[name][row], otherwise)


def _packed(values: Any, kind: Any) -> str:
    return base64.b64encode(np.ascontiguousarray(values).astype(kind).tobytes()).decode()


def _quantized(shapes: Shapes) -> tuple[Whole, Whole, Whole, Array]:
    """Return places (n, 2), outlines about them (v, 2), where each ends, and the town's corner."""
    rings = shapely.get_exterior_ring(shapely.simplify(shapes, SIMPLER_M))
    xy, owner = shapely.get_coordinates(rings, return_index=True)
    last = np.append(owner[1:] != owner[:-1], True) if len(owner) else np.zeros(0, bool)
    xy, owner = xy[~last], owner[~last]  # the first vertex again
    corner = xy.min(axis=0) if len(xy) else np.zeros(2)
    middle = shapely.get_coordinates(shapely.centroid(shapes))
    at = np.round((middle - corner) * 10.0).astype(np.int64)
    # from the place's own rounded value, so that no two roundings add up
    local = np.clip(np.round((xy - corner) * 10.0) - at[owner], -32768, 32767)
    return at, local.astype(np.int64), np.cumsum(np.bincount(owner, minlength=len(shapes))), corner


def _stops(tally: Tally, corner: Array) -> list[dict[str, object]]:
    """List the stops by what one of them settles: a manhole, or one house of a street."""
    layers = tally.layers()
    total = max(tally.open_bits, 1e-9)
    rows = []
    for name, what, each in (
        ("manholes_to_watch", "Watch manhole {} with dye", False),
        ("streets_to_visit", "Look indoors along {}", True),
    ):
        table = layers[name]
        for i in range(min(len(table["name"]), 4 * STOPS)):
            lots = int(table["lots"][i])
            # a house settles its own lot alone: a street's bits are shared among its houses
            settles = float(table["bits"][i]) / (lots if each else 1)
            spot = (np.array([table["geometry"][i].x, table["geometry"][i].y]) - corner) * 10.0
            tells = f"{lots} houses, each a stop" if each else f"{lots} lots"
            rows.append(
                (
                    -round(settles, 9),
                    str(table["name"][i]),
                    {
                        "what": what.format(table["name"][i]),
                        "x": round(float(spot[0])),
                        "y": round(float(spot[1])),
                        "tells": f"{100.0 * settles / total:.2f} % of what is open ({tells})",
                    },
                )
            )
    return [row[2] for row in sorted(rows, key=lambda row: row[:2])[:STOPS]]


def _notes(notes: list[tuple[str, str, str]], made: Made) -> str:
    """Return warnings, assumptions and cautions, and the inputs, as HTML."""
    out = []
    for kind, head in (
        ("warning", "The layers"),
        ("assumption", "Assumed"),
        ("caution", "Cautions"),
    ):
        lines = [f"<li>{html.escape(note)}</li>" for k, _code, note in notes if k == kind]
        if lines:
            out.append(
                f"<details><summary>{head} ({len(lines)})</summary><ul>{''.join(lines)}"
                "</ul></details>"
            )
    rows = "".join(f"<li>{html.escape(name)}: {digest[:16]}…</li>" for name, digest in made.inputs)
    out.append(f"<details><summary>Inputs, SHA-256</summary><ul>{rows}</ul></details>")
    return "".join(out)
