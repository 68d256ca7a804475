"""Priors of a lot's hypotheses: those of stage routes, by the sides that have mains."""

from __future__ import annotations

from dataclasses import field

import numpy as np

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.site import SIDES, Main, Priors
from ..routes.hypotheses import OLDER_BEFORE_YEAR, list_hypotheses
from .layer_arrays import FRONT, Pairs
from .routes import DIRECT, YARD_LEFT, YARD_RIGHT

# side × way, and other ways or none on record
HYPOTHESES = 4 * 3 + 1
UNLISTED = HYPOTHESES - 1


@dataclass(slots=True)
class PriorTable:
    """The stage's priors by signature (sides, kinds, age): few differ in a whole city."""

    priors: Priors
    known: dict[tuple[tuple[tuple[int, bool], ...], int | None], Array] = field(
        default_factory=dict
    )

    def prior_of(self, pairs: tuple[tuple[int, bool], ...], year: int | None) -> Array:
        """Return the prior (13,) of a lot with mains on these (side, alley) pairs.

        Parameters
        ----------
        pairs
            Sides with mains, and whether in an alley.
        year
            Year of the house, None where not known.

        Returns
        -------
        Array
            Prior (13,).
        """
        # few signatures in a whole city: the stage's own hypotheses are worked out once for each
        key = (pairs, year)
        if key not in self.known:
            self.known[key] = self._work_out(pairs, year)
        return self.known[key]

    def mixed(
        self, pairs: tuple[tuple[int, bool], ...], year: int | None, sure: float, other: int
    ) -> Array:
        """Return the prior (13,) where the front is the front with ``sure``, else side ``other``.

        Parameters
        ----------
        pairs
            Sides with mains, and whether in an alley.
        year
            Year of the house, None where not known.
        sure
            Probability that the front is the front.
        other
            Side that is the front else.

        Returns
        -------
        Array
            Prior (13,).
        """
        own = self.prior_of(pairs, year)
        if other <= FRONT:
            return own
        # as seen with the other line as front, then turned back to the sides of this one
        turned = self.prior_of(tuple(((side - other) % 4, alley) for side, alley in pairs), year)
        back = np.append(np.roll(turned[:UNLISTED].reshape(4, 3), other, axis=0), turned[UNLISTED])
        return np.asarray(sure * own + (1.0 - sure) * back)

    def _work_out(self, pairs: tuple[tuple[int, bool], ...], year: int | None) -> Array:
        mains = [_stub(side, alley) for side, alley in pairs]
        prior = np.zeros(HYPOTHESES)
        for hypothesis in list_hypotheses(mains, self.priors, year):
            if hypothesis.main is None:
                prior[UNLISTED] += hypothesis.prior
                continue
            side = int(hypothesis.main)
            prior[3 * side + _alternative(side, hypothesis.yard_side)] += hypothesis.prior
        return prior


def _stub(side: int, alley: bool) -> Main:
    """Make a main of which only id, side and kind are looked at."""
    # the priors ask for no geometry
    nothing = np.zeros((0, 2))
    return Main(
        id=str(side),
        street="",
        side=SIDES[side],
        kind="alley" if alley else "street",
        line=nothing,
        inverts_m=np.zeros(0),
        invert_sd_m=0.0,
        invert_known=False,
        diameter_m=0.2,
        manholes=(),
        tap_stations_m=(),
    )


def _alternative(side: int, yard: str | None) -> int:
    """Return the way's code: yards are named by the house's side, codes as seen toward the main."""
    if yard is None:
        return DIRECT
    # looking toward side s, the next side in the order (front, right, rear, left) is on the left
    return YARD_LEFT if SIDES.index(yard) == (side + 1) % 4 else YARD_RIGHT


def signatures(pairs: Pairs, years: Array) -> list[tuple[tuple[tuple[int, bool], ...], int | None]]:
    """Return each lot's (side, alley) pairs, and a year that stands for all of its age.

    Parameters
    ----------
    pairs
        Lot, side and mains that may serve it, q of them.
    years
        Years of the houses (n,), nan where not known.

    Returns
    -------
    list[tuple[tuple[tuple[int, bool], ...], int | None]]
        One a lot.
    """
    # one year for each age: then signatures are few
    ages = np.where(years < OLDER_BEFORE_YEAR, OLDER_BEFORE_YEAR - 1, OLDER_BEFORE_YEAR)
    ages = np.where(np.isfinite(years), ages, np.nan)
    sides: list[list[tuple[int, bool]]] = [[] for _ in years]
    for lot, side, alley in zip(
        pairs.lot.tolist(), pairs.side.tolist(), pairs.alley.tolist(), strict=True
    ):
        sides[lot].append((side, alley))
    return [
        (tuple(s), None if not np.isfinite(y) else int(y))
        for s, y in zip(sides, ages.tolist(), strict=True)
    ]
