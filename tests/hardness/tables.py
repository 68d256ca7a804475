"""Mutations of ``locates.csv`` and ``ties.csv``: cells, columns, rows, encodings."""

from __future__ import annotations

import csv
import io
import os
import re
import shutil
from pathlib import Path
from random import Random

NASTY_CELLS = (
    "", " ", "nan", "inf", "-inf", "1e400", "-1", "0", "-0", "1e-300", "9" * 5000, "1e18", "50000",
    "12-4", "1,5", "1.234,56", "١٢", "1'6", "6\"", "3.1m", "3100mm", "1e3ft", "1/0", "1 1/0",
    "1' 13 1/2\"", "true", "None", "#REF!", "=1+1", "=cmd|'/C calc'!A0", "@SUM(A1)", "+1", "-2",
    "<script>alert(1)</script>", "\0", "\x1b[2J", "\u202eabc", "\ufeff", "a:b", "lot",
    "x" * 200_000,
    "é", "½", "3′ 4″", "\n", "a\nb", '"', '"""', "'", ";", "\t", "stack", "cleanout",
    "locate", "bend", "wall", "branch",
    "floor-drain", "0.0", "1000000", "0.3", "18", "360", "-361", "1e2", "0x1F",
    "building:front-left", "lot:rear-right", "basement:origin", "%n%s", "../../x", "L1", "CO1",
)  # fmt: skip


def pick(folder: Path, random: Random) -> Path:
    """Choose one of the tables that are there."""
    names = [n for n in ("locates.csv", "locates.csv", "ties.csv") if (folder / n).is_file()]
    return folder / (random.choice(names) if names else "locates.csv")


def make_plain(path: Path) -> None:
    """Take away what is no ordinary file: writing to a pipe would wait for ever."""
    if os.path.lexists(path) and not (path.is_file() and not path.is_symlink()):
        shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()


def raw_of(path: Path) -> bytes:
    """Return a file's bytes; none where an earlier mutation put a link (to a device, say) there."""
    return path.read_bytes() if path.is_file() and not path.is_symlink() else b""


def rows_of(path: Path) -> list[list[str]]:
    """Read the cells, whatever earlier mutations did."""
    text = raw_of(path).decode("utf-8", "replace")
    try:
        return list(csv.reader(io.StringIO(text)))
    except csv.Error:
        return [line.split(",") for line in text.splitlines()]


def write_rows(path: Path, rows: list[list[str]]) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n", escapechar="\\")
    writer.writerows(rows)
    make_plain(path)
    path.write_bytes(text.getvalue().encode("utf-8", "replace"))


def nudged(text: str, random: Random, spread: float) -> str:
    """Change the numbers in a text by a share of themselves."""

    def changed(found: re.Match[str]) -> str:
        number = float(found[0]) * (1.0 + random.gauss(0.0, spread))
        return f"{abs(number):.3f}" if "." in found[0] else str(round(abs(number)))

    return re.sub(r"\d+(\.\d+)?", changed, text)


def cell_replaced(folder: Path, random: Random) -> None:
    """Put a nasty cell in place of one."""
    rows = rows_of(path := pick(folder, random))
    full = [row for row in rows if row]
    if full:
        row = random.choice(full)
        row[random.randrange(len(row))] = random.choice(NASTY_CELLS)
        write_rows(path, rows)


def column_spoiled(folder: Path, random: Random) -> None:
    """Set, drop, double or rename a whole column."""
    rows = rows_of(path := pick(folder, random))
    if not rows or not rows[0]:
        return
    column, how = random.randrange(len(rows[0])), random.randrange(4)
    value = random.choice(NASTY_CELLS)
    for number, row in enumerate(rows):
        if column < len(row):
            if how == 0 and number:
                row[column] = value
            elif how == 1:
                del row[column]
            elif how == 2:
                row.insert(column, row[column])
    if how == 3:
        rows[0][column] = random.choice((*NASTY_CELLS, "X", "Depth ", "heading", "lift"))
    write_rows(path, rows)


