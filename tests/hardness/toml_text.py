"""Mutations of ``site.toml``: as text, and as a tree written back."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from random import Random
from typing import Any

from .tables import nudged

# Raw TOML values; what is no TOML at all is meant.
NASTY_VALUES = (
    "nan", "inf", "-inf", "+nan", "1e400", "-1e400", "1e-320", "0", "-0.0", "-1", "1", "0.001",
    "99999999999999999999", "-99999999999999999999", "9" * 5000, "1e308", "-1e308", "1e18", "5e4",
    "true", "false", "[]", "{}", '""', '" "', '"x"', '"12-4"', '"1,5"', '"0x10"', "0x10", "0o7",
    '"nan"', '"inf"', '"1e999"', '"-3 ft"', "\"12'\"", '"12 in"', '"0 mm"', '"1e5 m"', '"½ in"',
    '"3′ 4″"', '"١٢ m"', '"NaN ft"', "1979-05-27", "1979-05-27T07:32:00Z", "07:32:00",
    '"1979-02-30"', '"../../../etc/passwd"', '"/dev/zero"', '"/vsizip/x.zip"', '"http://x/y.gpkg"',
    '"EPSG:4326"', '"EPSG:3857"', '"EPSG:999999"', '"EPSG:4978"', '"EPSG:5703"', '"+proj=longlat"',
    '"+proj=utm +zone=16"', '"+init=epsg:3435"', '"EPSG:2154"', '"EPSG:3031"', '"EPSG:32661"',
    '"front"', '"rear"', '"left"', '"right"', '"alley"', '"street"', '"lot"', '"unlisted"',
    '"MH-1"', '"front-main"', '"CO1"', '"L1"', '"\\u0000"', '"\\u202Eabc"', '"\\uFEFF"', '"a:b"',
    '"<script>alert(1)</script>"', '"=cmd|\'/C calc\'!A0"', '"N 45°30\'15\\" E"', '"mag N 45 E"',
    "{front=1}", "[1,2]", "[[1,2],[3,4]]", "[[0,0],[0,0],[0,0]]", "[[1,2],[1,2],[1,2],[1,2]]",
    "[[0,0],[10,10],[10,0],[0,10]]", '["a","b"]', "[" * 300 + "]" * 300,
    "{a=" * 200 + "1" + "}" * 200,
    '"' + "x" * 100_000 + '"', "[" + "1," * 20_000 + "]", "'''a\nb'''", '"FILL ME IN"',
    "nul", "=", "#",
)  # fmt: skip
NASTY_TEXT = (
    "\0", "\x1b[31m", "\u202e", "\ufeff", "\r", "\t", "\n", '"', "'", '"""', "[", "]", "[[", "]]",
    "{", "}", "=", ",", "#", "\\", "é", "½", "𝔘", "\ud7ff", "[site]", "[[room]]", "[lot]",
    "a.b.c=1",     "[a.b.c.d.e.f]", "[[main]]", "\u2028", "\x7f", "\x85",
)  # fmt: skip


def read(folder: Path) -> str:
    """Return the text, also where an earlier mutation spoiled its bytes."""
    return (folder / "site.toml").read_bytes().decode("utf-8", "replace")


def write(folder: Path, text: str) -> None:
    (folder / "site.toml").write_bytes(text.encode("utf-8", "surrogatepass"))


def tree(folder: Path) -> dict[str, Any] | None:
    """Parse the text; None where an earlier mutation broke it or nested it too deep."""
    text = read(folder)
    if "a.a.a.a.a.a.a.a" in text:
        return None  # the parser's time grows with the square of such a key's parts
    try:
        value = tomllib.loads(text)
        dump(value)
    except (ValueError, RecursionError):
        return None
    return value


class Raw(str):
    """A piece of TOML to be written as it stands."""

    __slots__ = ()


