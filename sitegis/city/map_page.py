"""``city.html``: all lots on one canvas, offline; quantized outlines in typed arrays.

A lot's outline is kept in decimeters about its own place (16 bits a coordinate), its place in
decimeters about the town's corner (32 bits). About 60 bytes a lot are gathered while the lots are
written in the order of their ids.
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
from .infer import ANSWERS
from .layer_arrays import Shapes, Whole, Words
from .summary import CitySummary, Tally
from .tables import Columns, Tables, from_wkb

SIMPLER_M = 0.4
STOPS = 40
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


class LotsOnMap:
    """What the map shows of every lot, gathered table by table in the order of ids."""

    def __init__(self, corner: Array) -> None:
        self.corner = corner
        self._ids: list[str] = []
        self._columns: dict[str, list[bytes]] = {}
        self._words = {name: _Words() for name in ("k", "check", "main", "street")}
        self._vertices = 0

    def add(self, tables: Tables) -> None:
        """Add some lots, with ``next_check`` and ``taps`` of the same lots; shapes may be WKB."""
        lots = tables["lots"]
        if not len(lots["parcel"]):
            return
        checks = _matched(tables["next_check"], lots["parcel"])
        taps = _matched(tables["taps"], lots["parcel"])
        at, rings, ends = _quantized(_shapes(lots["geometry"]), self.corner)
        # decimeters
        tap, low, high = (
            np.round(10.0 * _column(taps, name, np.nan))
            for name in ("station_m", "low_80_m", "high_80_m")
        )
        answered = lots["answer"] == ANSWERS[0]
        self._ids += lots["parcel"].tolist()
        for name, values, kind in (
            ("at", at, np.int32),
            ("rings", rings, np.int16),
            ("ends", ends + self._vertices, np.uint32),
            # half percents in a byte; 255 is kept for no answer
            ("p", np.where(answered, np.round(200.0 * lots["line_probability"]), NO_ANSWER), "u1"),
            ("e", np.clip(np.nan_to_num(lots["entropy_bits"]) * 80.0, 0, 255), np.uint8),
            ("v", np.clip(_column(checks, "gain_bits", 0.0) * 100.0, 0, 255), np.uint8),
            ("tap", np.where(np.isnan(tap), -1.0, tap), np.int32),
            (
                "around",
                np.clip(np.nan_to_num(np.stack([tap - low, high - tap], 1)), 0, 65535),
                "u2",
            ),
            ("k", self._words["k"].places(lots["kind"]), np.uint32),
            ("check", self._words["check"].places(_column(checks, "check", "")), np.uint32),
            ("main", self._words["main"].places(lots["line"]), np.uint32),
            ("street", self._words["street"].places(lots["front_street"]), np.uint32),
        ):
            packed = np.ascontiguousarray(values).astype(kind).tobytes()
            self._columns.setdefault(name, []).append(packed)
        self._vertices += len(rings)

    def data(self) -> dict[str, Any]:
        """Return what the page's script reads."""
        made: dict[str, Any] = {"ids": "\n".join(self._ids)}
        columns = {name: b"".join(parts) for name, parts in self._columns.items()}
        for name, key in (("k", "kinds"), ("check", "checks"), ("main", "mains"),
                          ("street", "streets")):  # fmt: skip
            made[key], place = self._words[name].in_order()
            index = place[np.frombuffer(columns.get(name, b""), np.uint32)]
            columns[name] = index.astype(np.uint8 if name == "k" else np.uint32).tobytes()
        return made | {name: base64.b64encode(part).decode() for name, part in columns.items()}


class _Words:
    """Different texts, numbered as they come."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def places(self, values: Words) -> Whole:
        """Return the number of each text (n,)."""
        different, inverse = np.unique(values, return_inverse=True)
        numbers = [self._numbers.setdefault(w, len(self._numbers)) for w in different.tolist()]
        return np.array(numbers, np.int64)[inverse]

    def in_order(self) -> tuple[list[str], Whole]:
        """Return the texts sorted, and for each number its place among them."""
        listed = sorted(self._numbers)
        place = np.zeros(len(listed), np.int64)
        place[[self._numbers[word] for word in listed]] = np.arange(len(listed))
        return listed, place


def map_page(
    lots: LotsOnMap,
    tally: Tally,
    summary: CitySummary,
    made: Made,
    notes: list[tuple[str, str, str]],
) -> bytes:
    """Return the page's bytes.

    Parameters
    ----------
    lots
        What it shows of every lot.
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
    data = lots.data() | {"stops": _stops(tally, lots.corner)}
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


def _shapes(shapes: Shapes) -> Shapes:
    """Return shapes (n,), n > 0, that may be WKB."""
    return from_wkb(shapes) if isinstance(shapes[0], bytes) else shapes


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


def _quantized(shapes: Shapes, corner: Array) -> tuple[Whole, Whole, Whole]:
    """Return places (n, 2), outlines about them (v, 2), and where each ends."""
    rings = shapely.get_exterior_ring(shapely.simplify(shapes, SIMPLER_M))
    xy, owner = shapely.get_coordinates(rings, return_index=True)
    last = np.append(owner[1:] != owner[:-1], True) if len(owner) else np.zeros(0, bool)
    xy, owner = xy[~last], owner[~last]  # the first vertex again
    middle = shapely.get_coordinates(shapely.centroid(shapes))
    at = np.round((middle - corner) * 10.0).astype(np.int64)
    # from the place's own rounded value, so that no two roundings add up
    local = np.clip(np.round((xy - corner) * 10.0) - at[owner], -32768, 32767)
    return at, local.astype(np.int64), np.cumsum(np.bincount(owner, minlength=len(shapes)))


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
                        "tells": f"{100.0 * settles / total:.2g} % of what is open ({tells})",
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
