"""The sources as syntax trees, each parsed once for all tests of a process."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path


@cache
def tree_of(path: Path) -> ast.Module:
    """Return a module parsed."""
    return ast.parse(path.read_text("utf-8"))
