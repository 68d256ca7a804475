"""Numbers as they may stand in JSON: finite, rounded, no minus zero; the one date of an output."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from ..numerics.ordering import decimals

LENGTH_DIGITS = 4
"""Decimals of a written length: 0.1 mm, which no tape means."""
_LENGTHS = ("_m", "_m2", "_m3")
_SHAPES = frozenset({"ring", "path", "slab_opening", "sloped_ring", "spoil_setback_ring"})


def finite(value: float | None, digits: int = 6) -> float | None:
    """Round a number for JSON; None where it is missing, infinite or not a number.

    Parameters
    ----------
    value
        The number.
    digits
        Decimals that are kept.

    Returns
    -------
    float | None
        The rounded number, None where there is none.

    Examples
    --------
    >>> finite(-0.00000001), finite(float("inf")), finite(2.5)
    (0.0, None, 2.5)
    """
    # JSON has no infinity and no NaN
    if value is None or not math.isfinite(value):
        return None
    return float(decimals(value, digits))


def members_of(record: object, names: str) -> dict[str, Any]:
    """Return some members of a record under their own names, its numbers as JSON takes them.

    Parameters
    ----------
    record
        The record.
    names
        Names with blanks between, in their order in the output.

    Returns
    -------
    dict[str, Any]
        Members by name.

    Examples
    --------
    >>> members_of(complex(1.23456789, float("inf")), "real imag")
    {'real': 1.234568, 'imag': None}
    """
    values = ((name, getattr(record, name)) for name in names.split())
    return {name: finite(value) if isinstance(value, float) else value for name, value in values}


def by_unit(value: Any, name: str = "") -> Any:
    """Round the lengths within a tree of names and values to what they mean; pass the rest.

    A length is what stands, itself or in a list, under a name that ends in ``_m``, ``_m2``,
    ``_m3``, or is a shape's.

    Parameters
    ----------
    value
        A number, list or mapping.
    name
        Name that it stands under.

    Returns
    -------
    Any
        The same, lengths rounded.

    Examples
    --------
    >>> by_unit({"x_m": 1.23456, "slope": 0.0123456, "station_m": [{"pieces": [2.50001]}]})
    {'x_m': 1.2346, 'slope': 0.0123456, 'station_m': [{'pieces': [2.5]}]}
    """
    if isinstance(value, Mapping):
        # pieces of an interval are of its own unit
        return {
            key: by_unit(part, name if key == "pieces" else str(key)) for key, part in value.items()
        }
    if isinstance(value, list):
        return [by_unit(part, name) for part in value]
    if isinstance(value, float) and (name.endswith(_LENGTHS) or name in _SHAPES):
        return finite(value, LENGTH_DIGITS)
    return value


def json_bytes(value: Any, *, indent: int | None = 1) -> bytes:
    """Write JSON as UTF-8 with a final newline; ValueError if a number is not finite.

    Parameters
    ----------
    value
        What is written.
    indent
        Spaces a level, None for one line.

    Returns
    -------
    bytes
        The text in UTF-8.

    Raises
    ------
    ValueError
        A number is not finite.
    """
    # in the order in which it was made, and readable: no escapes
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent)
    return (text + "\n").encode("utf-8")


def written_date(surveyed_on: str) -> str:
    """Return the one date of an output: SOURCE_DATE_EPOCH, else the survey's, else 1970.

    The bytes depend on the input alone, so the time of writing is never in them.

    >>> written_date("2026-04-14")
    '2026-04-14T00:00:00.000Z'
    """
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if epoch.isdecimal():
        moment = datetime.fromtimestamp(int(epoch), UTC)
        return moment.strftime("%Y-%m-%dT%H:%M:%S.000Z")
    return f"{surveyed_on or '1970-01-01'}T00:00:00.000Z"
