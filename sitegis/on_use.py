"""Packages whose functions are imported when they are asked for, not before: start-up."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def imported_on_use(package: str, modules: Mapping[str, str]) -> Callable[[str], Any]:
    """Return a package's ``__getattr__`` (PEP 562) for functions by name and module.

    The function raises ``AttributeError`` for any other name, as an import does.

    Parameters
    ----------
    package
        Dotted name of the package.
    modules
        Module of each function.

    Returns
    -------
    Callable[[str], Any]
        The package's ``__getattr__``.
    """

    def attribute(name: str) -> Any:
        if name not in modules:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(modules[name], package), name)

    return attribute
