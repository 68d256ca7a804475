"""Where along its line each lot's lateral taps: a distribution, its intervals, the nearest manhole.

The rules that builders followed are a mixture: square from the exit, one wye's lean with the flow,
square from the lot's middle, at a manhole that is near, anywhere along the frontage. Rules from
ordinances and old handbooks; their shares are judgment, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from scipy.special import ndtr, ndtri

from ..evidence import tap_record
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..numerics.ordering import MATTERS_P, WEIGHT, decimals, in_steps, on_lattice
from .infer import Posterior
from .layer_arrays import Block, Flags, Laterals, Mains, Pairs, Shapes, Whole, unique_rows
from .mains import ManholesOnMains
from .network import on_line
from .routes import LotRoutes

# shares of the rules, then their spreads; how near a manhole draws a
# tap, how far beyond the lot it may lie
SQUARE, LEAN, MIDDLE, MANHOLE, ANYWHERE = 0.60, 0.14, 0.08, 0.08, 0.10
SQUARE_SD_M, LEAN_M, LEAN_SD_M, MIDDLE_SD_M, MANHOLE_SD_M = 0.8, 3.0, 1.2, 1.2, 0.4
MANHOLE_NEAR_M, MARGIN_M = 12.0, 3.0
LEVELS = (0.50, 0.80, 0.95)
RECORD_SD_M = tap_record.DEFAULT.sd_m
# places along a lot at which the distribution is tabled, and how far past it
_GRID = 64
_BEYOND_M = 8.0


@dataclass(frozen=True, slots=True)
class Taps:
    """Per lot (t,) with a line: its place among the lots, line, and where the tap lies on it.

    ``main`` is the reach that most likely holds the tap, ``main_share`` the part of the
    distribution it holds, ``station_m`` the median on the line, ``on_main_m`` on the reach,
    ``bounds_m`` (t, 6) low and high of the 50, 80 and 95 % intervals on the line. ``recorded``
    are those that a lateral on record places.
    """

    lot: Whole
    line_share: Array
    main: Whole
    main_share: Array
    station_m: Array
    on_main_m: Array
    bounds_m: Array
    recorded: Flags


def find_taps(
    block: Block,
    lots: Shapes,
    pairs: Pairs,
    laid: LotRoutes,
    posterior: Posterior,
    manholes: ManholesOnMains,
) -> Taps:
    """Return the taps of the lots (n,) that have a line: of each its most probable one.

    Interval and median are quantiles of the mixture, held within the line's ends: what would lie
    past an end taps there.

    Parameters
    ----------
    block
        The layers as arrays.
    lots
        Outlines of the lots (n,).
    pairs
        Lot, side and mains that may serve it, q of them.
    laid
        Routes of every pair, by exit and shape.
    posterior
        Probabilities of every lot's ways.
    manholes
        Manholes on the mains.

    Returns
    -------
    Taps
        The taps.
    """
    mains = block.mains
    pair, kind = np.nonzero(posterior.routes > 0.0)
    lot, main, weight = pairs.lot[pair], laid.main[pair, kind], posterior.routes[pair, kind]
    keys, inverse = unique_rows(lot, mains.line[main])
    # probability of each line of each lot; only the first is told
    share = np.asarray(np.bincount(inverse, weight, minlength=keys.shape[1]), float)
    order = np.lexsort((keys[1], -in_steps(share, MATTERS_P), keys[0]))
    first = order[np.flatnonzero(np.diff(keys[0][order], prepend=-1))]
    rank = np.full(keys.shape[1], -1, np.int64)
    rank[first] = np.arange(len(first))
    at = rank[inverse]
    rows = np.flatnonzero(at >= 0)
    at, main, weight = at[rows], main[rows], weight[rows]
    # on the line, not the reach: the reach is no border for a tap
    station = on_line(mains, main, laid.stations_m[pair[rows], kind[rows]])
    weight = weight / np.bincount(at, weight, minlength=len(first))[at]
    chosen = keys[0][first]
    middle, low, high = _frontages(lots[chosen], mains, at, main, station, weight)
    near = _near_manholes(mains, manholes, main, station)
    # with the exits between the places that stand for a wall
    spread = np.hypot(SQUARE_SD_M, laid.between_m[pair[rows], kind[rows]])
    grid, held = _mixture(at, station, weight, spread, near, middle, low, high)
    lines = _Lines(mains)
    line = keys[1][first]
    limits = lines.limits(line)
    levels = np.array([0.5, *(0.5 + s * level / 2.0 for level in LEVELS for s in (-1, 1))])
    found = np.clip(_quantiles(grid, held, levels), limits[0][:, None], limits[1][:, None])
    reach = lines.reach(line, found[:, 0])
    return Taps(
        lot=chosen,
        line_share=share[first],
        main=reach,
        main_share=_mass(grid, held, lines, reach),
        station_m=found[:, 0],
        on_main_m=lines.on_main(reach, found[:, 0]),
        bounds_m=found[:, 1:],
        recorded=np.zeros(len(chosen), bool),
    )


def place_on_record(taps: Taps, laterals: Laterals, lots: Whole, mains: Mains) -> Taps:
    """Return taps with those placed that laterals on record have on the same line.

    The station on record is right to 0.6 m, as a single site's connection record is.

    Parameters
    ----------
    taps
        Taps as inferred.
    laterals
        Laterals on record, lots and mains numbered as those at hand.
    lots
        Place of the taps' lots among those at hand (n,).
    mains
        The mains.

    Returns
    -------
    Taps
        The taps.
    """
    if not len(laterals.lot) or not len(taps.lot):
        return taps
    own = lots[taps.lot]
    at = np.minimum(np.searchsorted(laterals.lot, own), len(laterals.lot) - 1)
    main = laterals.main[at]
    there = np.flatnonzero((laterals.lot[at] == own) & (main >= 0))
    there = there[laterals.line[at[there]] == mains.line[taps.main[there]]]
    at, main = at[there], main[there]
    station = decimals(on_line(mains, main, laterals.stations_m[at]), 2)
    spread = ndtri(0.5 + np.array(LEVELS) / 2.0) * RECORD_SD_M
    bounds = station[:, None] + np.stack([-spread, spread], axis=1).ravel()
    limits = _Lines(mains).limits(mains.line[main])
    bounds = np.clip(decimals(bounds, 2), limits[0][:, None], limits[1][:, None])
    placed = {
        "main": main,
        "main_share": np.ones(len(main)),
        "station_m": station,
        "on_main_m": laterals.stations_m[at],
        "bounds_m": bounds,
        "recorded": np.ones(len(main), bool),
    }
    changed = {name: getattr(taps, name).copy() for name in placed}
    for name, values in placed.items():
        changed[name][there] = values
    return replace(taps, **changed)


def _frontages(
    lots: Shapes, mains: Mains, at: Whole, main: Whole, station: Array, weight: Array
) -> tuple[Array, Array, Array]:
    """Return the stations of each lot's middle and of its two ends along its line, (t,) each.

    The line is taken as straight along the lot: the tangent at its most probable route's tap.
    """
    order = np.lexsort((np.arange(len(at)), -in_steps(weight, MATTERS_P), at))
    best = order[np.flatnonzero(np.diff(at[order], prepend=-1))]
    lines = mains.shapes[main[best]]
    # along the line, whichever way its reach was drawn
    sign = np.where(mains.turned[main[best]], -1.0, 1.0)
    local = (station[best] - mains.starts_m[main[best]]) * sign
    length = shapely.length(lines)
    a, b = (np.clip(local + d, 0.0, length) for d in (-0.5, 0.5))
    ends = [shapely.get_coordinates(shapely.line_interpolate_point(lines, s)) for s in (a, b)]
    along = (ends[1] - ends[0]) * sign[:, None]
    along = along / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    tap = shapely.get_coordinates(shapely.line_interpolate_point(lines, local))
    middles = shapely.get_coordinates(shapely.centroid(lots))
    middle = on_lattice(station[best] + ((middles - tap) * along).sum(axis=1))
    xy, owner = shapely.get_coordinates(lots, return_index=True)
    run = on_lattice(station[best][owner] + ((xy - tap[owner]) * along[owner]).sum(axis=1))
    first = np.flatnonzero(np.diff(owner, prepend=-1))
    if not len(first):
        return middle, middle, middle
    return middle, np.minimum.reduceat(run, first), np.maximum.reduceat(run, first)


def _near_manholes(mains: Mains, manholes: ManholesOnMains, main: Whole, station: Array) -> Array:
    """Return the station of the nearest manhole on the reach, within 12 m; nan where none is."""
    out = np.full(len(main), np.nan)
    if not len(manholes.main) or not len(main):
        return out
    at = on_line(mains, manholes.main, manholes.station_m)
    local = np.lexsort((at, manholes.main))
    keys_main, at = manholes.main[local], at[local]
    low = np.searchsorted(keys_main, main)
    high = np.searchsorted(keys_main, main, side="right")
    for shift in range(int((high - low).max(initial=0))):
        rows = np.flatnonzero(low + shift < high)
        here = at[low[rows] + shift]
        gap, best = np.abs(here - station[rows]), np.abs(out[rows] - station[rows])
        nearer = (gap <= MANHOLE_NEAR_M) & ~(np.round(best, 3) <= np.round(gap, 3))
        out[rows[nearer]] = here[nearer]
    return out


def _mixture(
    at: Whole,
    station: Array,
    weight: Array,
    spread: Array,
    near: Array,
    middle: Array,
    low: Array,
    high: Array,
) -> tuple[Array, Array]:
    """Return stations (t, g) and the share of the distribution below each."""
    count = len(middle)
    left = np.minimum(low, np.full(count, np.inf))
    right = np.maximum(high, np.full(count, -np.inf))
    np.minimum.at(left, at, station)
    np.maximum.at(right, at, station)
    left, right = left - _BEYOND_M, right + _BEYOND_M
    grid = left[:, None] + np.linspace(0.0, 1.0, _GRID) * (right - left)[:, None]
    held = np.zeros((count, _GRID))
    x = grid[at]
    there = np.isfinite(near)
    # where no manhole is near its share goes to what is square from the exit
    square = np.where(there, SQUARE, SQUARE + MANHOLE)[:, None]
    own = square * _below((x - station[:, None]) / spread[:, None])
    own += LEAN * _below((x - station[:, None] - LEAN_M) / LEAN_SD_M)
    own[there] += MANHOLE * ndtr((x[there] - near[there, None]) / MANHOLE_SD_M)
    np.add.at(held, at, weight[:, None] * own)
    held += MIDDLE * ndtr((grid - middle[:, None]) / MIDDLE_SD_M)
    bottom, width = (low - MARGIN_M)[:, None], (high - low + 2.0 * MARGIN_M)[:, None]
    # an even law along the frontage and a little beyond
    held += ANYWHERE * np.clip((grid - bottom) / width, 0.0, 1.0)
    return grid, on_lattice(held, WEIGHT)


def _below(z: Array) -> Array:
    """Return the standard normal distribution; 0 or 1 past six deviations (1e-9), to save time."""
    out = np.asarray(z > 0.0, float)
    near = np.abs(z) < 6.0
    out[near] = ndtr(z[near])
    return out


def _quantiles(grid: Array, held: Array, levels: Array) -> Array:
    """Return quantiles (t, l), straight between the grid's places; to the centimeter."""
    found = np.empty((len(grid), len(levels)))
    for column, level in enumerate(levels.tolist()):
        # first place of the table at or past the level
        after = np.clip((held < level).sum(axis=1), 1, _GRID - 1)[:, None]
        low, high = (np.take_along_axis(held, after - s, 1)[:, 0] for s in (1, 0))
        a, b = (np.take_along_axis(grid, after - s, 1)[:, 0] for s in (1, 0))
        share = (level - low) / np.maximum(high - low, 1e-12)
        found[:, column] = a + np.clip(share, 0.0, 1.0) * (b - a)
    return decimals(found, 2)


