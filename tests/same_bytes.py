"""Write the fixtures and the town into a folder, as a process: ``python -m tests.same_bytes DIR``.

Kept apart so that one start serves all of them.
"""

from __future__ import annotations

import sys
from pathlib import Path

from sitegis.city import run_city
from sitegis.pipeline import run

PROJECT = Path(__file__).parents[1]
FIXTURES = (
    "corner-lot-alley",
    "tape-only",
    "side-yard-run",
    "metric-rear-main",
    "two-stacks",
)
TOWN = PROJECT / "fixtures" / "invented-town" / "CITY.toml"

if __name__ == "__main__":
    for name in FIXTURES:
        run(PROJECT / "fixtures" / name, Path(sys.argv[1]) / name)
    run_city(TOWN, Path(sys.argv[1]) / "town.gpkg")
