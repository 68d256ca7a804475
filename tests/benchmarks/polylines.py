"""Routes by the thousand as arrays, against shapely's vectorized functions on lines.

Run ``python -m tests.benchmarks.polylines``. Each row does the same on 20 000 routes of five
vertices and prints the greatest difference; making the lines is counted apart, for routes are
drawn and kept as arrays.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
import shapely

from sitegis.geometry import polyline

COUNT, REPEATS = 20_000, 5


def seconds(work: Callable[[], np.ndarray]) -> tuple[float, np.ndarray]:
    """Return the least processor time of some repeats, and what came out."""
    found, least = work(), np.inf
    for _ in range(REPEATS):
        begun = time.process_time()
        found = work()
        least = min(least, time.process_time() - begun)
    return least, found


def main() -> None:
    """Print milliseconds of both ways and their ratio."""
    generator = np.random.default_rng(4)
    routes = generator.uniform(0.0, 40.0, (COUNT, 5, 2))
    at, point = generator.uniform(0.0, 60.0, COUNT), np.array([20.0, 15.0])
    street = np.array([[-10.0, -8.0], [20.0, -6.0], [50.0, -9.0]])
    angle = generator.uniform(0.0, 2.0 * np.pi, COUNT)
    ways = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    begun = time.process_time()
    lines = shapely.linestrings(routes)
    making = time.process_time() - begun
    mark, whole = shapely.Point(point), shapely.LineString(street)

    def crossing() -> np.ndarray:
        ends = np.stack([routes[:, 0], routes[:, 0] + 500.0 * ways], axis=1)
        met = shapely.intersection(shapely.linestrings(ends), whole)
        found = shapely.distance(shapely.points(routes[:, 0]), met)
        return np.nan_to_num(found, nan=np.inf)

    rows: list[tuple[str, Callable[[], np.ndarray], Callable[[], np.ndarray]]] = [
        ("length", lambda: polyline.length(routes), lambda: shapely.length(lines)),
        (
            "point along each",
            lambda: polyline.line_interpolate_point(routes, at),
            lambda: shapely.get_coordinates(shapely.line_interpolate_point(lines, at)),
        ),
        (
            "nearest to a point",
            lambda: np.stack(polyline.line_locate_point(routes, point)[:2]),
            lambda: np.stack(
                [shapely.distance(lines, mark), shapely.line_locate_point(lines, mark)]
            ),
        ),
        ("ray to a street", lambda: polyline.ray(routes[:, 0], ways, street)[0], crossing),
    ]
    sys.stdout.write("python -m tests.benchmarks.polylines\nseed of the routes: 4\n\n")
    sys.stdout.write(f"{COUNT} routes; making shapely's lines of them: {1e3 * making:.1f} ms\n")
    sys.stdout.write(f"{'':22}{'arrays ms':>10}{'shapely ms':>12}{'ratio':>8}{'difference':>12}\n")
    for name, ours, theirs in rows:
        (one, found), (other, expected) = seconds(ours), seconds(theirs)
        known = np.isfinite(expected)
        gap = float(np.abs(found[known] - expected[known]).max())
        sys.stdout.write(
            f"{name:22}{1e3 * one:10.2f}{1e3 * other:12.2f}{other / one:8.1f}{gap:12.1e}\n"
        )


if __name__ == "__main__":
    main()
