"""Elevations of layers: placeholders and other units are told and never taken for elevations."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from .columns import numbers
from .layer_arrays import Flags, Mains
from .stored import Lots

# All judgment, no source.
MARKERS = (0.0, -1.0, -9.0, -99.0, -999.0, -9999.0, -99999.0, 9.0, 99.0, 999.0, 9999.0, 99999.0,
           999.9, 9999.9, -999.9, 9.99, 99.99, 999.99, -99.99, -32768.0, 1e38, -1e38)  # fmt: skip
# a marker counts as one where it lies so many interquartile ranges, and 25 m, off the others, or
# recurs far more often than they; then plausible depths of mains, reach and tolerance of the
# ground, steepest fall, fewest values to judge by
OFF_BULK, OFF_BULK_LEAST_M = 4.0, 25.0
OFTEN_SHARE, OFTEN_TIMES = 0.05, 8
DEPTHS_M = (0.3, 12.0)
GROUND_REACH_M, GROUND_OFF_M, NEIGHBORS = 80.0, 20.0, 8
STEEP = 0.25
LEAST_TOLD = 5
FOOT_M = 0.3048
AT_ONCE = 20_000


@dataclass(frozen=True, slots=True)
class DataFault:
    """What is wrong with one feature of a layer, and where it lies."""

    layer: str
    feature: str
    code: str
    message: str
    shape: Any


def read_elevations(
    frame: Any, column: str | None, unit_m: float, key: str
) -> tuple[Array, list[Notice]]:
    """Return a column of elevations in meters (n,), nan where it holds none.

    A value that stands for "not known" is no elevation: text, a usual marker (0, -999, 9999 and
    the like) that lies off the bulk of the others or recurs far too often, an absurd number.

    Parameters
    ----------
    frame
        The layer as a GeoDataFrame.
    column
        Name of the column, None where none is named.
    unit_m
        Length of the column's unit, m.
    key
        Dotted key of ``CITY.toml``.

    Returns
    -------
    elevations
        (n,), m, nan for none.
    notices
        What was not taken.
    """
    values, texts = numbers_and_texts(frame, column)
    return true_elevations(values, texts, column, unit_m, key)


def numbers_and_texts(frame: Any, column: str | None) -> tuple[Array, Counter[str]]:
    """Return a column as numbers (n,), nan where there is none, and how often each text is there.

    Parameters
    ----------
    frame
        The layer, or some of its rows, as a GeoDataFrame.
    column
        Name of the column, None where none is named.

    Returns
    -------
    values
        Numbers (n,), nan for none.
    texts
        Counts of what is no number.
    """
    values = numbers(frame, column)
    if column is None:
        return values, Counter()
    written = frame[column]
    texts = written[~written.isna().to_numpy() & ~np.isfinite(values)].astype(str).str.strip()
    return values, Counter(texts[texts != ""].tolist())


def true_elevations(
    values: Array, texts: Counter[str], column: str | None, unit_m: float, key: str
) -> tuple[Array, list[Notice]]:
    """Return elevations in meters (n,) of all numbers of a column, as :func:`read_elevations`.

    Parameters
    ----------
    values
        Numbers (n,), nan for none.
    texts
        Counts of what is no number.
    column
        Name of the column, None where none is named.
    unit_m
        Length of the column's unit, m.
    key
        Dotted key of ``CITY.toml``.

    Returns
    -------
    elevations
        (n,), m, nan for none.
    notices
        What was not taken.
    """
    if column is None:
        return values, []
    remarks = []
    if texts:
        shown = ", ".join(f"'{t}' {n}" for t, n in _first(texts))
        remarks.append(f"text {shown}")
    markers = _markers(values, unit_m)
    for marker in markers:
        remarks.append(f"{marker:g} in {int((values == marker).sum())} rows")
        values = np.where(values == marker, np.nan, values)
    if not remarks:
        return values * unit_m, []
    left = int(np.isfinite(values).sum())
    notice = notice_of(
        "elevation-placeholder",
        key,
        needs_person=not left,
        column=f"{key}.{column}",
        remarks="; ".join(remarks),
        left=left,
        rows=len(values),
    )
    return values * unit_m, [notice]


def _first(counts: Counter[str]) -> list[tuple[str, int]]:
    return sorted(counts.items(), key=lambda p: (-p[1], p[0]))[:3]


def _markers(values: Array, unit_m: float) -> list[float]:
    """Return the values that stand for "not known"."""
    known = values[np.isfinite(values)]
    there, counts = np.unique(known, return_counts=True)
    # past the highest land in feet it is no elevation either
    is_marker = np.isin(there, MARKERS) | (np.abs(there) > 30_000.0)
    if not is_marker.any():
        return []
    # the other values, to tell whether 0 or 99 is an ordinary elevation here
    bulk = known[~np.isin(known, there[is_marker])]
    if not len(bulk):
        return [float(v) for v in there[is_marker]]
    low, middle, high = np.percentile(bulk, [25.0, 50.0, 75.0])
    reach = max(OFF_BULK * (high - low), OFF_BULK_LEAST_M / unit_m)
    others = counts[~is_marker].max(initial=1)
    often = (counts > OFTEN_TIMES * others) & (counts > OFTEN_SHARE * len(known))
    off = np.abs(there - middle) > reach
    return [float(v) for v in there[is_marker & (off | often)]]


@dataclass(frozen=True, slots=True)
class Ground:
    """Known elevations of the ground: points (n, 2) and elevations (n,)."""

    points: Array
    elevations_m: Array

    def under(self, points: Array) -> Array:
        """Return the ground at points (k, 2): median of the nearest 3 within 80 m, else nan."""
        return _median_near(self.points, self.elevations_m, points, 3, GROUND_REACH_M)


def _median_near(at: Array, values: Array, points: Array, count: int, reach_m: float) -> Array:
    """Return the median of the nearest values (k,), nan where none is within reach."""
    if not len(at) or not len(points):
        return np.full(len(points), np.nan)
    tree, values, medians = KDTree(at), np.append(values, np.nan), []
    for some in np.array_split(points, len(points) // AT_ONCE + 1):
        _gap, near = tree.query(some, k=count, distance_upper_bound=reach_m)
        found = values[near.reshape(len(some), count)]
        blank = ~np.isfinite(found).any(axis=1)
        # keeps nanmedian from warning of rows without a value
        found[blank, 0] = 0.0
        medians.append(np.where(blank, np.nan, np.nanmedian(found, axis=1)))
    return np.concatenate(medians)


def check_ground(lots: Lots) -> tuple[Array, list[Notice], list[DataFault]]:
    """Take out lots' ground elevations (n,) that lie 20 m off those of the nearest lots.

    Gives the elevations (n,), m, what was taken out, and the lots.
    """
    points, elevations_m = lots.middles, lots.grounds_m
    known = np.flatnonzero(np.isfinite(elevations_m))
    out = elevations_m.copy()
    if len(known) < LEAST_TOLD:
        return out, [], []
    # the median of eight includes the lot itself, which alone cannot move it
    near = _median_near(points[known], elevations_m[known], points[known], NEIGHBORS, np.inf)
    wrong = known[np.abs(elevations_m[known] - near) > GROUND_OFF_M]
    out[wrong] = np.nan
    if not wrong.size:
        return out, [], []
    faults = [
        DataFault(
            "parcels",
            str(lots.ids[i]),
            "ground-implausible",
            f"Ground {elevations_m[i]:.1f} m, over 20 m off the lots about it.",
            shape,
        )
        for i, shape in zip(wrong.tolist(), lots.outlines.shapes(wrong), strict=True)
    ]
    return out, [notice_of("ground-implausible", "parcels", count=len(wrong))], faults


def check_inverts(mains: Mains, ground: Ground) -> tuple[Mains, list[Notice], list[DataFault]]:
    """Hold the mains' inverts against the ground and against each other.

    Inverts 0.3 to 12 m below the ground are plausible. Where nearly none is, but nearly all would
    be in the other unit, or all lie off by one amount, that is said with its cure and none is
    used. A single main's implausible inverts, or a fall steeper than 25 %, are flagged and not
    used. A main against whose line its inverts fall has been turned by the reader.

    Parameters
    ----------
    mains
        The mains, m of them.
    ground
        Elevations of the ground by place.

    Returns
    -------
    mains
        Without implausible inverts.
    notices
        What was taken out.
    faults
        The mains.
    """
    up, down = mains.inverts_up_m.copy(), mains.inverts_down_m.copy()
    ends = shapely.get_coordinates(
        shapely.line_interpolate_point(
            np.repeat(mains.shapes, 2), np.tile([0.0, 1.0], len(mains.shapes)), normalized=True
        )
    ).reshape(-1, 2, 2)
    inverts = np.stack([up, down], axis=1)
    surface = ground.under(ends.reshape(-1, 2)).reshape(-1, 2)
    depths = surface - inverts
    known = np.isfinite(depths)
    good = known & (depths >= DEPTHS_M[0]) & (depths <= DEPTHS_M[1])
    # when most are off it is the unit or the datum, not single mains
    if known.sum() >= LEAST_TOLD and good.sum() < 0.4 * known.sum():
        notice = _all_wrong(inverts, surface, depths, known)
        nothing = np.full(len(up), np.nan)
        return _with(mains, nothing, nothing), [notice], []
    # 25 % of the length, and at least a meter: short reaches may drop
    steep = np.abs(up - down) > np.maximum(STEEP * shapely.length(mains.shapes), 1.0)
    # a steep main has a wrong end; which one the ground may tell, else both are doubtful
    wrong = (known & ~good) | (steep & (good.all(axis=1) | ~known.any(axis=1)))[:, None]
    inverts[wrong] = np.nan
    rows = np.flatnonzero(wrong.any(axis=1))
    if not rows.size:
        return mains, [], []
    faults = [
        DataFault(
            "mains",
            str(mains.ids[i]),
            "invert-implausible",
            _invert_words(up[i], down[i], surface[i]),
            mains.shapes[i],
        )
        for i in rows.tolist()
    ]
    feet = int((_plausible(surface - inverts_in_feet(up, down)) & wrong).any(axis=1).sum())
    name = "invert-implausible:feet" if feet else "invert-implausible"
    notice = notice_of(name, "mains", count=len(rows), feet=feet)
    return _with(mains, inverts[:, 0], inverts[:, 1]), [notice], faults


def inverts_in_feet(up: Array, down: Array) -> Array:
    """Return inverts (n, 2) as if they had been in feet where meters were said.

    Parameters
    ----------
    up
        Inverts at the upstream ends (n,), m.
    down
        Inverts at the downstream ends (n,), m.

    Returns
    -------
    Array
        Inverts (n, 2), m.
    """
    return np.stack([up, down], axis=1) * FOOT_M


def _with(mains: Mains, up: Array, down: Array) -> Mains:
    return replace(mains, inverts_up_m=up, inverts_down_m=down)


def _plausible(depths: Array) -> NDArray[np.bool_]:
    return np.asarray((depths >= DEPTHS_M[0]) & (depths <= DEPTHS_M[1]))


def _all_wrong(inverts: Array, surface: Array, depths: Array, known: Flags) -> Notice:
    """Say what may be wrong where hardly any invert fits the ground, and the cure."""
    count, median = int(known.sum()), float(np.median(depths[known]))
    for factor, now, cure in ((FOOT_M, "meters", "ft"), (1.0 / FOOT_M, "feet", "m")):
        if _plausible(surface - inverts * factor)[known].mean() > 0.6:
            return notice_of("elevation-unit", "mains", count=count, now=now, cure=cure)
    return notice_of("elevation-datum", "mains", count=count, median_m=median)


def _invert_words(up: float, down: float, surface: Array) -> str:
    known = [f"{value:.2f} m" if np.isfinite(value) else "not known" for value in (up, down)]
    ground = [f"{value:.1f} m" if np.isfinite(value) else "not known" for value in surface]
    return f"Inverts {known[0]} and {known[1]}, ground {ground[0]} and {ground[1]}."


def numeric_share(values: Any) -> float:
    """Return the share of a column's filled values that are numbers."""
    filled = values.dropna()
    if not len(filled):
        return 0.0
    return float(pd.to_numeric(filled, errors="coerce").notna().mean())
