"""Sequences of outdoor bends from the catalog, with their prior probabilities."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..line.bend_catalog import BEND_ANGLE_SD_RAD, FREE_SD_DEG, FREE_SHARE

__all__ = [
    "ANGLE_SHARES",
    "COUNT_SHARES",
    "MOST_BENDS",
    "OFFSET_SHARE",
    "Sequences",
    "bend_sequences",
    "bend_words",
    "draw_play",
]

MOST_BENDS = 3
# Share of laterals by number of outdoor bends, and of bends by angle (degrees, either hand).
# Judgment, no source.
COUNT_SHARES: tuple[float, ...] = (0.40, 0.32, 0.20, 0.08)
ANGLE_SHARES: Mapping[float, float] = {
    11.25: 0.10,
    22.5: 0.22,
    45.0: 0.36,
    60.0: 0.05,
    72.0: 0.03,
    90.0: 0.24,
}
OFFSET_SHARE = 0.5
"""Share of pairs of bends that are an offset: two equal bends, one to either hand, that lay a pipe
parallel to where it ran (what tables of fittings list travel and run for). Judgment, no source."""


@dataclass(frozen=True, slots=True)
class Sequences:
    """Bend sequences: ``turns_rad`` (s, 3), left positive, zero past ``counts`` (s,) bends.

    ``headings_rad`` (s, 4) is the turn from the exit's direction after 0…3 bends; ``prior`` (s,).
    """

    turns_rad: Array
    headings_rad: Array
    counts: NDArray[np.int64]
    prior: Array

    def chosen(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> Sequences:
        """Return some of the sequences, priors untouched."""
        return Sequences(
            self.turns_rad[index], self.headings_rad[index], self.counts[index], self.prior[index]
        )


@lru_cache(maxsize=1)
def bend_sequences() -> Sequences:
    """List all sequences of 0…3 bends; their priors sum to 1.

    The number of bends is drawn by ``COUNT_SHARES``, each angle by ``ANGLE_SHARES``, left and
    right alike; of two bends ``OFFSET_SHARE`` are an offset, its angle drawn once.
    """
    signed = [(sign * a, share / 2) for a, share in ANGLE_SHARES.items() for sign in (1.0, -1.0)]
    turns, counts, prior = [], [], []
    for count, count_share in enumerate(COUNT_SHARES):
        for drawn in product(signed, repeat=count):
            # padded to three: a straight past the last bend has no
            # turn, and the table is rectangular
            turns.append([angle for angle, _ in drawn] + [0.0] * (MOST_BENDS - count))
            counts.append(count)
            each = math.prod(share for _, share in drawn)
            if count == 2:
                is_offset = drawn[0][0] == -drawn[1][0]
                each = (1.0 - OFFSET_SHARE) * each + OFFSET_SHARE * is_offset * drawn[0][1]
            prior.append(count_share * each)
    turns_rad = np.radians(np.array(turns))
    headings = np.concatenate([np.zeros((len(turns), 1)), np.cumsum(turns_rad, axis=1)], axis=1)
    return Sequences(turns_rad, headings, np.array(counts, np.int64), np.array(prior))


def bend_words() -> str:
    """Say which outdoor bends routes are drawn with, and how far these are off their angle."""
    angles = ", ".join(f"{angle:g}" for angle in ANGLE_SHARES)
    return (
        f"Outdoor bends are of {angles} degrees, {MOST_BENDS} at most, each off its angle by "
        f"{np.degrees(BEND_ANGLE_SD_RAD):g}° (one standard deviation), or by {FREE_SD_DEG:g}° for "
        f"the {100 * FREE_SHARE:g} % that are rolled, joined or bent pipe (judgment, no source)."
    )


def draw_play(uniforms: Array) -> tuple[Array, Array]:
    """Return how far bends are off their catalog angle, from uniforms (n, 3).

    As standard deviations (n, 3), radians, and standard normal draws (n, 3) of them: a made bend
    is as true outdoors as under the slab, and as many as there are rolled, joined or bent pipe.
    """
    free = uniforms < FREE_SHARE
    # what is left of a uniform within its share is one again: one dimension serves two draws
    own = (uniforms - FREE_SHARE) / (1.0 - FREE_SHARE)
    within = np.where(free, uniforms / FREE_SHARE, own)
    spread = np.where(free, np.radians(FREE_SD_DEG), BEND_ANGLE_SD_RAD)
    return spread, np.asarray(ndtri(np.clip(within, 1e-12, 1.0 - 1e-9)))
