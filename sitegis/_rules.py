"""Rule sets: data files with section numbers and edition, read into frozen records."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib import resources
from typing import Any

_WORDS = {"name", "title", "edition", "sources", "cautions"}


@dataclass(frozen=True, slots=True)
class SlopeRule:
    """Least slope (fall per run) for pipes up to a diameter; ``section`` says where it stands."""

    up_to_diameter_m: float
    slope: float
    section: str


@dataclass(frozen=True, slots=True)
class RuleSet:
    """What a code says that this work needs. ``sources`` maps a field to section and edition."""

    name: str
    title: str
    edition: str
    slopes: tuple[SlopeRule, ...]
    egress_depth_m: float
    protective_depth_m: float
    engineer_depth_m: float
    trench_slopes: Mapping[str, float]
    default_soil: str
    spoil_setback_m: float
    tolerance_zone_m: float
    cleanout_spacing_m: float
    building_drain_beyond_wall_m: float
    sources: Mapping[str, str]
    cautions: tuple[str, ...]

    def least_slope(self, diameter_m: float) -> SlopeRule:
        """Give the rule for a pipe; ValueError where the diameter is past the table."""
        for rule in self.slopes:
            if diameter_m <= rule.up_to_diameter_m + 1e-6:
                return rule
        raise ValueError(f"no slope rule for a pipe of {diameter_m} m in {self.name}")


RULE_SETS = ("us-ipc", "us-upc", "ca-npc")


def load_rules(name: str) -> RuleSet:
    """Read a rule set by name; FileNotFoundError where there is none.

    The data are checked as they are read (``rules_from_table``).

    >>> round(load_rules("us-ipc").least_slope(0.1016).slope, 5)
    0.01042
    """
    if name not in RULE_SETS:
        raise FileNotFoundError(f"there is no rule set {name!r}: {', '.join(RULE_SETS)}")
    text = resources.files("sitegis").joinpath("rules", f"{name}.toml").read_text("utf-8")
    return rules_from_table(tomllib.loads(text))


def rules_from_table(table: Mapping[str, Any]) -> RuleSet:
    """Make a rule set of a parsed data file; ``ValueError`` where a field or number is wrong.

    Every numeric field must be positive and have an entry in ``sources``; the slope rules rise
    in diameter; the default soil is one of the soils with a trench slope.
    """
    names = {field.name for field in fields(RuleSet)}
    if names != set(table):
        raise ValueError(f"rule set fields missing or not known: {sorted(names ^ set(table))}")
    values = dict(table)
    values["slopes"] = tuple(SlopeRule(**row) for row in table["slopes"])
    values["cautions"] = tuple(table["cautions"])
    rules = RuleSet(**values)
    _check_rules(rules)
    return rules


def _check_rules(rules: RuleSet) -> None:
    unsourced = {field.name for field in fields(RuleSet)} - _WORDS - set(rules.sources)
    if unsourced:
        raise ValueError(f"rule set {rules.name} gives no source for {sorted(unsourced)}")
    lengths = [field.name for field in fields(RuleSet) if field.name.endswith("_m")]
    numbers = {name: getattr(rules, name) for name in lengths}
    numbers |= {f"trench slope {soil}": value for soil, value in rules.trench_slopes.items()}
    numbers |= {rule.section: rule.slope for rule in rules.slopes}
    wrong = [name for name, value in numbers.items() if not 0.0 < value < math.inf]
    if wrong:
        raise ValueError(f"rule set {rules.name} has a number that is not above 0: {wrong}")
    diameters = [rule.up_to_diameter_m for rule in rules.slopes]
    if not diameters or diameters != sorted(set(diameters)):
        raise ValueError(f"rule set {rules.name} has slope rules that do not rise in diameter")
    if rules.default_soil not in rules.trench_slopes:
        raise ValueError(f"rule set {rules.name} has no trench slope for {rules.default_soil!r}")
