"""Field types of the input tables: lengths in meters, bearings, names, and how they are asked for.

Lengths are read with the validation context ``{"units": …, "depth_units": …}``.
"""

from __future__ import annotations

import dataclasses
import datetime
import functools
import re
import types
import typing
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import is_dataclass
from typing import Annotated, Any, Literal, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationInfo,
)
from pydantic_core import PydanticCustomError, PydanticKnownError

from ..late_dataclass import dataclass
from ..rules.rule_set import rule_set_names, soil_types
from ..units import LengthUnit
from .lengths import read_bearing, signed_length


def _read_length(value: object, info: ValidationInfo, setting: str) -> float:
    """Read a length whose bare number takes the unit of a setting."""
    unit: LengthUnit = (info.context or {}).get(setting, "ft")
    try:
        return signed_length(value, unit)
    except ValueError as error:
        raise PydanticCustomError("length-unreadable", "{reason}", {"reason": str(error)}) from None


def _in_units(value: object, info: ValidationInfo) -> float:
    return _read_length(value, info, "units")


def _in_depth_units(value: object, info: ValidationInfo) -> float:
    return _read_length(value, info, "depth_units")


def _as_bearing(value: object) -> tuple[float, bool]:
    try:
        return read_bearing(value)
    except ValueError as error:
        raise PydanticCustomError(
            "bearing-unreadable", "{reason}", {"reason": str(error)}
        ) from None


def as_azimuth(value: object) -> float:
    """Read a grid azimuth in degrees; a magnetic bearing is refused."""
    azimuth_deg, magnetic = _as_bearing(value)
    if magnetic:
        raise PydanticCustomError(
            "bearing-magnetic", "A magnetic bearing is only taken in the lot's calls."
        )
    return azimuth_deg


def _as_name(value: object) -> object:
    """Let a name be written as a whole number."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) < 10**18:
        return str(value)
    return value


def _as_date(value: object) -> object:
    """Refuse a bare number, which pydantic would count as seconds since 1970."""
    if isinstance(value, bool | int | float):
        raise PydanticCustomError("date-unreadable", "This is not a date.")
    return value


def _plain(value: str) -> str:
    """Refuse a name that could not be told from a compound one, or not be shown."""
    if ":" in value or not value.isprintable():
        raise PydanticCustomError("name-unfit", "A name may not hold ':' or invisible characters.")
    return value


@dataclass(frozen=True, slots=True)
class OneOf:
    """Take only words that the package's data name, told as a fixed list of words is."""

    choices: Callable[[], tuple[str, ...]]

    def __call__(self, value: str) -> str:
        """Return the word; the error of a literal where it is none of them."""
        known = self.choices()
        if value in known:
            return value
        *first, last = map(repr, known)
        raise PydanticKnownError("literal_error", {"expected": f"{', '.join(first)} or {last}"})


Length = Annotated[float, BeforeValidator(_in_units)]
Extent = Annotated[float, BeforeValidator(_in_units), Field(gt=0)]
Sd = Annotated[float, BeforeValidator(_in_units), Field(gt=0)]
Depth = Annotated[float, BeforeValidator(_in_depth_units)]
Bearing = Annotated[tuple[float, bool], BeforeValidator(_as_bearing)]
Azimuth = Annotated[float, BeforeValidator(as_azimuth)]
Name = Annotated[
    str,
    BeforeValidator(_as_name),
    StringConstraints(min_length=1, max_length=80, strip_whitespace=True),
    AfterValidator(_plain),
]
Text = Annotated[str, StringConstraints(max_length=500, strip_whitespace=True)]
Date = Annotated[datetime.date, BeforeValidator(_as_date)]
Point = tuple[Length, Length]
Reliability = Annotated[float, Field(gt=0.5, lt=1.0)]
Share = Annotated[float, Field(ge=0, le=1)]
Weight = Annotated[float, Field(ge=0.0, le=1e6)]
Money = Annotated[float, Field(ge=0.0, le=1e9)]
RuleSetName = Annotated[str, AfterValidator(OneOf(rule_set_names))]
SoilType = Annotated[str, AfterValidator(OneOf(soil_types))]
Corner = Literal["front-left", "front-right", "rear-right", "rear-left"]
CORNERS: tuple[Corner, ...] = get_args(Corner)


