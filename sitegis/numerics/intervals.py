"""Intervals and regions that hold a stated share of weighted samples.

Central intervals for what has one peak; highest-density sets, in one or more pieces, for what may
have several (Hyndman 1996, "Computing and graphing highest density regions"). Samples are
``values`` (m,) with ``weights`` (m,) that need not sum to 1; nothing here is random.

The shortest set of all samples may leave out a rare kind of them whole. Where samples come in
:class:`Strata` a set of numbers holds its level of every stratum, and so at least that of all: it
is the union of the strata's own densest sets, each as wide as it takes beside the others. A region
of places is that union too, drawn in where it holds more than its level of all.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from .ordering import at_least, axis_angle
from .statistics import effective_samples, ellipse, weighted_quantiles

Integers = NDArray[np.int64]

LEVELS = (0.50, 0.80, 0.95)
CELLS_PER_BANDWIDTH, MOST_CELLS, KERNEL_REACH = 6, 4000, 4
BISECTIONS = 24
LEAST_GAP_BANDWIDTHS = 2.0  # a gap in the samples narrower than this is chance: judgment
LEAST_REACHED = 40.0
"""Effective samples within two widths of a kernel, for their density to be more than chance: the
share of them in a place is then known to a sixth. Judgment."""
PLACE_FLOOR_M = 1e-3
EDGE = 1e-6  # bandwidths
NORMAL_STEPS = 400
ROUNDS = 4  # in which the strata's sets are fitted to each other


@dataclass(frozen=True, slots=True)
class Interval:
    """The set that holds a share ``level``: ``pieces`` (low, high) in ascending order."""

    level: float
    pieces: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Ellipse:
    """A full ellipse in the lot: center, semi-axes, lot angle of the major one."""

    x_m: float
    y_m: float
    semi_major_m: float
    semi_minor_m: float
    angle_rad: float


@dataclass(frozen=True, slots=True)
class Region:
    """The union of ellipses that holds a share ``level``."""

    level: float
    pieces: tuple[Ellipse, ...]


class Strata(NamedTuple):
    """What kind each of m samples is: ``label`` (m,), and ``part`` (m,), which peak within it.

    Both whole numbers from 0; parts of one stratum only tell how wide its peaks are.
    """

    label: Integers
    part: Integers

    @classmethod
    def one(cls, count: int) -> Strata:
        """Return samples of a single kind."""
        none = np.zeros(count, dtype=np.int64)
        return cls(none, none)


def central_intervals(values: Array, weights: Array) -> tuple[Interval, ...]:
    """Return the intervals between the (1 − level)/2 and (1 + level)/2 quantiles.

    Parameters
    ----------
    values
        Samples (m,).
    weights
        Their weights (m,), summing to any positive number.

    Returns
    -------
    tuple[Interval, ...]
        One interval for each of 50, 80 and 95 %.
    """
    levels = np.array(LEVELS)
    shares = np.concatenate([0.5 - 0.5 * levels, 0.5 + 0.5 * levels])
    lows, highs = np.split(weighted_quantiles(values, weights, shares), 2)
    return tuple(
        Interval(level, ((float(low), float(high)),))
        for level, low, high in zip(LEVELS, lows, highs, strict=True)
    )


def highest_density_intervals(
    values: Array, weights: Array, strata: Strata | None = None, levels: Sequence[float] = LEVELS
) -> tuple[Interval, ...]:
    """Return the least sets that hold each level, from kernel densities of the strata.

    The densities only rank places: a set is widened until it holds its level of the samples
    themselves, and where there are several strata never drawn in: a rare one that lies about the
    common one would lose its own set to what both hold together. Bandwidth by Silverman's rule for
    densities with several peaks, 0.9 min(sd, interquartile range / 1.349) n_eff^(−1/5) (Silverman
    1986, section 3.4.2), the sd of a stratum's parts where it has several.

    Parameters
    ----------
    values
        Samples (m,).
    weights
        Their weights (m,).
    strata
        What kind each sample is; None where all are of one.
    levels
        Shares to hold.

    Returns
    -------
    tuple[Interval, ...]
        One interval, perhaps of several pieces, for each level.
    """
    share = np.asarray(weights, float) / np.sum(weights)
    # each kind has its own density and bandwidth: one that is rare is not smeared over by the
    # others
    kinds = Strata.one(share.size) if strata is None else strata
    groups = [kinds.label == kind for kind in np.unique(kinds.label[share > 0.0])]
    bandwidths = [_bandwidth(values[g], share[g], kinds.part[g]) for g in groups]
    grid, cell = _grid(values, bandwidths)
    found = [
        _density(values[g], share[g], grid, cell, bandwidth)
        for g, bandwidth in zip(groups, bandwidths, strict=True)
    ]
    binned, densities = np.array([one[0] for one in found]), np.array([one[1] for one in found])
    order = np.argsort(values, kind="stable")
    samples = values[order], np.concatenate([[0.0], np.cumsum(share[order])])
    intervals = []
    for level in levels:
        edges = _thresholds(densities, binned, level)
        ranked = np.max(densities / edges[:, None], axis=0)
        if len(groups) > 1:
            # 1: all that holds the level of its own stratum
            ranked = np.minimum(ranked, 1.0)
        ranked = np.round(ranked / ranked.max(), 9)
        pieces = _densest(grid, ranked, samples, level, min(bandwidths))
        intervals.append(Interval(level, pieces))
    return tuple(intervals)


def _bandwidth(values: Array, share: Array, part: Integers) -> float:
    """Return the kernel's width for one stratum, whose samples belong to parts (m,)."""
    _, peak = np.unique(part, return_inverse=True)
    # a part of no weight has its middle anywhere
    middle = np.bincount(peak, share * values) / np.maximum(np.bincount(peak, share), 1e-300)
    spread = float(np.sqrt(share @ (values - middle[peak]) ** 2 / share.sum()))
    low, high = weighted_quantiles(values, share, np.array([0.25, 0.75]))
    # interquartile range of a standard normal: 1.349
    quartile = float(high - low) / 1.349
    scale = min(spread, quartile) if quartile > 0.0 else spread
    width = 0.9 * scale * float(effective_samples(share) ** -0.2)
    return max(width, 1e-4 * float(np.ptp(values)), 1e-9)


