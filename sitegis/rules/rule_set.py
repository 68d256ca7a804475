"""Rule sets: data files with section numbers and edition, read into frozen records."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import fields
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any

from ..late_dataclass import dataclass
from .plumbing import Plumbing, plumbing_from_table

FOLDER: Traversable = resources.files("sitegis.rules")
"""Where the rule sets lie, one data file each; its name is the rule set's."""
_WORDS = {
    "name",
    "title",
    "edition",
    "sources",
    "call_first",
    "cautions",
    "pit_cautions",
    "pit_statements",
    "plumbing",
}


@dataclass(frozen=True, slots=True)
class SlopeRule:
    """Least slope (fall per run) for pipes up to a diameter; ``section`` says where it stands."""

    up_to_diameter_m: float
    slope: float
    section: str


@dataclass(frozen=True, slots=True)
class PitStatement:
    """A sentence for the crew about a pit, with its section.

    Said from the depth that the field ``at`` of the rule set holds, below that of ``until``, and
    only of a pit that is dug below a footing where ``below_footing``. ``{ratio}`` in ``words`` is
    the trench slope of the soil planned on, ``{soil}`` its type.
    """

    words: str
    at: str = ""
    until: str = ""
    below_footing: bool = False


@dataclass(frozen=True, slots=True)
class RuleSet:
    """What a code says that this work needs. ``sources`` maps a field to section and edition.

    ``practice_slope`` is the slope that drains are mostly laid at, whatever the least one;
    ``bulking`` is loose volume per volume in the ground, by soil type as ``trench_slopes``;
    ``shield_vertical_m`` of a pit's walls stand vertical in a shield where the rest is sloped;
    ``undisturbed_soils`` are types of ground that was never dug; ``call_first`` stands first
    wherever a dig is proposed; ``pit_cautions`` are those of ``cautions`` that belong beside every
    hole.
    """

    name: str
    title: str
    edition: str
    slopes: tuple[SlopeRule, ...]
    egress_depth_m: float
    protective_depth_m: float
    engineer_depth_m: float
    practice_slope: float
    trench_slopes: Mapping[str, float]
    bulking: Mapping[str, float]
    default_soil: str
    undisturbed_soils: tuple[str, ...]
    spoil_setback_m: float
    shield_vertical_m: float
    tolerance_zone_m: float
    cleanout_spacing_m: float
    building_drain_beyond_wall_m: float
    sources: Mapping[str, str]
    call_first: str
    cautions: tuple[str, ...]
    pit_cautions: tuple[str, ...]
    pit_statements: tuple[PitStatement, ...]
    plumbing: Plumbing

    def planned_soil(self, asked: str | None) -> str:
        """Return the soil type to plan on: the one asked for where it may be, else the default.

        A type that is undisturbed ground only may not: a sewer's trench was dug before.
        """
        usable = asked in self.trench_slopes and asked not in self.undisturbed_soils
        return asked if asked is not None and usable else self.default_soil

    def footing_slope(self, asked: str | None) -> float:
        """Return how far a pit keeps from a footing per depth below its underside.

        The trench slope of the soil planned on: judgment; 1 (45°) is the usual drawing rule.
        """
        return self.trench_slopes[self.planned_soil(asked)]

    def least_slope(self, diameter_m: float) -> SlopeRule:
        """Return the rule for a pipe; ValueError where the diameter is past the table."""
        for rule in self.slopes:
            # sizes come from inches: a micrometer of rounding is no larger pipe
            if diameter_m <= rule.up_to_diameter_m + 1e-6:
                return rule
        raise ValueError(f"no slope rule for a pipe of {diameter_m} m in {self.name}")


def rule_set_names() -> tuple[str, ...]:
    """Return the names of the rule sets there are: the data files of the folder, in order.

    >>> "us-ipc" in rule_set_names()
    True
    """
    files = (entry.name for entry in FOLDER.iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in files if name.endswith(".toml")))


def soil_types() -> tuple[str, ...]:
    """Return the soil types that some rule set knows, in order."""
    return tuple(sorted({soil for n in rule_set_names() for soil in load_rules(n).trench_slopes}))


