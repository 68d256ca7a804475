"""What libraries make while they are imported, though a command never asks for it: made at use."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Sequence
from functools import partial
from importlib import import_module
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder
from importlib.util import LazyLoader
from types import ModuleType
from typing import Any

UNUSED = frozenset(
    {
        "PIL.ExifTags", "PIL.TiffTags", "ezdxf.tools.pattern", "ezdxf.tools.text_size",
        "numpy._core._add_newdocs", "numpy._core._add_newdocs_scalars", "numpy.f2py",
        "numpy.testing", "pandas", "reportlab.lib.PyFontify", "requests",
    }
)  # fmt: skip
"""Modules imported in passing, executed at first use; pandas is a third of a run's imports."""
ENOUGH = {"pyparsing": "exceptions", "scipy.special": "_ufuncs"}
"""Packages of which one module is enough, until a name is asked for that it lacks."""
NAMES = {
    "branca.colormap": ("ColorMap", "LinearColormap", "StepColormap"),
    "ezdxf.queryparser": ("EntityQueryParser",),
    "importlib.metadata": ("entry_points",),
    "pyproj._show_versions": ("show_versions",),
    "urllib.request": ("urlopen", "urlretrieve"),
    "xyzservices": ("TileProvider",),
    "zoneinfo": ("ZoneInfo", "ZoneInfoNotFoundError"),
}
"""Modules whose names others take while they are imported, and use later or never."""
PATTERNS = frozenset(
    {
        "jinja2.utils",
        "reportlab.lib.rl_safe_eval",
        "reportlab.lib.textsplit",
        "reportlab.platypus.paragraph",
    }
)
"""Modules whose regular expressions are compiled at first use: one for links takes 35 ms."""


class Late:
    """What is made when something is first asked of it; stands for a function or a class too."""

    def __init__(self, make: Callable[[], Any]) -> None:
        """Take what makes it."""
        self._make = make

    def _made(self) -> Any:
        if "made" not in vars(self):
            self.made = self._make()
        return self.made

    def __getattr__(self, name: str) -> Any:
        """Make it unless it is made, and ask it; not for what typing asks of every class."""
        if name.startswith("__"):
            raise AttributeError(name)
        return getattr(self._made(), name)

    def __call__(self, *given: Any, **named: Any) -> Any:
        """Call it."""
        return self._made()(*given, **named)

    def __instancecheck__(self, one: object) -> bool:
        """Return whether something is an instance of it."""
        return isinstance(one, self._made())

    def __mro_entries__(self, _bases: object) -> tuple[type, ...]:
        """Return it as the parent of a class."""
        return (self._made(),)


class _Around(Loader):
    """A loader around a module's own."""

    def __init__(self, own: Loader) -> None:
        self._own, self._ran = own, False

    def create_module(self, spec: ModuleSpec) -> ModuleType | None:
        """Have the module made as it would be."""
        return self._own.create_module(spec)

    def _whole(self, module: ModuleType, name: str) -> Any:
        """Run the module's own code unless it has run, and give one of its names."""
        if not self._ran:
            self._ran = True
            del module.__getattr__
            self._own.exec_module(module)
        return getattr(module, name)


class _PartLoader(_Around):
    """Loads a package by the names of one of its modules, as a whole where that lacks one.

    A name is the same object in either. The package ``scipy.special`` takes longer to write the
    documentation of compiled functions than all of numpy to load.
    """

    def exec_module(self, module: ModuleType) -> None:
        """Put in place of the package's code what looks names up when they are asked for."""

        def attribute(name: str) -> Any:
            if not name.startswith("_"):
                part = import_module(f"{module.__name__}.{ENOUGH[module.__name__]}")
                if hasattr(part, name):
                    return getattr(part, name)
            return self._whole(module, name)

        module.__getattr__ = attribute  # type: ignore[method-assign]


class _NamesLoader(_Around):
    """Loads a module some names of which stand there before the module's code has run."""

    def exec_module(self, module: ModuleType) -> None:
        """Put in place of the module's code the names alone, and what runs it for any other."""

        def attribute(name: str) -> Any:
            # whether it is a package is asked of every module
            if name == "__path__":
                raise AttributeError(name)
            return self._whole(module, name)

        module.__getattr__ = attribute  # type: ignore[method-assign]
        for name in NAMES.get(module.__name__, ()):
            setattr(module, name, Late(partial(self._whole, module, name)))


class _MaskedLoader(_NamesLoader):
    """Loads ``numpy.ma`` when it is asked for anything but whether an array is masked.

    Which medians and distinct values ask of every array; none is while the module has not run.
    """

    def exec_module(self, module: ModuleType) -> None:
        """Put in place of the module's code the two questions, and what runs it for all else."""
        super().exec_module(module)
        for name in ("isMaskedArray", "is_masked"):
            setattr(module, name, lambda _: False)


class _PatternLoader(_Around):
    """Loads a module with its regular expressions not compiled yet."""

    def exec_module(self, module: ModuleType) -> None:
        """Run the module's code; patterns of other modules that it imports are compiled at once."""
        at_once = re.compile

        def compiled(*given: Any) -> Any:
            mine = sys._getframe(1).f_globals is vars(module)
            return Late(partial(at_once, *given)) if mine else at_once(*given)

        re.compile = compiled  # type: ignore[assignment]
        try:
            self._own.exec_module(module)
        finally:
            re.compile = at_once


class Deferring(MetaPathFinder):
    """Finds the modules of which something waits."""

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
        around = _loader_around(fullname)
        found = None if around is None else PathFinder.find_spec(fullname, path, target)
        if around is not None and found is not None and found.loader is not None:
            found.loader = around(found.loader)
        return found


def _loader_around(fullname: str) -> Callable[[Any], Loader] | None:
    """Return what wraps a module's loader, None for the modules of which nothing waits."""
    if fullname in UNUSED:
        return LazyLoader
    if fullname in ENOUGH:
        return _PartLoader
    if fullname in NAMES:
        return _NamesLoader
    if fullname == "numpy.ma":
        return _MaskedLoader
    return _PatternLoader if fullname in PATTERNS else None


def defer_unused() -> None:
    """Let what is unused wait, in a process of the command line's own that has one thread."""
    if not any(isinstance(finder, Deferring) for finder in sys.meta_path):
        sys.meta_path.insert(0, Deferring())


def defer_templates() -> None:
    """Let templates wait: branca and folium make 46 of them, of which a map uses five."""
    from jinja2 import Environment

    if Environment.from_string.__module__ == __name__:
        return
    for name in ("from_string", "get_template"):
        setattr(Environment, name, _late_method(getattr(Environment, name)))


def _late_method(at_once: Callable[..., Any]) -> Callable[..., Late]:
    """Return a method that does its work when something is first asked of its result."""

    def method(self: object, *args: Any, **settings: Any) -> Late:
        return Late(partial(at_once, self, *args, **settings))

    return method
