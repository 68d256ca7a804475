"""What a rule set says about a planned branch: tables of the plumbing code, read from its data.

Lengths and diameters (nominal) in meters, slopes as fall per run. ``sure`` is False where a number
is from memory: it may be told, but nothing is called met or not met by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from ..late_dataclass import dataclass

_SAME_SIZE_M = 0.006  # trade and metric sizes of one pipe differ by less: 50 mm for 2 in


@dataclass(frozen=True, slots=True)
class BackwaterRule:
    """When a backwater valve is asked for: ``compares`` lies below what it is held ``against``.

    The fixture's floor or its flood rim, with the cover of the next upstream manhole or with the
    street. ``sure`` is False where the comparison is from memory.
    """

    compares: Literal["floor", "rim"]
    against: Literal["manhole", "street"]
    section: str
    note: str
    sure: bool = True


@dataclass(frozen=True, slots=True)
class StackBaseRule:
    """How far below a stack's base a branch may enter: pipe ``diameters`` or ``distance_m``."""

    section: str
    sure: bool
    diameters: float | None = None
    distance_m: float | None = None
    only_if: str = ""

    def least_m(self, stack_m: float) -> float:
        """Return the least distance from a stack of a diameter."""
        # a code gives one of the two, the other counts as 0
        return (self.diameters or 0.0) * stack_m + (self.distance_m or 0.0)


@dataclass(frozen=True, slots=True)
class ClosetRule:
    """The least drain of a water closet, and how many at ``most`` one of that size may carry."""

    least_m: float
    section: str
    sure: bool
    most: int | None = None
    most_section: str = ""


@dataclass(frozen=True, slots=True)
class CleanoutRule:
    """Turns that ask for a cleanout, each or in ``total``, and where a drain's end has one.

    ``turn_deg`` is None where the code's limit is not known.
    """

    section: str
    end_section: str
    sure: bool
    turn_deg: float | None = None
    total: bool = False


@dataclass(frozen=True, slots=True)
class EjectorRule:
    """What a sump needs, in words."""

    words: str
    section: str


@dataclass(frozen=True, slots=True)
class TrapArm:
    """Greatest developed length from a trap's weir to its vent, at a least slope."""

    trap_m: float
    length_m: float
    slope: float
    section: str
    sure: bool


@dataclass(frozen=True, slots=True)
class FixtureRule:
    """Drainage fixture units, least trap and least drain of a kind of fixture."""

    units: float
    trap_m: float
    drain_m: float
    section: str
    sure: bool


@dataclass(frozen=True, slots=True)
class GroupRule:
    """Fixture units of a bathroom group: one water closet, one lavatory, one bathtub or shower."""

    units: float
    section: str


@dataclass(frozen=True, slots=True)
class LoadTable:
    """Greatest load: ``units`` rows of a diameter and a load for each of the ``slopes``."""

    section: str
    sure: bool
    slopes: tuple[float, ...]
    units: tuple[tuple[float, ...], ...]

    def most(self, diameter_m: float, slope: float) -> float | None:
        """Return the greatest load of a pipe at a slope; None where the table has no such pipe.

        A slope between two columns takes the flatter one; 0 is no entry. A slope a thousandth
        short of a column's counts as it.

        Parameters
        ----------
        diameter_m
            Inside diameter of the pipe, m.
        slope
            Fall per run.

        Returns
        -------
        float | None
            Greatest load in fixture units, None where the table has no such pipe.
        """
        column = sum(one <= slope * 1.001 for one in self.slopes) - 1
        for size, *loads in self.units:
            if abs(size - diameter_m) < _SAME_SIZE_M:
                return loads[column] if column >= 0 else 0.0
        return None


@dataclass(frozen=True, slots=True)
class Plumbing:
    """The plumbing tables of a rule set. Where one is None the code is not known to ask for it."""

    backwater: BackwaterRule
    water_closet: ClosetRule
    cleanouts: CleanoutRule
    ejector: EjectorRule
    trap_arms: tuple[TrapArm, ...]
    fixtures: Mapping[str, FixtureRule]
    loads: LoadTable
    stack_base: StackBaseRule | None = None
    bathroom_group: GroupRule | None = None

    def trap_arm(self, trap_m: float) -> TrapArm | None:
        """Return the row of the trap of a nominal size, None where the table has none."""
        rows = (row for row in self.trap_arms if abs(row.trap_m - trap_m) < 0.5 * _SAME_SIZE_M)
        return next(rows, None)

    def load(self, kinds: tuple[str, ...]) -> float:
        """Sum the fixture units of fixtures; those of bathroom groups count as groups."""
        units = sum(self.fixtures[kind].units for kind in kinds)
        if self.bathroom_group is None:
            return units
        members = ("water-closet", "lavatory", "shower")
        singly = sum(self.fixtures[kind].units for kind in members)
        groups = min(kinds.count(kind) for kind in members)
        # a group counts as one where the code makes it less than its parts, never more
        return units + groups * min(self.bathroom_group.units - singly, 0.0)


def plumbing_from_table(table: Mapping[str, Any]) -> Plumbing:
    """Make the tables of a parsed data file; ``TypeError`` where a field is missing or unknown."""
    optional = {"stack_base": StackBaseRule, "bathroom_group": GroupRule}
    loads = dict(table["loads"])
    rows = tuple(tuple(float(value) for value in row) for row in loads.pop("units"))
    return Plumbing(
        backwater=BackwaterRule(**table["backwater"]),
        water_closet=ClosetRule(**table["water_closet"]),
        cleanouts=CleanoutRule(**table["cleanouts"]),
        ejector=EjectorRule(**table["ejector"]),
        trap_arms=tuple(TrapArm(**row) for row in table["trap_arms"]),
        fixtures={kind: FixtureRule(**row) for kind, row in table["fixtures"].items()},
        loads=LoadTable(loads["section"], loads["sure"], tuple(loads["slopes"]), rows),
        **{name: make(**table[name]) for name, make in optional.items() if name in table},
    )
