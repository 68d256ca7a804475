"""Numbers as they may stand in JSON: finite, rounded, no minus zero."""

from __future__ import annotations

import json
import math
from typing import Any


def finite(value: float | None, digits: int = 6) -> float | None:
    """Round a number for JSON; None where it is missing, infinite or not a number.

    >>> finite(-0.00000001), finite(float("inf")), finite(2.5)
    (0.0, None, 2.5)
    """
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0


def json_bytes(value: Any, *, indent: int | None = 1) -> bytes:
    """Write JSON as UTF-8 with a final newline; ValueError if a number is not finite."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent)
    return (text + "\n").encode("utf-8")