def _mass(grid: Array, held: Array, lines: _Lines, reach: Whole) -> Array:
    """Return how much of each distribution (t,) lies on the chosen reach."""
    parts = []
    for bound, past in zip(lines.bounds(reach), (0.0, 1.0), strict=True):
        # place of a bound in the table, in steps of its grid
        share = (bound - grid[:, 0]) / np.maximum(grid[:, -1] - grid[:, 0], 1e-9) * (_GRID - 1)
        place = np.clip(share, 0.0, _GRID - 1.000001)
        whole = place.astype(np.int64)[:, None]
        low, high = (np.take_along_axis(held, whole + s, 1)[:, 0] for s in (0, 1))
        here = low + (place - whole[:, 0]) * (high - low)
        here = np.where(share <= 0.0, 0.0, np.where(share >= _GRID - 1, 1.0, here))
        # open at an end of the line: what lies beyond belongs to the last reach
        parts.append(np.where(np.isfinite(bound), here, past))
    return np.asarray(np.clip(parts[1] - parts[0], 0.0, 1.0))


class _Lines:
    """The reaches of a block's mains by line and station."""

    def __init__(self, mains: Mains) -> None:
        self.mains = mains
        length = shapely.length(mains.shapes)
        self.low = np.where(mains.turned, mains.starts_m - length, mains.starts_m)
        self.high = self.low + length
        self.order = np.lexsort((np.arange(len(length)), self.low, mains.line))
        # line and station as one key; no line is 10 000 km long
        self.keys = mains.line[self.order] * 1e7 + self.low[self.order]

    def limits(self, line: Whole) -> tuple[Array, Array]:
        """Return the least and the highest station of lines, as far as they are in the block."""
        a = np.searchsorted(self.mains.line[self.order], line)
        b = np.searchsorted(self.mains.line[self.order], line, side="right") - 1
        return self.low[self.order[a]], self.high[self.order[b]]

    def reach(self, line: Whole, station: Array) -> Whole:
        """Return the main of each line that holds a station."""
        place = np.searchsorted(self.keys, line * 1e7 + station + 1e-3) - 1
        first = np.searchsorted(self.mains.line[self.order], line)
        return np.asarray(self.order[np.maximum(place, first)])

    def bounds(self, main: Whole) -> tuple[Array, Array]:
        """Return where reaches begin and end on their lines; open at the ends of the line."""
        turned, ends = self.mains.turned[main], self.mains.open_ends[main]
        low_open = np.where(turned, ends[:, 1], ends[:, 0])
        high_open = np.where(turned, ends[:, 0], ends[:, 1])
        return (
            np.where(low_open, -np.inf, self.low[main]),
            np.where(high_open, np.inf, self.high[main]),
        )

    def on_main(self, main: Whole, station: Array) -> Array:
        """Return stations on the reaches from their first vertex."""
        sign = np.where(self.mains.turned[main], -1.0, 1.0)
        local = (station - self.mains.starts_m[main]) * sign
        return np.asarray(np.clip(local, 0.0, shapely.length(self.mains.shapes[main])))
