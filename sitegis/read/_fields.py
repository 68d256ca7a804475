"""Field types of ``site.toml``: lengths in metres, bearings, names.

Lengths are read with the validation context ``{"units": …, "depth_units": …}``.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import Annotated, Literal

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

from .._rules import rule_set_names, soil_types
from .._site import Side
from .._units import LengthUnit
from ._lengths import read_bearing, signed_length


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


def _as_azimuth(value: object) -> float:
    azimuth_deg, magnetic = _as_bearing(value)
    if magnetic:
        raise PydanticCustomError(
            "bearing-magnetic", "A magnetic bearing is only taken in the lot's calls."
        )
    return azimuth_deg


def _as_direction(value: object) -> object:
    """Keep a side's name; read anything else as a bearing."""
    return value if value in ("front", "right", "rear", "left") else _as_azimuth(value)


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


def _one_of(choices: Callable[[], tuple[str, ...]]) -> AfterValidator:
    """Take only words that the package's data name, told as a fixed list of words is."""

    def check(value: str) -> str:
        known = choices()
        if value in known:
            return value
        *first, last = map(repr, known)
        raise PydanticKnownError("literal_error", {"expected": f"{', '.join(first)} or {last}"})

    return AfterValidator(check)


Length = Annotated[float, BeforeValidator(_in_units)]
Extent = Annotated[float, BeforeValidator(_in_units), Field(gt=0)]
Sd = Annotated[float, BeforeValidator(_in_units), Field(gt=0)]
Depth = Annotated[float, BeforeValidator(_in_depth_units)]
Bearing = Annotated[tuple[float, bool], BeforeValidator(_as_bearing)]
Azimuth = Annotated[float, BeforeValidator(_as_azimuth)]
Direction = Annotated[Side | float, BeforeValidator(_as_direction)]
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
Weight = Annotated[float, Field(ge=0.0, le=1e6)]
Money = Annotated[float, Field(ge=0.0, le=1e9)]
RuleSetName = Annotated[str, _one_of(rule_set_names)]
SoilType = Annotated[str, _one_of(soil_types)]
Corner = Literal["front-left", "front-right", "rear-right", "rear-left"]


class Table(BaseModel):
    """A TOML table: nothing unknown in it, nothing that is no number."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