def _grid(values: Array, bandwidths: list[float]) -> tuple[Array, float]:
    """Return a grid (c,) that is fine for the least bandwidth and reaches as far as the widest."""
    reach = float(np.ptp(values))
    # fine against the kernel, within a bounded number of cells
    cell = max(min(bandwidths) / CELLS_PER_BANDWIDTH, reach / MOST_CELLS)
    beyond = int(np.ceil(KERNEL_REACH * max(bandwidths) / cell)) + 1
    count = int(np.ceil(reach / cell)) + 2 * beyond + 1
    grid = float(np.min(values)) + cell * (np.arange(count) - beyond)
    return np.asarray(grid, float), cell


def _density(
    values: Array, share: Array, grid: Array, cell: float, bandwidth: float
) -> tuple[Array, Array]:
    """Return one stratum's share of each cell (c,), and its kernel density there, highest 1.

    Gaussian kernels of the bandwidth; where so few samples lie that their density is chance, each
    kernel is as wide as it takes to reach ``LEAST_REACHED`` of them (variable kernels: Silverman
    1986, sections 5.2 and 5.3), yet no wider than the spread of all.
    """
    at = (np.asarray(values) - grid[0]) / cell
    below = np.floor(at).astype(np.int64)
    # linear binning: a sample between two cells counts for both
    part = at - below
    binned = np.bincount(below, share * (1.0 - part), grid.size)
    binned += np.bincount(below + 1, share * part, grid.size)
    widths = _kernel_widths(values, share, bandwidth)
    sums = np.stack([binned, np.bincount(below, share**2, grid.size)]).cumsum(axis=1)
    chosen = np.full(grid.size, len(widths) - 1)
    for level in reversed(range(len(widths) - 1)):
        reach = int(np.ceil(2.0 * widths[level] / cell))
        first, last = np.arange(grid.size) - reach - 1, np.arange(grid.size) + reach
        held = sums[:, np.minimum(last, grid.size - 1)]
        held = held - np.where(first >= 0, sums[:, np.maximum(first, 0)], 0.0)
        # Kish's effective number of what the kernel reaches, (Σw)² / Σw²
        chosen[held[0] ** 2 >= LEAST_REACHED * held[1]] = level
    # the kernel sum on a grid, by the transform of Gaussians: padded, so that no end meets the
    # other
    steps = 2.0 * np.pi * np.fft.rfftfreq(2 * grid.size)
    spectrum = np.zeros(steps.size, complex)
    for level in np.unique(chosen):
        own = np.fft.rfft(np.where(chosen == level, binned, 0.0), 2 * grid.size)
        spectrum += own * np.exp(-0.5 * (steps * widths[level] / cell) ** 2)
    density = np.fft.irfft(spectrum)[: grid.size]
    return binned / share.sum(), np.round(np.maximum(density / density.max(), 0.0), 9)


