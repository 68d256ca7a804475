"""The first line of a printed table: what gives it again."""

from __future__ import annotations

import platform
import shlex
import sys
from importlib.metadata import version

LIBRARIES = ("numpy", "scipy", "shapely")


def heading(seeds: str) -> str:
    """Return the command as it was given, the seeds, and the versions that the numbers hang on."""
    spec = sys.modules["__main__"].__spec__
    program = spec.name if spec else sys.argv[0]
    versions = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    command = shlex.join(["python", "-m", program, *sys.argv[1:]])
    return f"{command}\n{seeds}; Python {platform.python_version()}, {versions}\n\n"