def column_added(folder: Path, random: Random) -> None:
    """Add an optional column with wild numbers."""
    path = folder / "locates.csv"
    rows = rows_of(path)
    if rows:
        name = random.choice(("heading", "depth_lifted", "lift", "null_spacing", "footage"))
        for number, row in enumerate(rows):
            cell = f"{random.uniform(-5, 60):.3g}" if random.random() < 0.8 else ""
            row.append(name if number == 0 else cell)
        write_rows(path, rows)


def columns_lifted(folder: Path, random: Random) -> None:
    """Add second readings and null spacings that contradict the first."""
    rows = rows_of(path := folder / "locates.csv")
    if rows:
        for number, row in enumerate(rows):
            lift = random.uniform(1, 40)
            cells = (f"{random.uniform(5, 80):.1f}", f"{lift:.1f}", f"{random.uniform(1, 90):.1f}")
            row.extend(("depth_lifted", "lift", "null_spacing") if number == 0 else cells)
        write_rows(path, rows)


def numbers_scaled(folder: Path, random: Random) -> None:
    """Scale the bare numbers of a column: the wrong unit, or no size at all."""
    rows = rows_of(path := pick(folder, random))
    if not rows or not rows[0]:
        return
    column = random.randrange(len(rows[0]))
    factor = random.choice(
        (0.0, -1.0, 1e-6, 0.0254, 0.0833, 0.3048, 3.28, 12.0, 39.37, 1000.0, 1e9)
    )
    for row in rows[1:]:
        if column < len(row):
            try:
                row[column] = repr(float(row[column]) * factor)
            except ValueError:
                continue
    write_rows(path, rows)


def rows_moved(folder: Path, random: Random) -> None:
    """Drop, double, shuffle or reverse rows, or keep the heading alone."""
    rows = rows_of(path := pick(folder, random))
    head, body = rows[:1], rows[1:]
    how = random.randrange(6)
    if how == 0:
        body = body[: random.randrange(3)]
    elif how == 1 and body:
        body.append(list(random.choice(body)))
    elif how == 2:
        random.shuffle(body)
    elif how == 3:
        body.reverse()
    elif how == 4 and body:
        del body[random.randrange(len(body))]
    else:
        body = []
    write_rows(path, head + body)


def one_kind_of_mark(folder: Path, random: Random) -> None:
    """Leave one locate only, or make all places equal, or all in one line."""
    rows = rows_of(path := folder / "locates.csv")
    if not rows or not {"x", "y", "kind"} <= set(rows[0]):
        return
    x, y, kind = (rows[0].index(n) for n in ("x", "y", "kind"))
    body = [row for row in rows[1:] if len(row) > max(x, y, kind)]
    how = random.randrange(6)
    located = [row for row in body if row[kind] == "locate"]
    if how == 0:
        body = [r for r in body if r[kind] != "locate"] + located[: random.randrange(3)]
    for number, row in enumerate(located):
        if how == 1:
            row[x], row[y] = located[0][x], located[0][y]
        elif how == 2:
            row[x] = located[0][x]
        elif how == 3:
            row[x], row[y] = repr(1.0 + 1e-9 * number), repr(2.0 + 1e-9 * number)
        elif how == 4:
            row[x], row[y] = row[y], row[x]
        elif how == 5:
            row[kind] = random.choice(("bend", "stack", "cleanout", "branch", "wall", "locate"))
    write_rows(path, rows[:1] + body)


def marks_moved(folder: Path, random: Random) -> None:
    """Scatter places, depths and counts, a little or out of all reason."""
    rows = rows_of(path := folder / "locates.csv")
    spread = random.choice((0.001, 0.05, 0.3, 1.0))
    names = random.choice((("x", "y"), ("depth",), ("footage",), ("x", "y", "depth")))
    for column in (i for i, name in enumerate(rows[0] if rows else ()) if name in names):
        for row in rows[1:]:
            if column < len(row):
                row[column] = nudged(row[column], random, spread)
    write_rows(path, rows)


