"""Rule sets: data files with section numbers and edition, read into frozen records."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources


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


def load_rules(name: str) -> RuleSet:
    """Read a rule set by name; FileNotFoundError where there is none.

    >>> round(load_rules("us-ipc").least_slope(0.1016).slope, 5)
    0.01042
    """
    text = resources.files("sitegis").joinpath("rules", f"{name}.toml").read_text("utf-8")
    table = tomllib.loads(text)
    slopes = tuple(SlopeRule(**row) for row in table.pop("slopes"))
    cautions = tuple(table.pop("cautions"))
    return RuleSet(slopes=slopes, cautions=cautions, **table)
