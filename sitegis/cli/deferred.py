"""Libraries that a library imports for what a command never asks of it: loaded at first use."""

from __future__ import annotations

import sys
from collections.abc import Callable, Collection, Sequence
from functools import partial
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder
from importlib.util import LazyLoader
from types import ModuleType
from typing import Any

UNUSED = frozenset({"numpy.f2py", "numpy.testing", "pandas", "requests"})
"""What scipy and folium import in passing; pandas alone is a third of a run's imports."""


class Deferring(MetaPathFinder):
    """Finds modules that are executed when something is first asked of them."""

    def __init__(self, names: Collection[str]) -> None:
        """Take the full names of the modules."""
        self._names = names

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """Find one of the modules as Python does, and let it wait.

        Parameters
        ----------
        fullname
            Dotted name of the module.
        path
            Path of the package it lies in.
        target
            Module that is loaded again, if any.

        Returns
        -------
        ModuleSpec | None
            Its spec, None where it is not one of them.
        """
        if fullname not in self._names:
            return None
        found = PathFinder.find_spec(fullname, path, target)
        if found is not None and found.loader is not None:
            found.loader = LazyLoader(found.loader)
        return found


def defer_unused() -> None:
    """Let unused libraries wait, in a process of the command line's own that has one thread."""
    if not any(isinstance(finder, Deferring) for finder in sys.meta_path):
        sys.meta_path.insert(0, Deferring(UNUSED))


class LateTemplate:
    """A template that is compiled when something is first asked of it."""

    def __init__(self, compiled: Callable[[], Any]) -> None:
        """Take what compiles it."""
        self._compiled = compiled

    def __getattr__(self, name: str) -> Any:
        """Compile the template unless it is, and ask it."""
        if "template" not in vars(self):
            self.template = self._compiled()
        return getattr(self.template, name)


def defer_templates() -> None:
    """Let templates given as text wait: folium makes 45 of them, of which a map uses five."""
    from jinja2 import Environment

    at_once = Environment.from_string
    if at_once.__module__ == __name__:
        return

    def from_string(self: Environment, *args: Any, **settings: Any) -> Any:
        return LateTemplate(partial(at_once, self, *args, **settings))

    Environment.from_string = from_string  # type: ignore[method-assign]
