"""A look into a GeoJSON layer before GDAL reads it: nothing in it may lead to the network."""

from __future__ import annotations

import json
from pathlib import Path

from ._report import Report

MOST_GEOJSON_BYTES = 100_000_000


def is_plain_geojson(path: Path, written: str, key: str, report: Report) -> bool:
    """Refuse what GDAL would go to the network for: a CRS that is a link (GeoJSON of 2008).

    What Python's strict parser does not read is refused too: GDAL's reads more.
    """
    if path.stat().st_size > MOST_GEOJSON_BYTES:
        report.site("file-too-big", key, written, "A GeoJSON of more than 100 MB is not read.",
                    "save the layer as GeoPackage.")  # fmt: skip
        return False
    linked: list[object] = []

    def seen(pairs: list[tuple[str, object]]) -> dict[str, object]:
        linked.extend(
            value for name, value in pairs
            if name == "crs" and isinstance(value, dict) and value.get("type") != "name"
        )  # fmt: skip
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
    return not linked


def _twice(pairs: list[tuple[str, object]], name: str) -> bool:
    return sum(key == name for key, _ in pairs) > 1
