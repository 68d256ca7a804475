"""Street names and addresses in many notations, brought to one; how well an address fits a street.

No address library fits: those for one country label words by statistics trained on whole
addresses, so that a street's name alone ("Avenue B", "St Mary's Road") is misread, and none brings
"Street" and "St" to one. What is needed is small: a number in front, a unit behind, a direction, a
type. Postal abbreviations are common practice (USPS Publication 28, from memory).
"""

from __future__ import annotations

import re
from functools import lru_cache

from ..late_dataclass import dataclass

# Judgment, no source: an address names another street than the one its lot fronts, or a blunder.
ADDRESS_BLUNDER = 0.04
PARTLY = 0.3

TYPES = {
    word: short
    for short, words in {
        "aly": "alley ally aly", "ave": "avenue ave av aven avn", "blvd": "boulevard blvd boul",
        "byp": "bypass byp", "cir": "circle cir circ crcl", "cl": "close cl",
        "ct": "court ct crt", "cres": "crescent cres crsnt", "cv": "cove cv", "dr": "drive dr drv",
        "expy": "expressway expy", "gdns": "gardens gdns", "grn": "green grn", "hts": "heights hts",
        "hwy": "highway hwy hiway", "ldg": "landing ldg", "ln": "lane ln la", "loop": "loop loops",
        "mnr": "manor mnr", "mews": "mews", "pass": "pass", "path": "path", "pike": "pike",
        "pkwy": "parkway pkwy pky parkwy", "pl": "place pl", "plz": "plaza plz",
        "pt": "point pt", "rd": "road rd", "rdg": "ridge rdg", "row": "row", "rte": "route rte rt",
        "run": "run", "sq": "square sq", "st": "street st str strt", "ter": "terrace ter terr",
        "trl": "trail trl tr", "way": "way wy", "walk": "walk wlk", "xing": "crossing xing",
    }.items()
    for word in words.split()
}  # fmt: skip
TOWARD = {
    word: short
    for short, words in {
        "n": "n north no", "s": "s south so", "e": "e east", "w": "w west",
        "ne": "ne northeast", "nw": "nw northwest", "se": "se southeast", "sw": "sw southwest",
    }.items()
    for word in words.split()
}  # fmt: skip
_TO_TWELVE = tuple(
    "first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth".split()
)
ORDINALS = {word: str(i + 1) for i, word in enumerate(_TO_TWELVE)}
_NUMBER = re.compile(r"\d+[a-z]?(-?[a-z0-9]+)?")
_UNIT = {"apt", "apartment", "unit", "suite", "ste", "bldg", "floor", "fl", "rm", "lot", "#",
         "rear"}  # fmt: skip
# What stands for no address, a unit or a second number before the street's, and a ZIP code.
_NOWHERE = re.compile(r"(n/?a|none|null|unknown|unassigned|tbd|(0 )?no address.*|p ?o box\b.*)")
_BEFORE = re.compile(
    r"^(?:#|lot |unit |apt |suite )\s*\w+\s+(?=\d)|(?<=\d)\s*(?:&|and)\s*\d+(?=\s)"
)
_ZIP = re.compile(r"(?<=\w)\s+\d{5}(-\d{4})?$")


@dataclass(frozen=True, slots=True)
class StreetName:
    """A street's own name, its type and direction in short form; "" where there is none."""

    name: str
    kind: str
    toward: str


@lru_cache(maxsize=200_000)
def street_name(text: str) -> StreetName:
    """Read a street's name, or the street of an address.

    >>> street_name("1204 North Oak Street, Unit 5") == street_name("N. OAK ST")
    True
    >>> street_name("12 Third Ave"), street_name("St Mary's Rd").name
    (StreetName(name='3', kind='ave', toward=''), 'saint marys')
    """
    plain = re.sub(r"[.'’`]", "", text.split(",", maxsplit=1)[0].casefold()).strip()
    if _NOWHERE.fullmatch(plain):
        return StreetName("", "", "")
    plain = _BEFORE.sub("", plain)
    plain = _ZIP.sub("", plain) if plain[:1].isdigit() else plain
    plain = plain.replace("#", " # ")
    words = re.sub(r"[^\w#/-]+", " ", plain).split()
    for i, word in enumerate(words):
        if i > 1 and word in _UNIT:
            words = words[:i]
            break
    words = _without_number(words)
    toward = kind = ""
    if len(words) > 1 and words[-1] in TOWARD and not _are_types(words[:-1]):
        toward, words = TOWARD[words[-1]], words[:-1]
    if len(words) > 1 and words[0] in TOWARD and not _are_types(words[1:]):
        toward, words = toward or TOWARD[words[0]], words[1:]
    if len(words) > 1 and words[-1] in TYPES:
        kind, words = TYPES[words[-1]], words[:-1]
    elif len(words) > 1 and TYPES.get(words[0], "st") != "st":
        kind, words = TYPES[words[0]], words[1:]
    return StreetName(" ".join(_plain_word(i, word) for i, word in enumerate(words)), kind, toward)


def _without_number(words: list[str]) -> list[str]:
    """Take the house's number off, if a name is left behind it."""
    rest = words[1:]
    if len(rest) > 1 and re.fullmatch(r"\d/\d", rest[0]):
        rest = rest[1:]
    name = [word for word in rest if word not in TYPES and word not in TOWARD]
    is_number = bool(words) and _NUMBER.fullmatch(words[0]) is not None
    ordinal = bool(words) and re.fullmatch(r"\d+(st|nd|rd|th)", words[0]) is not None
    # "12 Street" is a name, "4 West Avenue" a number before one
    named = bool(rest) and (bool(name) or rest[0] not in TYPES)
    return rest if is_number and not ordinal and named else words


def _are_types(words: list[str]) -> bool:
    return all(word in TYPES for word in words)


def _plain_word(place: int, word: str) -> str:
    """Bring ordinals to numbers and St before a name to Saint."""
    if place == 0 and word in ("st", "ste"):
        return "saint"
    ordinal = re.fullmatch(r"(\d+)(st|nd|rd|th)", word)
    return ordinal[1] if ordinal else ORDINALS.get(word, word.replace("-", " "))


def agreement(address: str, street: str) -> float:
    """Return how well an address fits a street: 1, 0.3 where type or direction differ, or 0.

    Parameters
    ----------
    address
        Address of the lot.
    street
        Name of the street.

    Returns
    -------
    float
        1, 0.3 or 0.
    """
    one, other = street_name(address), street_name(street)
    if not one.name or one.name != other.name:
        return 0.0
    kinds = bool(one.kind and other.kind and one.kind != other.kind)
    toward = bool(one.toward and other.toward and one.toward != other.toward)
    return PARTLY if kinds or toward else 1.0


def likelihood(fit: float) -> float:
    """Return how likely such an address is if the lot fronts the street; a blunder has 4 %."""
    return ADDRESS_BLUNDER + (1.0 - ADDRESS_BLUNDER) * fit