def load_rules(name: str) -> RuleSet:
    """Read a rule set by name; FileNotFoundError where there is none.

    The data are checked as they are read (``rules_from_table``).

    >>> round(load_rules("us-ipc").least_slope(0.1016).slope, 5)
    0.01042
    """
    names = rule_set_names()
    if name not in names:
        raise FileNotFoundError(f"there is no rule set {name!r}: {', '.join(names)}")
    return rules_from_table(name, tomllib.loads((FOLDER / f"{name}.toml").read_text("utf-8")))


def rules_from_table(name: str, table: Mapping[str, Any]) -> RuleSet:
    """Make a rule set of a parsed data file; ``ValueError`` where a field or number is wrong.

    Every numeric field must be positive and have an entry in ``sources``; the slope rules rise
    in diameter; every soil has a trench slope and a bulking, the default soil among them. A
    caution is a text, or a table of ``words`` and ``at_pit`` where it belongs beside every hole.

    Parameters
    ----------
    name
        Name of the rule set, as its file is called.
    table
        The parsed data file.

    Returns
    -------
    RuleSet
        The rule set.

    Raises
    ------
    ValueError
        A field is missing, unknown or has no source, or a number is wrong.
    """
    # both ways: a misspelled field is missing and unknown at once
    names = {field.name for field in fields(RuleSet)} - {"name", "pit_cautions"}
    if names != set(table):
        raise ValueError(f"rule set fields missing or not known: {sorted(names ^ set(table))}")
    values = dict(table)
    values["slopes"] = tuple(SlopeRule(**row) for row in table["slopes"])
    values["undisturbed_soils"] = tuple(table["undisturbed_soils"])
    values["pit_statements"] = tuple(PitStatement(**row) for row in table["pit_statements"])
    values["plumbing"] = plumbing_from_table(table["plumbing"])
    cautions = [{"words": c} if isinstance(c, str) else c for c in table["cautions"]]
    values["cautions"] = tuple(caution["words"] for caution in cautions)
    at_pits = tuple(caution["words"] for caution in cautions if caution.get("at_pit"))
    rules = RuleSet(name=name, pit_cautions=at_pits, **values)
    _check_rules(rules)
    return rules


def _check_rules(rules: RuleSet) -> None:
    unsourced = {field.name for field in fields(RuleSet)} - _WORDS - set(rules.sources)
    if unsourced:
        raise ValueError(f"rule set {rules.name} gives no source for {sorted(unsourced)}")
    lengths = [field.name for field in fields(RuleSet) if field.name.endswith(("_m", "_slope"))]
    numbers = {name: getattr(rules, name) for name in lengths}
    numbers |= {f"bulking {soil}": value for soil, value in rules.bulking.items()}
    numbers |= {f"trench slope {soil}": value for soil, value in rules.trench_slopes.items()}
    numbers |= {rule.section: rule.slope for rule in rules.slopes}
    wrong = [name for name, value in numbers.items() if not 0.0 < value < math.inf]
    if wrong:
        raise ValueError(f"rule set {rules.name} has a number that is not above 0: {wrong}")
    diameters = [rule.up_to_diameter_m for rule in rules.slopes]
    if not diameters or diameters != sorted(set(diameters)):
        raise ValueError(f"rule set {rules.name} has slope rules that do not rise in diameter")
    # "" is no bound; else the name of a field that holds a depth
    depths = {"", *(name for name in lengths if name.endswith("_depth_m"))}
    unknown = [row.words for row in rules.pit_statements if not {row.at, row.until} <= depths]
    if unknown:
        raise ValueError(f"rule set {rules.name} has statements of no known depth: {unknown}")
    if rules.default_soil not in rules.trench_slopes:
        raise ValueError(f"rule set {rules.name} has no trench slope for {rules.default_soil!r}")
    known = set(rules.trench_slopes)
    if known != set(rules.bulking) or not known >= set(rules.undisturbed_soils):
        raise ValueError(f"rule set {rules.name} has soils that do not agree: {sorted(known)}")
