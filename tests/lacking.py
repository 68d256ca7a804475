"""What a test does where the machine lacks something that it needs."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def lacking(what: str, remedy: str) -> NoReturn:
    """Skip and say how to get it; in CI, where nothing is skipped, fail."""
    reason = f"{what} is lacking on this machine: {remedy}"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)
