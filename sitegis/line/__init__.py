"""Stage ``line``: the building drain in plan and in profile under the slab."""

from __future__ import annotations

from .stage import fit_line

__all__ = ["fit_line"]