class Table(BaseModel):
    """A TOML table: nothing unknown in it, nothing that is no number."""

    # one check is built, of the whole file when it is read, not one of each table before
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


_UNIT = re.compile(r"_(m|min|rad)$")


def key_of(name: str) -> str:
    """Return the key under which a record's field stands in the input: its name without the unit.

    >>> key_of("footage_m"), key_of("waited_min"), key_of("per_m3")
    ('footage', 'waited', 'per_m3')
    """
    return _UNIT.sub("", name)


RECORD = ConfigDict(extra="forbid", allow_inf_nan=False, alias_generator=key_of)
"""How a frozen dataclass is read as a table: its ``__pydantic_config__``."""


@dataclass(frozen=True, slots=True)
class Ask:
    """How a field is asked for in a blank site: an example, and a hint.

    ``shared`` marks a field that means the same in every table that has it.
    """

    example: str | float | bool | tuple[str, ...] | None = None
    hint: str = ""
    shared: bool = False


@functools.cache
def _hints(table: Any) -> Mapping[str, Any]:
    """Return a class's annotations, evaluated once: dear, asked for at every column, and fixed."""
    return typing.get_type_hints(table, include_extras=True)


def inputs_of(table: Any) -> Mapping[str, Any]:
    """Return what a model or a record may hold, by key: annotations with their metadata."""
    hints = _hints(table)
    if issubclass(table, BaseModel):
        return {name: hints[name] for name in table.model_fields}
    return {key_of(field.name): hints[field.name] for field in dataclasses.fields(table)}


def tables_in(annotation: object) -> Iterator[type]:
    """Find the models and records in an annotation, through tuples, unions and Annotated."""
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        if is_dataclass(annotation) or issubclass(annotation, BaseModel):
            yield annotation
        return
    for inner in typing.get_args(annotation):
        yield from tables_in(inner)


CellKind = Literal[
    "text", "name", "length", "depth", "number", "choice", "yes-no", "date", "bearing", "list"
]
_READERS: Mapping[object, CellKind] = {
    _in_units: "length",
    _in_depth_units: "depth",
    _as_bearing: "bearing",
    as_azimuth: "bearing",
    _as_date: "date",
    _as_name: "name",
}
_TYPES: Mapping[object, CellKind] = {bool: "yes-no", int: "number", float: "number", str: "text"}


def cell_of(annotation: object) -> tuple[CellKind, tuple[str, ...], bool]:
    """Return how a field is written in a cell: its kind, its choices, and whether others may stand.

    >>> cell_of(Corner)[:2]
    ('choice', ('front-left', 'front-right', 'rear-right', 'rear-left'))
    """
    parts = list(_parts(annotation))
    words = tuple(w for p in parts if typing.get_origin(p) is Literal for w in typing.get_args(p))
    words += tuple(w for p in parts if isinstance(p, OneOf) for w in p.choices())
    read = next((_READERS[part] for part in parts if part in _READERS), None)
    plain = next((_TYPES[part] for part in parts if part in _TYPES), None)
    if words:
        return "choice", words, plain not in (None, "text")
    if read is None and any(typing.get_origin(part) is tuple for part in parts):
        return "list", (), False
    return read or plain or "text", (), False


def _parts(annotation: object) -> Iterator[Hashable]:
    """Yield the types in an annotation and the functions that read it, unions opened."""
    if typing.get_origin(annotation) in (Annotated, typing.Union, types.UnionType):
        for inner in typing.get_args(annotation):
            yield from _parts(inner)
    elif isinstance(annotation, BeforeValidator | AfterValidator):
        yield annotation.func
    elif isinstance(annotation, Hashable):
        yield annotation