def _kernel_widths(values: Array, share: Array, bandwidth: float) -> Array:
    """Return the widths (k,) of kernels: the bandwidth, and by √2 up to the spread of all."""
    middle = float(share @ values / share.sum())
    spread = float(np.sqrt(share @ (values - middle) ** 2 / share.sum()))
    steps = int(np.floor(2.0 * np.log2(max(spread / bandwidth, 1.0)) + EDGE))
    return np.asarray(bandwidth * np.sqrt(2.0) ** np.arange(steps + 1))


def _thresholds(ranks: Array, shares: Array, level: float) -> Array:
    """Return the rank (k,) from which up each of k strata counts a place to the set.

    ``ranks`` (k, c) of c places in each stratum, ``shares`` (k, c) of it at each. The union of
    what counts holds the level of every stratum, or more of one that the others' sets cover;
    inf where these are enough.
    """
    edges = np.full(len(ranks), np.inf)
    down = [np.lexsort((np.arange(row.size), -row)) for row in ranks]
    for _ in range(ROUNDS if len(ranks) > 1 else 1):
        for k, order in enumerate(down):
            others = np.any(np.delete(ranks >= edges[:, None], k, axis=0), axis=0)
            # what the other kinds' sets hold of this one need not be held again
            held = float(shares[k, others].sum())
            own = held + np.cumsum(np.where(others, 0.0, shares[k])[order])
            enough = len(ranks) > 1 and held >= level - 1e-9
            edges[k] = np.inf if enough else np.interp(level, own, ranks[k, order])
    return edges


def _densest(
    grid: Array, density: Array, samples: tuple[Array, Array], level: float, bandwidth: float
) -> tuple[tuple[float, float], ...]:
    """Return the pieces of the highest threshold whose set holds the level of the samples.

    ``samples``: ascending values (m,), and the share of all that lies before each (m + 1,).
    """
    low, high = 0.0, 1.0
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        # what lies on the edge is within, whatever the last bit says
        pieces = _pieces(grid, density, middle, bandwidth) + EDGE * bandwidth * np.array([-1, 1])
        held = _held(pieces, *samples)
        low, high = (middle, high) if held >= level - 1e-9 else (low, middle)
    return tuple((float(a), float(b)) for a, b in _pieces(grid, density, low, bandwidth))


def _pieces(grid: Array, density: Array, threshold: float, bandwidth: float) -> Array:
    """Return where the density reaches a threshold (k, 2), narrow gaps closed."""
    over = np.concatenate([[False], density >= threshold, [False]])
    first = np.flatnonzero(~over[:-1] & over[1:])
    last = np.flatnonzero(over[:-1] & ~over[1:]) - 1

    def crossing(inside: NDArray[np.int64], outside: NDArray[np.int64]) -> Array:
        """Interpolate between a cell at or over the threshold and its neighbor below it."""
        beyond = np.minimum(np.maximum(outside, 0), grid.size - 1)
        # linear between cells: the edge does not jump from cell to cell
        drop = density[inside] - density[beyond]
        part = np.where(drop > 0.0, (density[inside] - threshold) / np.maximum(drop, 1e-300), 0.0)
        return np.asarray(grid[inside] + np.minimum(part, 1.0) * (grid[beyond] - grid[inside]))

    starts, ends = crossing(first, first - 1), crossing(last, last + 1)
    apart = starts[1:] - ends[:-1] > LEAST_GAP_BANDWIDTHS * bandwidth
    return _closed(starts, ends, apart)


def _closed(starts: Array, ends: Array, apart: NDArray[np.bool_]) -> Array:
    """Return pieces (k, 2) with the gaps closed between those that are not ``apart`` (k − 1,)."""
    return np.stack(
        [starts[np.concatenate([[True], apart])], ends[np.concatenate([apart, [True]])]], axis=1
    )


def _held(pieces: Array, values: Array, reached: Array) -> float:
    """Return the share of ascending samples within pieces, which lie apart."""
    before = np.searchsorted(values, pieces[:, 0], side="left")
    past = np.searchsorted(values, pieces[:, 1], side="right")
    return float((reached[past] - reached[before]).sum())


