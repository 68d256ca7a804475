"""Site surveys of building drains: from locate points on a basement floor to where to dig.

>>> import sitegis
>>> sorted(set(sitegis.__all__) - {"__version__"})[-4:]
['check', 'city', 'read', 'run']

The stages are module names, in the order in which they run:
``read → place → line → exit → routes → score → dig → write``.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .library.functions import Check, Result, check, city, read, run
    from .messages.errors import BadInput, CannotWrite, ComputationError, Fault, Notice
    from .model.site import Site

__version__ = "0.1.0"

# each public name and its module, imported on first use: the command line must start at once
_HOME = {
    "BadInput": "messages.errors",
    "CannotWrite": "messages.errors",
    "Check": "library.functions",
    "ComputationError": "messages.errors",
    "Fault": "messages.errors",
    "Notice": "messages.errors",
    "Result": "library.functions",
    "Site": "model.site",
    "check": "library.functions",
    "city": "library.functions",
    "read": "library.functions",
    "run": "library.functions",
}
__all__ = [
    "BadInput",
    "CannotWrite",
    "Check",
    "ComputationError",
    "Fault",
    "Notice",
    "Result",
    "Site",
    "__version__",
    "check",
    "city",
    "read",
    "run",
]


def __getattr__(name: str) -> Any:
    """Import a public name from its module on first use (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module 'sitegis' has no attribute {name!r}")
    return getattr(import_module(f"sitegis.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    """List the public names."""
    return list(__all__)


class _Package(ModuleType):
    """The package, where ``read`` and ``city`` are functions though stages have these names.

    Importing the package ``sitegis.read`` would put it in the function's place.
    """

    @property
    def read(self) -> Any:
        return __getattr__("read")

    @read.setter
    def read(self, package: ModuleType) -> None:
        """Leave the function where it is; ``from sitegis.read import …`` works all the same."""

    @property
    def city(self) -> Any:
        return __getattr__("city")

    @city.setter
    def city(self, package: ModuleType) -> None:
        """Leave the function where it is."""


sys.modules[__name__].__class__ = _Package
