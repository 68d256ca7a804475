"""What each attribute of the outputs means, read from the table that users read."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

from ..late_dataclass import dataclass

_LAYER_ROW = "(layer)"
# Columns that keep the name of the release before beside today's, for those who read it.
OLD_NAMES = {"cable_count_m": "footage_m"}
_UNIT_ENDINGS = ("_m2", "_m3", "_m", "_deg")


@dataclass(frozen=True, slots=True)
class Attribute:
    """One row of ``ATTRIBUTES.md``: type with unit, and meaning."""

    type: str
    meaning: str


@lru_cache(maxsize=1)
def attribute_table() -> dict[tuple[str, str], Attribute]:
    """Return the rows of ``ATTRIBUTES.md`` by layer and attribute; ``""`` is the layer itself."""
    text = resources.files("sitegis.write").joinpath("ATTRIBUTES.md").read_text("utf-8")
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    rows = [[cell.strip() for cell in line.split("|")[1:5]] for line in lines]
    return {
        (layer, "" if name == _LAYER_ROW else name.strip("`")): Attribute(kind, meaning)
        for layer, name, kind, meaning in rows[1:]
    }


def column_title(name: str) -> str:
    """Return a column's name in words, its unit behind it.

    >>> column_title("depth_sd_m"), column_title("area_m2"), column_title("azimuth_deg")
    ('Depth sd (m)', 'Area (m²)', 'Azimuth (°)')
    """
    if name in OLD_NAMES:
        return f"{column_title(OLD_NAMES[name])}, old name {name}"
    shown = {"_m2": "m²", "_m3": "m³", "_m": "m", "_deg": "°"}
    ending = next((one for one in _UNIT_ENDINGS if name.endswith(one)), "")
    words = name.removesuffix(ending).replace("_", " ")
    return words[:1].upper() + words[1:] + (f" ({shown[ending]})" if ending else "")
