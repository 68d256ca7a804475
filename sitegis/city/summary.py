"""What a city's answer comes to: counts, how sure, and where one check would tell most."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import field

import numpy as np
import shapely

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..numerics.ordering import on_lattice
from .columns import count_words
from .frontage import NAMES_FRONT, NAMES_OTHER
from .infer import ANSWERS
from .layer_arrays import Whole, Words
from .styles import RATHER_SURE, SURE
from .tables import Columns, Tables, from_wkb, table

SHOWN = 5
# Judgment, no source.
MOST_WITHOUT_FRONT = 0.15
MOST_WITHOUT_MAIN = 0.30


@dataclass(frozen=True, slots=True)
class RankedStop:
    """A manhole or a street with what checks there would tell, over all lots."""

    name: str
    bits: float
    lots: int


@dataclass(frozen=True, slots=True)
class CitySummary:
    """Counts over the lots, and the manholes and streets by expected bits, best first."""

    name: str
    lots: int
    toward: dict[str, int]
    unanswered: dict[str, int]
    notices: tuple[Notice, ...]
    sure: int
    rather_sure: int
    kinds: dict[str, int]
    addresses: dict[str, int]
    flags: dict[str, int]
    person_flags: int
    failures: dict[str, int]
    manholes: tuple[RankedStop, ...]
    streets: tuple[RankedStop, ...]
    from_field: int

    def __repr__(self) -> str:
        """Name the city, its lots, and how many have an answer of 95 % or more."""
        return f"<sitegis.CitySummary {self.name!r}: {self.lots} lots, {self.sure} at 95 % or more>"

    @property
    def needs_person(self) -> bool:
        """Whether anything waits for a person."""
        return bool(
            self.person_flags
            or self.failures
            or any(notice.needs_person for notice in self.notices)
        )

    def lines(self) -> list[str]:
        """Say it in sentences."""
        silent = sum(self.unanswered.values())
        unsure = self.lots - silent - self.sure - self.rather_sure
        sentences = [
            f"{self.name}: {self.lots} lots worked out, {self.from_field} of them from field "
            f"findings; {sum(self.failures.values())} not (layer failures).",
            "Most probable main: " + count_words(self.toward) + ".",
            f"How sure: {self.sure} lots at 95 % or more, {self.rather_sure} at 80 to 95 %, "
            f"{unsure} below; {silent} have no answer.",
            "Lots: " + count_words(self.kinds) + ".",
        ]
        if self.addresses:
            matched = self.addresses.get(NAMES_FRONT, 0) + self.addresses.get(NAMES_OTHER, 0)
            sentences.append(
                f"Addresses: {matched} of {sum(self.addresses.values())} matched to a "
                f"street the lot faces ({count_words(self.addresses)})."
            )
        if self.unanswered:
            sentences.append("No answer: " + count_words(self.unanswered) + ".")
        sentences += [f"{'! ' if n.needs_person else ''}{n.message}" for n in self.notices]
        if self.manholes:
            sentences.append(
                "Manholes to watch, with dye from the lots above them, the most informative first:"
            )
            sentences += [_ranked(r) for r in self.manholes[:SHOWN]]
        if self.streets:
            sentences.append(
                "Streets to visit, looking indoors for the wall penetration, the most informative "
                "first:"
            )
            sentences += [_ranked(r) for r in self.streets[:SHOWN]]
        if self.flags:
            sentences.append("Flags: " + count_words(self.flags) + ".")
        if self.failures:
            sentences.append("Not worked out: " + count_words(self.failures) + ".")
        sentences.append(
            "Inferred from records, never a locate: have marks made before any digging. "
            "Assumptions and cautions are in the layer notes."
        )
        return sentences


def _ranked(ranked: RankedStop) -> str:
    return f"  {ranked.name}: information gain {ranked.bits:.1f} over {ranked.lots} lots"


# bits to 2⁻⁴⁰, places to a micrometer: as whole numbers their sums over the lots of a manhole or a
# street stay far below 2⁶³
STEPS = np.array([2.0**40, 2.0**20, 2.0**20])
# rows of sums that are put together at once
GATHERED = 50_000


@dataclass(frozen=True, slots=True)
class _Ranked:
    """Names (n,), best first: bits, lots and mean places (n, 2)."""

    names: Words
    bits: Array
    lots: Whole
    places: Array


@dataclass(slots=True)
class Shares:
    """Sums by name over the lots: of bits, x and y in whole steps, and how many lots.

    Whole numbers add up to the same in any order of the lots.
    """

    parts: list[tuple[Words, Whole]] = field(default_factory=list)

    def include(self, rows: Columns, key: str) -> None:
        """Add up the bits and the place of every lot.

        Parameters
        ----------
        rows
            Columns ``bits`` and ``geometry`` (k,), and the names.
        key
            The column of the names.
        """
        if not len(rows[key]):
            return
        places = shapely.get_coordinates(from_wkb(rows["geometry"]))
        steps = np.round(np.column_stack([rows["bits"], places]) * STEPS).astype(np.int64)
        self.parts.append(
            _summed(rows[key], np.column_stack([steps, np.ones(len(steps), np.int64)]))
        )
        if sum(len(names) for names, _sums in self.parts[1:]) > GATHERED:
            self._gather()

    def _gather(self) -> None:
        names, sums = (np.concatenate(column) for column in zip(*self.parts, strict=True))
        self.parts = [_summed(names, sums)]

    def ranked(self) -> _Ranked:
        """Return all names with something to tell, the most first; nameless ones are left out."""
        if not self.parts:
            return _Ranked(
                np.zeros(0, np.str_), np.zeros(0), np.zeros(0, np.int64), np.empty((0, 2))
            )
        self._gather()
        ((names, sums),) = self.parts
        means = sums[:, :3] / STEPS
        there = np.flatnonzero((names != "") & (means[:, 0] > 0.0))
        order = there[np.lexsort((names[there], -np.round(means[there, 0], 9)))]
        lots = sums[order, 3]
        return _Ranked(names[order], means[order, 0], lots, means[order, 1:] / lots[:, None])


def _summed(names: Words, numbers: Whole) -> tuple[Words, Whole]:
    """Return different names and the sums (n, 4) of their rows."""
    different, inverse = np.unique(names, return_inverse=True)
    sums = np.zeros((len(different), 4), np.int64)
    np.add.at(sums, inverse, numbers)
    return different, sums


@dataclass(slots=True)
class Tally:
    """Adds up chunk by chunk."""

    toward: Counter[str] = field(default_factory=Counter)
    unanswered: Counter[str] = field(default_factory=Counter)
    kinds: Counter[str] = field(default_factory=Counter)
    addresses: Counter[str] = field(default_factory=Counter)
    flags: Counter[str] = field(default_factory=Counter)
    failures: Counter[str] = field(default_factory=Counter)
    manholes: Shares = field(default_factory=Shares)
    streets: Shares = field(default_factory=Shares)
    lots: int = 0
    open_bits: float = 0.0
    sure: int = 0
    rather: int = 0
    person: int = 0
    from_field: int = 0

    def add(self, tables: Tables) -> None:
        """Add a chunk."""
        lots = tables["lots"]
        answered = lots["answer"] == ANSWERS[0]
        top = np.max(np.stack([lots[c][answered] for c in ("p_front", "p_rear", "p_side")]), 0)
        self.lots += len(answered)
        # exactly rounded, so that the order of lots does not matter
        self.open_bits += math.fsum(lots["entropy_bits"][answered].tolist())
        self.sure += int((top >= SURE).sum())
        self.rather += int(((top >= RATHER_SURE) & (top < SURE)).sum())
        self.from_field += int((lots["source"] == "field findings").sum())
        self.toward.update(lots["toward"][answered].tolist())
        self.unanswered.update(lots["answer"][~answered].tolist())
        self.kinds.update(lots["kind"].tolist())
        self.addresses.update(word for word in lots["address"].tolist() if word)
        self.flags.update(tables["flags"]["code"].tolist())
        self.person += int(tables["flags"]["needs_person"].sum())
        self.failures.update(tables["failures"]["code"].tolist())
        self.manholes.include(tables["manhole_bits"], "manhole")
        self.streets.include(tables["street_bits"], "street")

    def notices(self, notices: tuple[Notice, ...]) -> list[Notice]:
        """Return what a person should know of the layers: what was read, and what came of it."""
        lost, found = self.kinds["no-frontage"], list(notices)
        if lost > MOST_WITHOUT_FRONT * max(self.lots, 20):
            found.append(notice_of("many-without-front", "streets", lost=lost, lots=self.lots))
        bare = self.unanswered[ANSWERS[1]]
        if bare > MOST_WITHOUT_MAIN * max(self.lots, 20):
            found.append(notice_of("many-without-main", "mains", bare=bare, lots=self.lots))
        return found

    def summary(self, name: str, notices: tuple[Notice, ...]) -> CitySummary:
        """Return the sums.

        Parameters
        ----------
        name
            Name of the city.
        notices
            What was said while reading.

        Returns
        -------
        CitySummary
            The sums.
        """
        return CitySummary(
            name=name,
            lots=self.lots,
            toward=dict(self.toward),
            unanswered=dict(self.unanswered),
            notices=tuple(self.notices(notices)),
            sure=self.sure,
            rather_sure=self.rather,
            kinds=dict(self.kinds),
            addresses=dict(self.addresses),
            flags=dict(self.flags),
            person_flags=self.person,
            failures=dict(self.failures),
            manholes=_rank(self.manholes),
            streets=_rank(self.streets),
            from_field=self.from_field,
        )

    def layers(self) -> Tables:
        """Return the ranked manholes and streets as layers."""
        return {
            "manholes_to_watch": _layer(self.manholes),
            "streets_to_visit": _layer(self.streets),
        }


def _rank(shares: Shares) -> tuple[RankedStop, ...]:
    ranked = shares.ranked()
    rows = zip(ranked.names.tolist(), ranked.bits.tolist(), ranked.lots.tolist(), strict=True)
    return tuple(RankedStop(*row) for row in rows)


def _layer(shares: Shares) -> Columns:
    ranked = shares.ranked()
    return table(
        shapely.points(on_lattice(ranked.places)),
        rank=np.arange(1, len(ranked.names) + 1),
        name=ranked.names,
        bits=ranked.bits,
        lots=ranked.lots,
    )
