"""A look into a GeoJSON layer before GDAL reads it: nothing in it may lead to the network."""

from __future__ import annotations

import json
from pathlib import Path

from ._report import Report

MOST_GEOJSON_BYTES = 100_000_000
# Judgement, no source. GDAL gives every feature every column that any feature has, and looks
# through all columns for each property: time and memory grow with the product. A layer that
# writes each of them takes six bytes a cell at least.
MOST_COLUMNS, MOST_UNWRITTEN_CELLS, CELL_BYTES = 1000, 5_000_000, 4


def is_plain_geojson(path: Path, written: str, key: str, report: Report) -> bool:
    """Refuse what GDAL would go to the network for: a CRS that is a link (GeoJSON of 2008).

    What Python's strict parser does not read is refused too: GDAL's reads more. And more columns
    than any layer has.
    """
    if path.stat().st_size > MOST_GEOJSON_BYTES:
        report.site("file-too-big", key, written, "A GeoJSON of more than 100 MB is not read.",
                    "save the layer as GeoPackage.")  # fmt: skip
        return False
    linked: list[object] = []
    columns: set[str] = set()
    features = 0

    def seen(pairs: list[tuple[str, object]]) -> dict[str, object]:
        linked.extend(
            value for name, value in pairs
            if name == "crs" and isinstance(value, dict) and value.get("type") != "name"
        )  # fmt: skip
        nonlocal features
        if ("type", "Feature") in pairs:
            # without properties, GDAL takes the members of the feature itself for them
            inside = [value for name, value in pairs if name == "properties"]
            for named in inside or [dict(pairs)]:
                columns.update(named if isinstance(named, dict) else ())
            features += 1
        # of two members of one name either might be taken: both count
        return {**dict(reversed(pairs)), **({"type": None} if _twice(pairs, "type") else {})}

    try:
        json.loads(path.read_bytes().decode("utf-8-sig"), object_pairs_hook=seen)
    except (ValueError, RecursionError) as error:
        report.site("layer-unreadable", key, written, f"This is no GeoJSON ({str(error)[:160]}).",
                    "open it in a GIS and export it again as GeoPackage.")  # fmt: skip
        return False
    if linked:
        report.site("path-outside", key, written, "Its CRS is a link to somewhere else.",
                    "export it again in longitude and latitude (RFC 7946).")  # fmt: skip
    cells = len(columns) * features
    unwritten = cells > MOST_UNWRITTEN_CELLS and cells * CELL_BYTES > path.stat().st_size
    wide = unwritten or len(columns) > MOST_COLUMNS
    if wide:
        report.site("too-many-columns", key, written,
                    f"The layer has {len(columns)} columns, hardly written in its {features} "
                    "features." if unwritten else
                    f"The layer has {len(columns)} columns; {MOST_COLUMNS} are the most.",
                    "export it again with the columns that are needed.")  # fmt: skip
    return not linked and not wide


def _twice(pairs: list[tuple[str, object]], name: str) -> bool:
    return sum(key == name for key, _ in pairs) > 1
