"""Write the fixtures into a folder, as a process of its own: ``python -m tests.same_bytes DIR``.

Kept apart so that one start serves all fixtures.
"""

from __future__ import annotations

import sys
from pathlib import Path

from sitegis.pipeline import run

PROJECT = Path(__file__).parents[1]
FIXTURES = ("corner-lot-alley", "tape-only", "side-yard-run", "metric-rear-main")

if __name__ == "__main__":
    for name in FIXTURES:
        run(PROJECT / "fixtures" / name, Path(sys.argv[1]) / name)