def highest_density_regions(
    points: Array, weights: Array, strata: Strata | None = None, levels: Sequence[float] = LEVELS
) -> tuple[Region, ...]:
    """Return unions of ellipses that hold each level of places (m, 2).

    The samples of a stratum are parted where their density along the principal axis leaves a gap
    in its 95 % set; each part counts as a normal distribution with its own weight π, mean and
    covariance Σ.
    A place ranks by the largest of π |Σ|^(−1/2) exp(−½ d²) over the parts, d its Mahalanobis
    distance; the set that ranks above any value is a union of ellipses, and the value is the one
    above which the level of the samples ranks. So each region holds its level of the samples
    exactly, whatever their distribution.

    Parameters
    ----------
    points
        Samples (m, 2), m.
    weights
        Their weights (m,).
    strata
        What kind each sample is; None where all are of one.
    levels
        Shares to hold.

    Returns
    -------
    tuple[Region, ...]
        One union of ellipses for each level.
    """
    share = np.asarray(weights, float) / np.sum(weights)
    kinds = Strata.one(share.size) if strata is None else strata
    groups = [kinds.label == kind for kind in np.unique(kinds.label[share > 0.0])]
    found = [_normal_parts(points[g], share[g]) for g in groups]
    parts = [part for own in found for part in own]
    stratum = np.repeat(np.arange(len(found)), [len(own) for own in found])
    heights = np.array(
        [
            np.log(weight) - 0.5 * np.log(np.linalg.det(covariance))
            for weight, _, covariance in parts
        ]
    )
    # ln of π |Σ|^(−1/2) exp(−½ d²) of every sample under every part
    each = heights[:, None] - 0.5 * np.array(
        [_squared_distances(points - mean, covariance) for _, mean, covariance in parts]
    )
    own_ranks = np.array([each[stratum == k].max(axis=0) for k in range(len(found))])
    shares = np.array([np.where(g, share, 0.0) / share[g].sum() for g in groups])
    regions = []
    for level in levels:
        edges = _thresholds(own_ranks, shares, level)
        # at the lowest sample that still counts, that sample lies on the edge
        ranks = np.max(own_ranks - edges[:, None], axis=0)
        at = float(weighted_quantiles(ranks, share, np.array([1.0 - level]))[0])
        # heights − ½ r² = level: the ellipse on which a part has the rank of the edge
        radii = np.sqrt(2.0 * np.maximum(heights - edges[stratum] - at, 0.0))
        pieces = [
            ellipse_of(mean, covariance, float(radius))
            for radius, (_, mean, covariance) in zip(radii, parts, strict=True)
            if radius > 0.0
        ]
        regions.append(Region(level, tuple(pieces)))
    return tuple(regions)


def _normal_parts(points: Array, share: Array) -> list[tuple[float, Array, Array]]:
    """Return weight, mean and covariance of each part of one stratum's places."""
    return [_moments(points[chosen], share[chosen]) for chosen in _apart(points, share)]


def _apart(points: Array, share: Array) -> list[Array]:
    """Return flags (m,) of each part of the places, parted along their principal axis."""
    _, mean, covariance = _moments(points, share)
    angle = axis_angle(np.linalg.eigh(covariance)[1][:, -1])
    axis = np.array([np.cos(angle), np.sin(angle)])
    along = np.asarray((points - mean) @ axis)
    (widest,) = highest_density_intervals(along, share, levels=LEVELS[-1:])
    pieces = np.array(widest.pieces)
    # parted in the middle of each gap
    cuts = 0.5 * (pieces[1:, 0] + pieces[:-1, 1])
    label = np.searchsorted(cuts, along)
    return [label == part for part in range(cuts.size + 1)]


def _moments(points: Array, share: Array) -> tuple[float, Array, Array]:
    """Return weight, mean (2,) and covariance (2, 2) of weighted places, never singular."""
    weight = float(share.sum())
    mean = share @ points / weight
    gap = points - mean
    covariance = (share[:, None] * gap).T @ gap / weight
    return weight, mean, covariance + PLACE_FLOOR_M**2 * np.eye(2)


def _squared_distances(gaps: Array, covariance: Array) -> Array:
    """Return squared Mahalanobis distances (m,) of gaps (m, 2)."""
    return np.asarray(np.sum(gaps * np.linalg.solve(covariance, gaps.T).T, axis=1))


