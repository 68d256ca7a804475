"""A look into a GeoJSON layer before GDAL reads it: nothing in it may lead to the network."""

from __future__ import annotations

import json
from pathlib import Path

from ..faults import Report

MOST_GEOJSON_BYTES = 100_000_000
# Judgment, no source. GDAL gives every feature every column that any feature has, and looks
# through all columns for each property: time and memory grow with the product. A layer that
# writes each of them takes six bytes a cell at least.
MOST_COLUMNS, MOST_UNWRITTEN_CELLS, CELL_BYTES = 1000, 5_000_000, 4


def is_plain_geojson(path: Path, written: str, key: str, report: Report) -> bool:
    """Refuse what GDAL would go to the network for: a CRS that is a link (GeoJSON of 2008).

    What Python's strict parser does not read is refused too: GDAL's reads more. And more columns
    than any layer has.

    Parameters
    ----------
    path
        The layer's file.
    written
        Path as written.
    key
        Dotted key of ``site.toml``.
    report
        Where faults and notices are gathered.

    Returns
    -------
    bool
        Whether it may be read.
    """
    if path.stat().st_size > MOST_GEOJSON_BYTES:
        report.fault("file-too-big:geojson", key, written)
        return False
    linked: list[object] = []
    columns: set[str] = set()
    features = 0

    def seen(pairs: list[tuple[str, object]]) -> dict[str, object]:
        linked.extend(
            value
            for name, value in pairs
            if name == "crs" and isinstance(value, dict) and value.get("type") != "name"
        )
        nonlocal features
        if ("type", "Feature") in pairs:
            # without properties, GDAL takes the members of the feature itself for them
            inside = [value for name, value in pairs if name == "properties"]
            for named in inside or [dict(pairs)]:
                columns.update(named if isinstance(named, dict) else ())
            features += 1
        # nothing else is looked at further out: what is large is let go at once
        kept = {name: value if name == "type" else None for name, value in reversed(pairs)}
        # of two members of one name either might be taken: both count
        return {**kept, **({"type": None} if _twice(pairs, "type") else {})}

    try:
        # the hook sees every object as it closes, inner ones first: no tree is walked afterwards
        json.loads(path.read_bytes().decode("utf-8-sig"), object_pairs_hook=seen)
    except (ValueError, RecursionError) as error:
        report.fault("layer-unreadable:geojson", key, written, error=str(error)[:160])
        return False
    if linked:
        report.fault("path-outside:crs-link", key, written)
    # what GDAL would fill in though nobody wrote it
    cells = len(columns) * features
    unwritten = cells > MOST_UNWRITTEN_CELLS and cells * CELL_BYTES > path.stat().st_size
    wide = unwritten or len(columns) > MOST_COLUMNS
    if wide:
        name = "too-many-columns:unwritten" if unwritten else "too-many-columns"
        report.fault(
            name, key, written, columns=len(columns), features=features, most_columns=MOST_COLUMNS
        )
    return not linked and not wide


def _twice(pairs: list[tuple[str, object]], name: str) -> bool:
    return sum(key == name for key, _ in pairs) > 1
