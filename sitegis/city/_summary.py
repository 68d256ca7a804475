"""What a city's answer comes to: counts, how sure, and where one check would tell most."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

import numpy as np
import shapely

from ._tables import Columns, Tables, table

SURE, RATHER_SURE = 0.95, 0.80
SHOWN = 5


@dataclass(frozen=True, slots=True)
class Ranked:
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
    sure: int
    rather_sure: int
    kinds: dict[str, int]
    flags: dict[str, int]
    person_flags: int
    failures: dict[str, int]
    manholes: tuple[Ranked, ...]
    streets: tuple[Ranked, ...]
    from_field: int

    @property
    def needs_person(self) -> bool:
        """Whether anything waits for a person."""
        return bool(self.person_flags or self.failures)

    def lines(self) -> list[str]:
        """Say it in sentences."""
        unsure = self.lots - self.sure - self.rather_sure
        said = [
            f"{self.name}: {self.lots} lots worked out, {self.from_field} of them from field "
            f"findings; {sum(self.failures.values())} not (layer failures).",
            "Most probable main: " + _counts(self.toward) + ".",
            f"How sure: {self.sure} lots at 95 % or more, {self.rather_sure} at 80 to 95 %, "
            f"{unsure} below.",
            "Lots: " + _counts(self.kinds) + ".",
        ]
        if self.manholes:
            said.append("One manhole to watch, with dye from the lots above it, that tells most:")
            said += [_ranked(r) for r in self.manholes[:SHOWN]]
        if self.streets:
            said.append("One street to visit, looking indoors where the drain leaves:")
            said += [_ranked(r) for r in self.streets[:SHOWN]]
        if self.flags:
            said.append("Flags: " + _counts(self.flags) + ".")
        if self.failures:
            said.append("Not worked out: " + _counts(self.failures) + ".")
        said.append("Inferred from records, never a locate: have marks made before any digging.")
        return said


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{name} {n}" for name, n in sorted(counts.items(), key=_most_first))


def _most_first(item: tuple[str, int]) -> tuple[int, str]:
    return -item[1], item[0]


def _ranked(ranked: Ranked) -> str:
    return f"  {ranked.name}: {ranked.bits:.1f} bits over {ranked.lots} lots"


@dataclass(slots=True)
class Tally:
    """Adds up chunk by chunk."""

    toward: Counter[str] = field(default_factory=Counter)
    kinds: Counter[str] = field(default_factory=Counter)
    flags: Counter[str] = field(default_factory=Counter)
    failures: Counter[str] = field(default_factory=Counter)
    manholes: dict[str, list[float]] = field(default_factory=lambda: defaultdict(lambda: [0.0] * 4))
    streets: dict[str, list[float]] = field(default_factory=lambda: defaultdict(lambda: [0.0] * 4))
    lots: int = 0
    sure: int = 0
    rather: int = 0
    person: int = 0
    from_field: int = 0

    def add(self, tables: Tables) -> None:
        """Add a chunk."""
        lots = tables["lots"]
        top = np.max(np.stack([lots[c] for c in ("p_front", "p_rear", "p_side", "p_unlisted")]), 0)
        self.lots += len(top)
        self.sure += int((top >= SURE).sum())
        self.rather += int(((top >= RATHER_SURE) & (top < SURE)).sum())
        self.from_field += int((lots["source"] == "field findings").sum())
        self.toward.update(lots["toward"].tolist())
        self.kinds.update(lots["kind"].tolist())
        self.flags.update(tables["flags"]["code"].tolist())
        self.person += int(tables["flags"]["needs_person"].sum())
        self.failures.update(tables["failures"]["code"].tolist())
        _add(self.manholes, tables["manhole_bits"], "manhole")
        _add(self.streets, tables["street_bits"], "street")

    def summary(self, name: str) -> CitySummary:
        """Give the sums."""
        return CitySummary(
            name, self.lots, dict(self.toward), self.sure, self.rather, dict(self.kinds),
            dict(self.flags), self.person, dict(self.failures), _rank(self.manholes),
            _rank(self.streets), self.from_field,
        )  # fmt: skip

    def layers(self) -> Tables:
        """Give the ranked manholes and streets as layers."""
        return {
            "manholes_to_watch": _layer(self.manholes),
            "streets_to_visit": _layer(self.streets),
        }


def _add(sums: dict[str, list[float]], rows: Columns, key: str) -> None:
    """Add bits, lots and the place (as a sum over lots)."""
    x, y = shapely.get_x(rows["geometry"]), shapely.get_y(rows["geometry"])
    for name, bits, px, py in zip(
        rows[key].tolist(), rows["bits"].tolist(), x.tolist(), y.tolist(), strict=True
    ):
        entry = sums[name]
        entry[0] += bits
        entry[1] += 1
        entry[2] += px
        entry[3] += py


def _order(sums: dict[str, list[float]]) -> list[str]:
    """Give the names with anything to tell, best first; nameless ones are left out."""
    named = [name for name, entry in sums.items() if name and entry[0] > 0.0]
    return sorted(named, key=lambda name: (-round(sums[name][0], 9), name))


def _rank(sums: dict[str, list[float]]) -> tuple[Ranked, ...]:
    return tuple(Ranked(name, sums[name][0], int(sums[name][1])) for name in _order(sums))


def _layer(sums: dict[str, list[float]]) -> Columns:
    names = _order(sums)
    entries = np.array([sums[name] for name in names]).reshape(-1, 4)
    return table(
        shapely.points(entries[:, 2:] / np.maximum(entries[:, 1:2], 1.0)),
        rank=np.arange(1, len(names) + 1),
        name=np.array(names, dtype=np.str_),
        bits=entries[:, 0],
        lots=entries[:, 1].astype(np.int64),
    )