def ellipse_of(center: Array, covariance: Array, radius: float) -> Ellipse:
    """Return the ellipse at a Mahalanobis ``radius`` of a covariance (2, 2) about a center (2,).

    The lot angle of the major axis is in (−π/2, π/2], 0 for a circle.

    Parameters
    ----------
    center
        Middle (2,), m.
    covariance
        Covariance (2, 2), m².
    radius
        Mahalanobis distance of the edge.

    Returns
    -------
    Ellipse
        The ellipse, its semi-axes in m.
    """
    major, minor, angle = ellipse(covariance)
    x, y = (float(value) for value in center)
    return Ellipse(x, y, radius * major, radius * minor, angle)


def normal_intervals(mean: float, sd: float) -> tuple[Interval, ...]:
    """Return the central intervals of a normal distribution.

    Parameters
    ----------
    mean
        Its mean.
    sd
        Its standard deviation.

    Returns
    -------
    tuple[Interval, ...]
        One interval for each of 50, 80 and 95 %.

    Examples
    --------
    >>> [round(one.pieces[0][1], 6) for one in normal_intervals(0.0, 1.0)]
    [0.67449, 1.281552, 1.959964]
    """
    reaches = [(level, sd * float(ndtri(0.5 + 0.5 * level))) for level in LEVELS]
    return tuple(Interval(level, ((mean - reach, mean + reach),)) for level, reach in reaches)


def normal_regions(center: Array, covariance: Array) -> tuple[Region, ...]:
    """Return the ellipses of a normal distribution of a place (2,) with a covariance (2, 2).

    Parameters
    ----------
    center
        Middle (2,), m.
    covariance
        Covariance (2, 2), m².

    Returns
    -------
    tuple[Region, ...]
        One ellipse for each of 50, 80 and 95 %.

    Examples
    --------
    >>> [round(one.pieces[0].semi_major_m, 6) for one in normal_regions(np.zeros(2), np.eye(2))]
    [1.17741, 1.794123, 2.447747]
    """
    radii = [(level, float(np.sqrt(-2.0 * np.log(1.0 - level)))) for level in LEVELS]
    return tuple(Region(level, (ellipse_of(center, covariance, r),)) for level, r in radii)


def normal_samples(weights: Array, means: Array, sds: Array) -> tuple[Array, Array]:
    """Return samples (k·n,) with weights that stand for a mixture of k normal distributions.

    Each is given by its values at n = 400 even quantiles.

    Parameters
    ----------
    weights
        Weights of the parts (k,).
    means
        Their means (k,).
    sds
        Their standard deviations (k,).

    Returns
    -------
    samples
        Values (k·n,).
    weights
        Their weights (k·n,).
    """
    draws = ndtri((np.arange(NORMAL_STEPS) + 0.5) / NORMAL_STEPS)
    values = np.asarray(means)[:, None] + np.asarray(sds)[:, None] * draws
    return values.ravel(), np.repeat(np.asarray(weights) / NORMAL_STEPS, NORMAL_STEPS)


def shifted(
    intervals: tuple[Interval, ...], by: float, *, mirrored: bool = False
) -> tuple[Interval, ...]:
    """Return intervals moved by a value, and then mirrored at 0 where asked.

    Parameters
    ----------
    intervals
        Intervals to move.
    by
        Value added to both ends.
    mirrored
        Whether signs change after the move.

    Returns
    -------
    tuple[Interval, ...]
        The moved intervals, low end first.

    Examples
    --------
    >>> shifted((Interval(0.5, ((1.0, 2.0),)),), -5.0, mirrored=True)[0].pieces
    ((3.0, 4.0),)
    """
    moved = []
    for one in intervals:
        pieces = [(low + by, high + by) for low, high in one.pieces]
        if mirrored:
            pieces = [(-high, -low) for low, high in reversed(pieces)]
        moved.append(Interval(one.level, tuple(pieces)))
    return tuple(moved)


def without_gaps(interval: Interval, least: float) -> Interval:
    """Return an interval whose pieces lie ``least`` apart or more: narrower gaps belong to it.

    Parameters
    ----------
    interval
        Pieces in ascending order.
    least
        Narrowest gap that stays.

    Returns
    -------
    Interval
        The interval of the same level.

    Examples
    --------
    >>> without_gaps(Interval(0.95, ((-3.0, 1.0), (2.0, 4.0), (9.0, 9.5))), 2.0).pieces
    ((-3.0, 4.0), (9.0, 9.5))
    """
    lows, highs = np.array(interval.pieces).T
    pieces = _closed(lows, highs, at_least(lows[1:] - highs[:-1], least))
    return Interval(interval.level, tuple((float(low), float(high)) for low, high in pieces))
