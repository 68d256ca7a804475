"""The few questions that a first answer needs, and a blank site filled in with the answers."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import field
from pathlib import Path
from typing import Literal

from ..late_dataclass import dataclass
from ..messages.errors import CannotWrite
from ..model.fields import CORNERS
from ..model.site import POINT_KINDS
from ..units import LengthUnit, parse_bearing, parse_length
from .file_names import LOCATES_FILE, SITE_FILE

Kind = Literal["text", "length", "depth", "bearing", "degrees"]
SIDES = ("front", "rear", "left", "right")
END, BLANK = "end", "FILL ME IN"
RUNS = re.compile(r"(?m)^# -+ runs$")


@dataclass(frozen=True, slots=True)
class Question:
    """One question: the key of ``site.toml`` it answers, its words, what kind of answer it takes.

    ``{side}`` in the words is the side of the lot that is asked about. An answer may be left out
    where it is ``optional``; ``check`` then says what that costs, or asks for it.
    """

    key: str
    words: str
    kind: Kind = "length"
    optional: bool = False
    choices: tuple[str, ...] = ()


SITE = (
    Question("site.name", "Name of the job", "text"),
    Question("site.rule_set", "Plumbing code that governs", "text"),
)
LOT = (
    Question("lot.sides.front", "Lot: length of the front line, on the street the house faces"),
    Question("lot.sides.right", "Lot: length of the right side, seen from that street"),
    Question("lot.sides.rear", "Lot: length of the rear line"),
    Question("lot.sides.left", "Lot: length of the left side"),
    Question("lot.latitude", "Front-left lot corner: latitude on your phone, as in 41.20012",
             "degrees"),
    Question("lot.longitude", "Front-left lot corner: longitude, west is negative, as in -87.50034",
             "degrees"),
    Question("lot.front_azimuth", "Stand on the front-left lot corner and look along the front "
             "line: the phone's compass, set to true north, as in 78 or N 78 E", "bearing"),
)  # fmt: skip
BUILDING = (
    Question("building.setbacks.front", "House: front wall to the front lot line"),
    Question("building.setbacks.left", "House: left wall to the left lot line"),
    Question("building.width", "House: outside width along the front"),
    Question("building.depth", "House: outside depth, front to rear"),
    Question("building.wall_thickness", "Thickness of the basement wall"),
    Question("site.ground_above_slab", "Yard at the house above the basement floor", optional=True),
)
ROOM = (
    Question("room.name", "Room in which the points are: its name", "text"),
    Question(
        "room.corner",
        "Inside corner you tape from: the one at which corner of the house",
        "text",
        choices=CORNERS,
    ),
)
STREET = (
    Question("name", "{side}: name of the street or alley there (empty: there is none)", "text",
             optional=True),
    Question("kind", "{side}: street or alley", "text", choices=("street", "alley")),
    Question("offset", "{side}: from the lot line out to the sewer main in it (empty: no sewer)",
             optional=True),
    Question("depth", "{side}: depth of that main's invert below the street", "depth",
             optional=True),
)  # fmt: skip
POINT = (
    Question("kind", "{point}: what is it", "text", choices=(*POINT_KINDS, END)),
    Question("x", "{point}: x, along the wall on your right hand, your back in that corner"),
    Question("y", "{point}: y, along the wall on your left hand"),
    Question("depth", "{point}: depth, as the locator shows it", "depth", optional=True),
    Question("footage", "{point}: footage of the cable", optional=True),
)


@dataclass(slots=True)
class Answers:
    """What was answered so far, as typed: ``values`` by key, one dict a street, one a point."""

    values: dict[str, str] = field(default_factory=dict)
    streets: list[dict[str, str]] = field(default_factory=list)
    points: list[dict[str, str]] = field(default_factory=list)


def understood(question: Question, typed: str, unit: LengthUnit, depth_unit: LengthUnit) -> str:
    """Return an answer without blanks around it; raises ``ValueError`` with what is wrong.

    Parameters
    ----------
    question
        What was asked.
    typed
        What was typed.
    unit
        Unit of a bare length.
    depth_unit
        Unit of a bare depth.

    Returns
    -------
    str
        The answer.

    Raises
    ------
    ValueError
        The answer cannot be taken, with what is wrong.
    """
    answer = typed.strip()
    readers: dict[Kind, Callable[[], object]] = {
        "length": lambda: parse_length(answer, unit),
        "depth": lambda: parse_length(answer, depth_unit),
        "bearing": lambda: parse_bearing(answer),
        "degrees": lambda: float(answer),
        "text": lambda: answer,
    }
    if not answer:
        if question.optional:
            return ""
        raise ValueError("an answer is needed here")
    if question.choices and answer not in question.choices:
        raise ValueError(f"{answer!r} is none of: {', '.join(question.choices)}")
    # read to see whether it can be: what is kept is what was typed
    readers[question.kind]()
    return answer


def fill_folder(directory: Path, answers: Answers) -> None:
    """Fill the answers into the blank ``site.toml`` and ``locates.csv`` of a folder.

    Raises ``CannotWrite`` where they cannot be written.

    Parameters
    ----------
    directory
        The site folder.
    answers
        What was answered.

    Raises
    ------
    CannotWrite
        A file cannot be written.
    """
    try:
        for name, fill in ((SITE_FILE, fill_site), (LOCATES_FILE, fill_locates)):
            path = directory / name
            path.write_bytes(fill(path.read_text("utf-8"), answers).encode())
    except OSError as error:
        raise CannotWrite(f"The answers cannot be written to {directory} ({error}).") from error


def fill_site(blank: str, answers: Answers) -> str:
    """Return the blank ``site.toml`` with the answers in it; what was not answered stays blank.

    Parameters
    ----------
    blank
        The blank file.
    answers
        What was answered.

    Returns
    -------
    str
        The filled text.
    """
    values = answers.values
    tables = {key: _toml(text) for key, text in values.items() if text}
    for key in ("lot.latitude", "lot.longitude"):
        if key in tables:
            # numbers of TOML, not texts: latitude and longitude stand bare
            tables[key] = repr(float(values[key]))
    tables["lot.sides"] = _sides(values, "lot.sides", ("front", "right", "rear", "left"))
    tables["building.setbacks"] = _sides(values, "building.setbacks", ("front", "left"))
    # the blank file has one street and main: the first fills them, others are added below
    front, *others = answers.streets or [{}]
    if front:
        tables |= {f"street.{key}": _toml(front[key]) for key in ("name", "kind")}
        given = {"street": front["name"], "offset": front["offset"], "depth": front.get("depth")}
        tables |= {f"main.{key}": _toml(text) for key, text in given.items() if text}
    text = "\n".join(_filled(blank.split("\n"), tables))
    # a street without a sewer: the blank main is commented out
    if front and not front.get("offset"):
        text = re.sub(r'(?m)^(\[\[main\]\]|id = "front-main"|street = ".*)', r"# \1", text, count=3)
    blocks = "".join(_street(street) for street in others)
    return RUNS.sub(lambda found: f"{blocks}{found[0]}", text, count=1)


def fill_locates(blank: str, answers: Answers) -> str:
    """Return the blank ``locates.csv`` with a row a point.

    Parameters
    ----------
    blank
        The blank file.
    answers
        What was answered.

    Returns
    -------
    str
        The filled text.
    """
    file = io.StringIO()
    writer = csv.DictWriter(file, blank.strip().split(","), lineterminator="\n", restval="")
    for point in answers.points:
        writer.writerow({"room": "R1", "surface": "slab"} | point)
    return blank + file.getvalue()


def _sides(values: dict[str, str], table: str, sides: tuple[str, ...]) -> str:
    """Write the lengths of some sides as an inline table of TOML."""
    known = [f"{side} = {_toml(values.get(f'{table}.{side}', BLANK))}" for side in sides]
    return "{ " + ", ".join(known) + " }"


def _filled(lines: list[str], tables: dict[str, str]) -> Iterator[str]:
    """Put each value at its key in its table, its comment beside it, the key's ``#`` away."""
    left, table = dict(tables), ""
    for line in lines:
        head = re.match(r"(# )?\[\[?(\w+)\]\]?", line)
        # a commented table is an example: its keys belong to none
        if head:
            table = "" if head[1] else head[2]
        found = re.match(r"(?:# )?(\w+) = .*?(\s+#.*)?$", line)
        key = f"{table}.{found[1]}" if found else ""
        yield f"{found[1]} = {left.pop(key)}{found[2] or ''}" if found and key in left else line


def _street(street: dict[str, str]) -> str:
    """Write a street and the main in it as tables of ``site.toml``."""
    lines = [
        "[[street]]",
        f"name = {_toml(street['name'])}",
        f'side = "{street["side"]}"',
        f'kind = "{street["kind"]}"',
        "",
    ]
    if street.get("offset"):
        lines += ["[[main]]", f'id = "{street["side"]}-main"', f"street = {_toml(street['name'])}"]
        lines += [f"{key} = {_toml(street[key])}" for key in ("offset", "depth") if street.get(key)]
        lines += [""]
    return "\n".join(lines) + "\n"


def _toml(text: str) -> str:
    """Write a text as a basic string of TOML, whose escapes are those of JSON."""
    return json.dumps(text, ensure_ascii=False)
