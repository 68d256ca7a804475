"""Freed memory that the C library keeps is handed back to the system."""

from __future__ import annotations

import ctypes


def release_memory() -> None:
    """Hand freed memory back to the system, which the C library else keeps (glibc alone can)."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
