"""Each fixture computed and written once for all tests, of other processes of the run too."""

from __future__ import annotations

import fcntl
import os
import pickle
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from sitegis.model.survey import Survey
from sitegis.pipeline import compute
from sitegis.write.outputs import output_files

FIXTURES = Path(__file__).parents[1] / "fixtures"
NAMES = ("corner-lot-alley", "tape-only", "side-yard-run", "metric-rear-main")


@cache
def computed(name: str) -> Survey:
    """Return the survey of a fixture with every block filled."""
    survey: Survey = _once(name, lambda: compute(FIXTURES / name))
    return survey


@cache
def written(name: str) -> dict[str, bytes]:
    """Return the files of a fixture by their names."""
    files: dict[str, bytes] = _once(f"{name}.files", lambda: output_files(computed(name)))
    return files


def _once(key: str, make: Callable[[], Any]) -> Any:
    """Make what all processes of a run share, or take what another one made."""
    shared = os.environ.get("SITEGIS_TESTS_SHARED")  # set by conftest.py where a run starts
    if shared is None:
        return make()
    with (Path(shared) / key).open("a+b") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        file.seek(0)
        if kept := file.read():
            return pickle.loads(kept)
        made = make()
        file.write(pickle.dumps(made))
    return made