def dump(value: Any) -> str:
    """Write a value as inline TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {dump(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(dump, value)) + "]"
    if isinstance(value, str):
        return str(value) if isinstance(value, Raw) else json.dumps(value)
    return repr(value) if isinstance(value, int | float) else str(value.isoformat())


def write_tree(folder: Path, value: dict[str, Any]) -> None:
    write(folder, "\n".join(f"{json.dumps(k)} = {dump(v)}" for k, v in value.items()) + "\n")


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """List the paths of all keys and items."""
    found: list[tuple[Any, ...]] = []
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, child in items:
        found.append((*path, key))
        if isinstance(child, dict | list):
            found += places(child, (*path, key))
    return found


def holder(value: Any, path: tuple[Any, ...]) -> Any:
    for key in path[:-1]:
        value = value[key]
    return value


def leaf_value(folder: Path, random: Random) -> None:
    """Put a nasty value in place of one value anywhere in the tree."""
    value = tree(folder)
    if value:
        path = random.choice(places(value))
        holder(value, path)[path[-1]] = Raw(random.choice(NASTY_VALUES))
        write_tree(folder, value)


def leaf_scaled(folder: Path, random: Random) -> None:
    """Multiply a number, or the numbers in a text, by a wild factor."""
    value = tree(folder)
    leaves = [p for p in places(value or {}) if type(holder(value, p)[p[-1]]) in (int, float)]
    if leaves:
        path = random.choice(leaves)
        factor = random.choice((-1.0, 0.0, 1e-9, 1e-3, 0.3048, 12.0, 25.4, 1e3, 1e9))
        holder(value, path)[path[-1]] *= factor
        write_tree(folder, value)


def leaves_nudged(folder: Path, random: Random) -> None:
    """Change many numbers, also those in texts, by a share of themselves."""
    value = tree(folder)
    share, spread = random.choice((0.05, 0.3, 1.0)), random.choice((0.01, 0.2, 1.0))
    for path in places(value or {}):
        owner = holder(value, path)
        old = owner[path[-1]]
        if type(old) is float and random.random() < share:
            owner[path[-1]] = old * (1.0 + random.gauss(0.0, spread))
        elif isinstance(old, str) and old[:1].isdigit() and random.random() < share:
            owner[path[-1]] = nudged(old, random, spread)
    if value:
        write_tree(folder, value)


def leaf_dropped(folder: Path, random: Random) -> None:
    """Take one key or item out."""
    value = tree(folder)
    if value:
        path = random.choice(places(value))
        del holder(value, path)[path[-1]]
        write_tree(folder, value)


def leaf_swapped(folder: Path, random: Random) -> None:
    """Exchange two values anywhere in the tree."""
    value = tree(folder)
    if value:
        one, two = (random.choice(places(value)) for _ in range(2))
        if one != two[: len(one)] and two != one[: len(two)]:
            a, b = holder(value, one), holder(value, two)
            a[one[-1]], b[two[-1]] = b[two[-1]], a[one[-1]]
            write_tree(folder, value)


def item_doubled(folder: Path, random: Random) -> None:
    """Repeat an item of a list, a few times or very often."""
    value = tree(folder)
    lists = [p for p in places(value or {}) if isinstance(holder(value, p)[p[-1]], list)]
    lists = [p for p in lists if holder(value, p)[p[-1]]]
    if lists:
        items = holder(value, path := random.choice(lists))[path[-1]]
        items += [random.choice(items)] * random.choice((1, 1, 3, 1200))
        write_tree(folder, value)


def key_renamed(folder: Path, random: Random) -> None:
    """Misspell a key, or give it a name of no language."""
    value = tree(folder)
    keys = [p for p in places(value or {}) if isinstance(p[-1], str)]
    if keys:
        path = random.choice(keys)
        owner = holder(value, path)
        new = random.choice((path[-1][:-1], path[-1].upper(), path[-1] + "s", "", "é", "a.b", "\n"))
        owner[new] = owner.pop(path[-1])
        write_tree(folder, value)


def text_inserted(folder: Path, random: Random) -> None:
    """Insert a nasty text at any place."""
    text = read(folder)
    at = random.randrange(len(text) + 1)
    write(folder, text[:at] + random.choice(NASTY_TEXT) + text[at:])


def text_cut(folder: Path, random: Random) -> None:
    """Cut the text short, or a piece out of it."""
    text = read(folder)
    a, b = sorted(random.randrange(len(text) + 1) for _ in range(2))
    write(folder, random.choice((text[:a], text[:a] + text[b:], text[a:])))


def line_moved(folder: Path, random: Random) -> None:
    """Move, double or drop a line."""
    lines = read(folder).splitlines()
    if lines:
        line = lines.pop(random.randrange(len(lines)))
        for _ in range(random.choice((0, 1, 2))):
            lines.insert(random.randrange(len(lines) + 1), line)
        write(folder, "\n".join(lines))


def nested_deep(folder: Path, random: Random) -> None:
    """Nest arrays, inline tables or dotted keys very deep."""
    depth = random.choice((50, 500, 5000, 50_000))
    text = random.choice(
        (
            "x = " + "[" * depth + "]" * depth,
            "x = " + "{a=" * depth + "1" + "}" * depth,
            ".".join(["a"] * depth) + " = 1",
            "[" + ".".join(["a"] * depth) + "]\n",
            "seed = " + "9" * depth,
        )
    )
    write(folder, random.choice((text + "\n" + read(folder), read(folder) + "\n" + text)))


def text_encoded(folder: Path, random: Random) -> None:
    """Save in another encoding or with other line endings."""
    text = read(folder)
    encoding = random.choice(("utf-16", "utf-16-le", "utf-32", "utf-8-sig", "cp1252", "utf-7"))
    if random.random() < 0.4:
        text = text.replace("\n", random.choice(("\r\n", "\r", "\u2028", "\n\r")))
        encoding = "utf-8"
    (folder / "site.toml").write_bytes(text.encode(encoding, "replace"))


MUTATIONS = (
    leaf_value, leaf_scaled, leaves_nudged, leaves_nudged, leaves_nudged,
    leaf_dropped, leaf_swapped, item_doubled, key_renamed, text_inserted,
    text_cut, line_moved, nested_deep, text_encoded,
)  # fmt: skip
