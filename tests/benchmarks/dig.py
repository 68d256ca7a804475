"""P(hit) of every cell of the lot: rows of cells against one prepared polygon a cell.

Run ``python -m tests.benchmarks.dig``. Both sides count the same routes; the greatest
difference is printed too.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import shapely

from sitegis.dig import plan_dig
from sitegis.dig.cloud import gather_cloud
from sitegis.dig.hits import accumulate, cover_grid, pit_spans
from sitegis.pits.exposure import rectangle_rings
from tests.dig_clouds import two_way_survey

from .heading import heading

CELLS = 2000


def main() -> None:
    """Print seconds a cell of both ways, their ratio, and the seconds of the whole stage."""
    survey = two_way_survey()
    cloud = gather_cloud(survey)
    grid = cover_grid(cloud.vertices.reshape(-1, 2), 0.25, 1.0)

    begun = time.process_time()
    p = accumulate(pit_spans(cloud.straights, grid, (0.6, 0.45)), cloud.weights).ravel()
    ours = (time.process_time() - begun) / p.size

    chosen = np.random.default_rng(1).choice(p.size, CELLS, replace=False)
    centers = grid.centers().reshape(-1, 2)[chosen]
    rings = rectangle_rings(centers, np.zeros(CELLS), np.tile([1.2, 0.9], (CELLS, 1)))
    lines = shapely.linestrings(cloud.vertices)
    begun = time.process_time()
    expected = np.empty(CELLS)
    for i, ring in enumerate(rings):
        polygon = shapely.Polygon(ring)
        shapely.prepare(polygon)
        expected[i] = cloud.weights[shapely.intersects(polygon, lines)].sum()
    theirs = (time.process_time() - begun) / CELLS

    begun = time.process_time()
    plan_dig(survey)
    stage = time.process_time() - begun
    sys.stdout.write(
        f"{cloud.weights.size} routes, {p.size} cells\n"
        f"rows of cells     {1e6 * ours:10.2f} µs a cell\n"
        f"prepared polygons {1e6 * theirs:10.2f} µs a cell\n"
        f"ratio             {theirs / ours:10.1f}\n"
        f"greatest difference in P(hit) {np.abs(p[chosen] - expected).max():.1e}\n"
        f"whole stage       {stage:10.3f} s of processor time\n"
    )


if __name__ == "__main__":
    sys.stdout.write(heading("seed of the cells chosen: 1"))
    main()
