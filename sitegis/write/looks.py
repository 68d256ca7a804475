"""How each layer looks in every output: one table, so that no two drawings contradict.

Colors are those of the APWA Uniform Color Code: red electric, yellow gas, orange communication,
blue potable water, purple reclaimed water, green sewers, white proposed excavation, pink survey
marks. The standard gives no numbers; the shades are an approximation (judgment). Yellow, white
and pink need a dark edge on white paper. Never by color alone: what is inferred is dashed.
"""

from __future__ import annotations

from dataclasses import replace

from ..late_dataclass import dataclass

INK, GRAY, BROWN, VIOLET = "#111111", "#808080", "#7a3b00", "#5b2a86"
SEWER, PROPOSED, SURVEY = "#00843d", "#ffffff", "#ff3fa0"
UTILITY_COLORS = {
    "gas": "#f6d04d",
    "electric": "#c8102e",
    "telecom": "#ff6900",
    "water": "#005eb8",
    "storm": SEWER,
    "sewer": SEWER,
}
"""Color by the kind of another utility."""


def utility_color(kind: str) -> str:
    """Return the color of another utility; a kind that has none (a tree) is brown.

    >>> utility_color("gas"), utility_color("tree")
    ('#f6d04d', '#7a3b00')
    """
    return UTILITY_COLORS.get(kind, BROWN)


@dataclass(frozen=True, slots=True)
class Look:
    """Color and form of a layer: ``fill`` is the color of areas and markers, none if empty.

    ``opacity`` of the fill in [0, 1]; ``width_mm`` on paper; ``marker`` names a shape;
    ``label`` is the attribute that is written beside, none if empty.
    """

    color: str
    fill: str = ""
    opacity: float = 1.0
    width_mm: float = 0.4
    marker: str = "circle"
    label: str = ""


LOOKS = {
    "lot": Look(INK, width_mm=0.5),
    "building": Look(INK, width_mm=0.7),
    "main": Look(SEWER, width_mm=0.9, label="id"),
    "manhole": Look(SEWER, PROPOSED, width_mm=0.6, label="id"),
    "locate": Look(INK, SURVEY, label="id"),
    "drain": Look(SEWER, width_mm=0.8),
    "branch": Look(SEWER, width_mm=0.6, label="id"),
    "wye": Look(INK, PROPOSED, marker="triangle", label="id"),
    "exit": Look(INK, SEWER, marker="diamond", label="id"),
    "route": Look(SEWER, width_mm=0.8, label="id"),
    "stretch": Look(SEWER, width_mm=1.2),
    "corridor": Look(SEWER, SEWER, opacity=0.12, width_mm=0.25),
    "pit": Look(INK, PROPOSED, width_mm=0.6, label="id"),
    "dug": Look(GRAY, GRAY, opacity=0.35, width_mm=0.6, label="id"),
    "tie": Look(GRAY, width_mm=0.25),
    "keep-out": Look(BROWN, width_mm=0.4, label="id"),
    "spoil-setback": Look(BROWN, width_mm=0.3),
    "planned-branch": Look(VIOLET, width_mm=0.6, label="name"),
    "planned-vent": Look(VIOLET, width_mm=0.4, label="id"),
    "other-reading": Look(VIOLET, PROPOSED, width_mm=0.8),
    "slab-opening": Look(VIOLET, PROPOSED, opacity=0.6, width_mm=0.4),
}
"""One look a layer of :data:`sitegis.write.features.LAYERS`."""


def look_of(layer: str, kind: str = "") -> Look:
    """Return the look of a layer's features; a no-dig area has the color of what lies there.

    Parameters
    ----------
    layer
        Layer of the feature.
    kind
        Kind of a no-dig area, empty for others.

    Returns
    -------
    Look
        The look.
    """
    look = LOOKS[layer]
    return replace(look, color=utility_color(kind)) if layer == "keep-out" else look
