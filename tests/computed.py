"""Each fixture computed once for all tests of a process."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from sitegis.model.survey import Survey
from sitegis.pipeline import compute

FIXTURES = Path(__file__).parents[1] / "fixtures"
NAMES = ("corner-lot-alley", "tape-only", "side-yard-run", "metric-rear-main")


@cache
def computed(name: str) -> Survey:
    """Return the survey of a fixture with every block filled."""
    return compute(FIXTURES / name)
