"""Stage ``write``: make every output in memory, then place all of them together."""

from __future__ import annotations

from pathlib import Path

from ..model.survey import Survey
from .answer import answer_bytes
from .atomic import place_set
from .derive import find
from .gis import geopackage_bytes
from .gis.dxf import dxf_bytes
from .gis.geojson import geojson_bytes
from .gis.phone import gpx_bytes, kml_bytes
from .page.html import map_bytes
from .record import record_bytes
from .stakeout import stakeout_bytes


def write_outputs(survey: Survey, out_dir: Path, *, base_map: bool = False) -> tuple[Path, ...]:
    """Write all outputs of a survey into a folder, all or nothing; give their paths.

    The bytes depend on the survey alone. ``base_map`` adds street tiles from the network to
    the map, which otherwise needs none. Raises ``CannotWrite`` where the files cannot be
    placed (the earlier ones are then untouched), ``RuntimeError`` where a block is not filled.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    out_dir
        Folder of the outputs.
    base_map
        Whether the page asks for a base map.

    Returns
    -------
    tuple[Path, ...]
        Paths of the files.

    Raises
    ------
    CannotWrite
        The files cannot be placed; the earlier ones are untouched.
    RuntimeError
        A block of the survey is not filled.
    """
    return place_set(output_files(survey, base_map=base_map), out_dir)


def output_files(survey: Survey, *, base_map: bool = False) -> dict[str, bytes]:
    """Make the content of every output, by file name.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    base_map
        Whether the page asks for a base map.

    Returns
    -------
    dict[str, bytes]
        Content by name.
    """
    survey = find(survey)
    return {
        "answer.json": answer_bytes(survey),
        "lateral.dxf": dxf_bytes(survey),
        "lateral.geojson": geojson_bytes(survey),
        "lateral.gpkg": geopackage_bytes(survey),
        "lateral.gpx": gpx_bytes(survey),
        "lateral.kml": kml_bytes(survey),
        "map.html": map_bytes(survey, base_map=base_map),
        "record.pdf": record_bytes(survey),
        "stakeout.csv": stakeout_bytes(survey),
    }