def rows_many(folder: Path, random: Random) -> None:
    """Repeat a row very often: with its own id, with new ids, or a million times."""
    rows = rows_of(path := pick(folder, random))
    if len(rows) < 2 or not rows[1]:
        return
    count = random.choice((50, 300, 3000, 25_000, 1_000_000))
    line = ",".join(f'"{cell}"'.replace('""', "") for cell in rows[-1][1:]).replace("\n", " ")
    numbered = random.random() < 0.7 or count == 1_000_000
    with path.open("a", encoding="utf-8", errors="replace") as file:
        file.write("\n" + "\n".join(f"Q{n if numbered else 0},{line}" for n in range(count)))


def tied_wildly(folder: Path, random: Random) -> None:
    """Add ties that contradict, repeat, or hang on what is not there."""
    located = rows_of(folder / "locates.csv")
    names = [row[0] for row in located[1:] if row] or ["L1"]
    names += ["building:front-left", "building:rear-right", "lot:front-left", "lot:rear-left"]
    if random.random() < 0.2:
        names.append(random.choice(NASTY_CELLS))
    path = folder / "ties.csv"
    rows = rows_of(path) or [["from", "to", "distance", "sd"]]
    for _ in range(random.choice((1, 3, 30))):
        one, two = random.sample(names, 2) if len(names) > 1 else (names[0], names[0])
        distance = random.choice((0.001, 0.5, 3.0, 12.0, 40.0, 9e4))
        rows.append([one, two, repr(distance), random.choice(("", "1e-9", "0.1", "1000"))])
    write_rows(path, rows)


def separated_otherwise(folder: Path, random: Random) -> None:
    """Save with semicolons and decimal commas, tabs, bars, or quoted throughout."""
    path = pick(folder, random)
    rows = rows_of(path)
    comma = random.random() < 0.5
    if comma:
        rows = [[cell.replace(".", ",") for cell in row] for row in rows]
    text = io.StringIO()
    separator = random.choice((";", "\t", "|", ","))
    csv.writer(
        text,
        delimiter=separator,
        quoting=csv.QUOTE_ALL if comma else csv.QUOTE_MINIMAL,
        escapechar="\\",
    ).writerows(rows)
    make_plain(path)
    path.write_bytes(text.getvalue().encode("utf-8", "replace"))


def saved_otherwise(folder: Path, random: Random) -> None:
    """Save in another encoding, with other or mixed line endings, or with zero bytes."""
    path = pick(folder, random)
    text = raw_of(path).decode("utf-8", "replace")
    encoding = random.choice(
        ("utf-8-sig", "utf-16", "utf-16-be", "latin-1", "cp1252", "utf-32", "cp037", "utf-8")
    )
    if random.random() < 0.5:
        text = "".join(
            line + random.choice(("\n", "\r\n", "\r", "\u2028", "\x0b"))
            for line in text.splitlines()
        )
    if random.random() < 0.2:
        text = text.replace("e", "\0", 3)
    make_plain(path)
    path.write_bytes(text.encode(encoding, "replace"))


def byte_changed(folder: Path, random: Random) -> None:
    """Change some bytes of a table."""
    path = pick(folder, random)
    raw = bytearray(raw_of(path) or b"x")
    for _ in range(random.choice((1, 2, 8))):
        if raw:
            raw[random.randrange(len(raw))] = random.randrange(256)
    make_plain(path)
    path.write_bytes(bytes(raw))


MUTATIONS = (
    cell_replaced, cell_replaced, column_spoiled, column_added, columns_lifted, numbers_scaled,
    rows_moved, one_kind_of_mark, one_kind_of_mark, rows_many, tied_wildly, separated_otherwise,
    saved_otherwise, byte_changed, marks_moved, marks_moved, marks_moved,
)  # fmt: skip
