"""A run's pipe as others may join it: its straights with their covariance, its invert."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..line.profile import mixture_moments
from ..line.straights import Chain, Marks, directions
from ..model.results import ProfileComponent
from ..numerics.ordering import MATTERS_M, in_steps
from ..numerics.statistics import nonnegative

Indices = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Pipe:
    """Straights of a run: k + 1 of them.

    ``corners`` (k + 2, 2) from the first point through the bends to ``ahead`` past the last one;
    ``stations_m`` (k + 2,) of them, 0 at the first point; ``angles`` (k + 1,). ``covariance``
    (2k + 2, 2k + 2) of the chain's parameters, as in :class:`~sitegis.line.straights.Chain`, in the
    frame that moves with the building and the session. ``seen_m`` is the station of the last point.
    ``profile`` is at the last point.
    """

    corners: Array
    stations_m: Array
    angles: Array
    covariance: Array
    seen_m: float
    profile: tuple[ProfileComponent, ...]

    def at(self, stations: Array) -> tuple[Array, Indices]:
        """Return the places (m, 2) at stations (m,), and the straight each lies on."""
        segment = np.clip(
            np.searchsorted(self.stations_m, stations, side="right") - 1, 0, self.angles.size - 1
        )
        ahead = stations - self.stations_m[segment]
        return self.corners[segment] + ahead[:, None] * lot_direction(self.angles[segment]), segment

    def project(self, xy: Array) -> tuple[Array, Array, Indices]:
        """Return stations, offsets (left positive) and straights (n,) of points (n, 2).

        The first and the last straight go on past their ends, so that a point upstream of the
        pipe has a station below 0.
        """
        ends = np.diff(self.stations_m)
        gap = xy[:, None] - self.corners[:-1]
        along = lot_direction(self.angles)
        # the foot on each straight, held within it
        ahead = np.clip(np.einsum("nki,ki->nk", gap, along), 0.0, ends)
        away = np.hypot(*(gap - ahead[..., None] * along).transpose(2, 0, 1))
        segment = np.argmin(in_steps(away, MATTERS_M), axis=1)  # of equal ones the upstream one
        rows = np.arange(len(xy))
        side = along[segment, 0] * gap[rows, segment, 1] - along[segment, 1] * gap[rows, segment, 0]
        along_it = np.einsum("ni,ni->n", gap[rows, segment], along[segment])
        # the first straight goes on upstream, the last one downstream
        least = np.where(segment == 0, -np.inf, 0.0)
        most = np.where(segment == ends.size - 1, np.inf, ends[segment])
        return self.stations_m[segment] + np.clip(along_it, least, most), side, segment

    def shift_rows(self, places: Array, segment: Indices) -> tuple[Array, Array]:
        """Return how the pipe's sideways shift and turn at places (m, 2) follow from parameters.

        Both (m, 2k + 2). A point x of straight g moves left by δc_g + (u_g · x) Σ δθ.

        Parameters
        ----------
        places
            Places on the pipe (m, 2), m.
        segment
            Straight of each (m,).

        Returns
        -------
        shift
            By the parameters (m, 2k + 2).
        turn
            By the parameters (m, 2k + 2).
        """
        count = self.angles.size
        turn = np.zeros((len(places), 2 * count))
        # straight g has turned by θ0 and all bends up to g
        turn[:, :count] = np.arange(count) <= segment[:, None]
        # directions are sums of turns: a turn moves all that lies past it by its lever
        lever = np.sum(lot_direction(self.angles[segment]) * places, axis=1)
        shift = turn * lever[:, None]
        shift[np.arange(len(places)), count + segment] += 1.0
        return shift, turn

    def inverts(self, stations: Array) -> tuple[Array, Array]:
        """Return mean (..., n) and covariance (..., n, n) of the inverts at stations (..., n).

        Over the whole profile, brought to its moments.
        """
        # invert upstream of the reference: invert + slope × distance
        lever = np.stack([np.ones_like(stations), self.seen_m - stations], axis=-1)
        mean, covariance = mixture_moments(self.profile)
        return lever @ mean, lever @ covariance @ lever.swapaxes(-1, -2)


def pipe_of(chain: Chain, ahead_m: float, profile: tuple[ProfileComponent, ...]) -> Pipe:
    """Make the pipe of a fitted chain, carried on straight by ``ahead_m``.

    Parameters
    ----------
    chain
        The fitted chain.
    ahead_m
        Length past its end, m.
    profile
        Mixture of invert and slope.

    Returns
    -------
    Pipe
        The pipe.
    """
    angles = np.asarray(directions(chain.parameters), float)
    corners = np.array(chain.vertices)
    # up to the last point; beyond that the pipe is only carried on
    seen = float(np.hypot(*np.diff(corners, axis=0).T).sum())
    corners[-1] = corners[-1] + ahead_m * lot_direction(angles[-1])
    stations = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    return Pipe(corners, stations, angles, chain.covariance, seen, profile)


def relative(marks: Marks, position_sd_m: float) -> Marks:
    """Return marks in the frame that moves with the building and with the session's shift.

    What moves all runs alike says nothing of how they lie to each other: the building's place is
    taken out, and the session's shift moved from what the locator found to what was taped.

    Parameters
    ----------
    marks
        Points of one pipe in downstream order, n of them.
    position_sd_m
        Standard deviation of the building's place, m.

    Returns
    -------
    Marks
        The marks in that frame.
    """
    n, square = len(marks.xy), marks.session_sd_m**2
    found = marks.received.astype(float)
    taped = 1.0 - found
    # errors relative to the drains: the located move with the session,
    # so that only the taped are off by it
    common = -(position_sd_m**2) - square * np.outer(found, found) + square * np.outer(taped, taped)
    covariance = marks.covariance + np.kron(common, np.eye(2))
    own = np.zeros((n, 2, n, 2))
    own[np.arange(n), :, np.arange(n), :] = marks.independent
    # taking shares out may leave a hair of negative variance
    rest = nonnegative(covariance - own.reshape(2 * n, 2 * n))
    return replace(marks, covariance=rest + own.reshape(2 * n, 2 * n), session_sd_m=0.0)
