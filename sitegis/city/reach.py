"""Where straights from houses meet the mains of their pairs, at their ends and a little past."""

from __future__ import annotations

import numpy as np
import shapely

from ..geometry.frames import Array
from ..numerics.ordering import ANGLE_RAD, LENGTH_M, RATIO, in_steps, on_lattice
from ..numerics.records import take_rows
from .layer_arrays import Mains, Pairs, Whole, unique_rows
from .network import around
from .segments import Pieces, cross, feet, line_pieces, spread

# All judgment, no source. A main may yet be met this far past its last vertex: the lateral then
# taps its end.
LONGEST_M = 80.0
PAST_END_M = 30.0


class Meeting:
    """The straight pieces of mains that routes of each pair may meet, its open ends drawn out."""

    def __init__(self, pairs: Pairs, mains: Mains, centers: Array) -> None:
        # with the pieces before and after on their lines: a reach is no border
        row, main = around(mains, pairs.main)
        self.count = len(pairs.lot)
        keys = unique_rows(pairs.main_pair[row], main)[0]
        self.pieces = _with_ends(mains)
        sizes = np.bincount(self.pieces.line, minlength=len(mains.ids))
        firsts = np.cumsum(sizes) - sizes
        owner, rank = spread(sizes[keys[1]])
        pair, piece = keys[0][owner], firsts[keys[1]][owner] + rank
        # only pieces that any route could reach: most of a long main is far
        gap = feet(centers[pair], self.pieces, piece) - centers[pair]
        near = np.flatnonzero(np.hypot(*gap.T) <= LONGEST_M + PAST_END_M)
        self.pair, self.piece = pair[near], piece[near]
        self.held, self.firsts = np.unique(self.pair, return_index=True)

    def _least(self, value: Array) -> tuple[Whole, Whole]:
        """Return pairs and their rows with the least value; among equals the first."""
        # to a micrometer, and then the first: no last bit decides
        rounded = in_steps(value, 1e-6)
        if not len(rounded):
            return self.held, self.firsts
        lowest = np.minimum.reduceat(rounded, self.firsts)
        sizes = np.diff(np.append(self.firsts, len(rounded)))
        rows = np.flatnonzero((rounded == np.repeat(lowest, sizes)) & np.isfinite(rounded))
        first = rows[np.flatnonzero(np.diff(self.pair[rows], prepend=-1))]
        return self.pair[first], first

    def toward(self, points: Array, otherwise: Array) -> Array:
        """Return the unit directions from points (q, 2) to the nearest place on the pair's mains.

        Parameters
        ----------
        points
            Points (q, 2), m.
        otherwise
            Directions where there is none (q, 2).

        Returns
        -------
        Array
            Unit vectors (q, 2).
        """
        out = otherwise.copy()
        foot = feet(points[self.pair], self.pieces, self.piece)
        length = np.hypot(*(foot - points[self.pair]).T)
        pair, row = self._least(length)
        far = length[row] > 1e-6
        pair, row = pair[far], row[far]
        out[pair] = on_lattice((foot[row] - points[pair]) / length[row, None], RATIO)
        return out

    def reach(self, starts: Array, directions: Array) -> tuple[Whole, Array, Array, Array, Array]:
        """Find where rays (q, k, 2) first meet a main of their pair.

        Gives main (-1 none), station of the tap, place met (the start where none), meters past
        the main's end and the angle off square, each by (q, k).

        Parameters
        ----------
        starts
            Starts of the rays (q, k, 2), m.
        directions
            Unit vectors (q, k, 2).

        Returns
        -------
        tuple[Whole, Array, Array, Array, Array]
            Main, station in m, place in m, meters past the end, angle off square in
            rad: (q, k) each.
        """
        shape = starts.shape[:2]
        main, hit = np.full(shape, -1, np.int64), starts.copy()
        station, past, slant = np.zeros(shape), np.zeros(shape), np.full(shape, np.pi)
        pieces, step = self.pieces, self.pieces.ends - self.pieces.starts
        length = np.maximum(np.hypot(*step.T), 1e-9)
        for k in range(shape[1]):
            s, d = starts[self.pair, k], directions[self.pair, k]
            along = cross(s, d, pieces, self.piece)
            pair, row = self._least(np.where(along <= LONGEST_M, along, np.inf))
            piece = self.piece[row]
            place = s[row] + along[row, None] * d[row]
            beyond = np.hypot(*(place - pieces.starts[piece]).T)
            over = pieces.past[piece] == 1
            main[pair, k] = pieces.line[piece]
            hit[pair, k] = place
            # how far the tap lies past the end; on the main itself 0
            past[pair, k] = np.where(over, beyond, 0.0)
            station[pair, k] = pieces.stations_m[piece] + np.where(over, 0.0, beyond)
            cosine = np.abs((step[piece] * d[row]).sum(axis=1)) / length[piece]
            # at an end the lateral may turn into the manhole from anywhere
            slant[pair, k] = np.where(over, 0.0, np.arcsin(np.clip(cosine, 0.0, 1.0)))
        return (
            main,
            on_lattice(station, LENGTH_M),
            on_lattice(hit, LENGTH_M),
            on_lattice(past, LENGTH_M),
            on_lattice(slant, ANGLE_RAD),
        )


def _with_ends(mains: Mains) -> Pieces:
    """Cut the mains into straight pieces, and draw their open ends out by 30 m; by main."""
    own = line_pieces(mains.shapes)
    main, end = np.nonzero(mains.open_ends)
    at = [
        np.stack([shapely.get_x(p), shapely.get_y(p)], axis=1)
        for p in (
            shapely.get_point(mains.shapes[main], i)
            for i in (np.where(end == 0, 0, -1), np.where(end == 0, 1, -2))
        )
    ]
    out = at[0] - at[1]
    out = on_lattice(out / np.maximum(np.hypot(*out.T), 1e-9)[:, None], RATIO)
    length = np.where(end == 0, 0.0, shapely.length(mains.shapes[main]))
    joined = Pieces(
        np.concatenate([own.starts, at[0]]),
        np.concatenate([own.ends, at[0] + PAST_END_M * out]),
        np.concatenate([own.line, main]),
        np.concatenate([own.stations_m, length]),
        np.concatenate([own.past, np.ones(len(main), np.int64)]),
    )
    # the drawn-out ends last of each main: its own pieces win ties
    return take_rows(joined, np.lexsort((joined.past, joined.line)))
