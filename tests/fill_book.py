"""A blank workbook filled in as a user would: what a text folder holds, typed into the sheets."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from openpyxl import load_workbook
from openpyxl.worksheet.worksheet import Worksheet

from sitegis.read import start_site

FIRST_ROW, HEADINGS = 5, 2
SHEETS = {
    "room": "rooms",
    "wall": "walls",
    "street": "streets",
    "main": "mains",
    "evidence": "evidence",
    "fixture": "fixtures",
    "ground": "ground",
}


def as_typed(text: str) -> object:
    """Take a CSV cell as a spreadsheet takes it: a number where it is one."""
    try:
        return float(text) if "." in text else int(text)
    except ValueError:
        return text


def flat(item: dict[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield the values of a table by the heading under which they belong."""
    for key, value in item.items():
        name = f"{prefix}{key}"
        if isinstance(value, dict):
            yield from flat(value, f"{name}.")
        elif isinstance(value, bool):
            yield name, "yes" if value else "no"
        elif key in ("size", "origin"):
            yield from ((f"{name}_x", value[0]), (f"{name}_y", value[1]))
        elif key == "taps":
            yield name, "; ".join(str(tap) for tap in value) or "none"
        else:
            yield name, value


def write_rows(page: Worksheet, rows: list[dict[str, Any]]) -> None:
    """Type rows under the headings of a sheet."""
    columns = {str(cell.value): cell.column for cell in page[HEADINGS]}
    for number, row in enumerate(rows, start=FIRST_ROW):
        for name, value in row.items():
            if value != "":
                page.cell(number, columns[name], value)


@cache
def _blank(units: str) -> dict[str, bytes]:
    """Return the files that a start with a workbook makes, started once for all books."""
    with TemporaryDirectory() as made:
        paths = start_site(Path(made, "site"), units, workbook=True)
        return {path.name: path.read_bytes() for path in paths}


def fill_book(folder: Path, source: Path, units: str = "ft") -> Path:
    """Start a workbook in a folder and type in what a text folder holds; give its path."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in _blank(units).items():
        (folder / name).write_bytes(content)
    path = folder / "fieldbook.xlsx"
    book = load_workbook(path)
    raw: dict[str, Any] = tomllib.loads((source / "site.toml").read_text("utf-8"))
    forms = {key: value for key, value in raw.items() if isinstance(value, dict)}
    values = dict(flat(forms))
    for page in (book["site"], book["settings"]):
        for row in page.iter_rows(min_row=3):
            if row[0].value in values:
                row[1].value = values[str(row[0].value)]
    write_rows(book["calls"], raw["lot"].get("calls", []))
    write_rows(
        book["corners"],
        [dict(zip("xy", pair, strict=True)) for pair in raw["building"].get("corners", [])],
    )
    for table, name in SHEETS.items():
        without = ("manholes", "taps") if table == "main" else ()
        rows = [{k: v for k, v in item.items() if k not in without} for item in raw.get(table, [])]
        write_rows(book[name], [dict(flat(row)) for row in rows])
    for child in ("manholes", "taps"):
        write_rows(
            book[child],
            [
                {"main": main["id"], **item}
                for main in raw.get("main", [])
                for item in main.get(child, [])
            ],
        )
    for table in ("keep_out", "easement"):
        write_rows(
            book[f"{table}s"],
            [
                {k: v for k, v in item.items() if k != "points"} | {"x": x, "y": y}
                for item in raw.get(table, [])
                for x, y in item["points"]
            ],
        )
    for table in ("locates", "ties"):
        if (source / f"{table}.csv").exists():
            with (source / f"{table}.csv").open(encoding="utf-8", newline="") as file:
                write_rows(
                    book[table],
                    [{k: as_typed(v) for k, v in row.items()} for row in csv.DictReader(file)],
                )
    book.save(path)
    return path
