"""A first CITY.toml out of a city's layers: tables and columns guessed, and what is wrong told."""

from __future__ import annotations

import json
import os
import re
import tomllib
import warnings
from dataclasses import field
from importlib import resources
from pathlib import Path
from typing import Any

import geopandas
import pandas as pd

from ..late_dataclass import dataclass
from ..messages.catalog import fault_of
from ..messages.errors import BadInput, CannotWrite
from ..read.faults import Report
from .addresses import street_name
from .columns import AREAS, LINES, POINTS, words
from .elevations import numeric_share
from .filters import basement_words, known_share
from .layer_files import LayerFiles, layer_names
from .read import read_layers
from .schema import CityFile

# enough to tell what a column holds; a city's layers have hundreds of thousands
ROWS_LOOKED_AT = 3000
# What layers and columns are called; common practice, no source. The first that fits is taken.
KINDS: dict[str, tuple[int | tuple[int, ...], str]] = {
    "parcels": (AREAS, r"parcel|cadast|tax_?lot|^lots?$|property"),
    "buildings": (AREAS, r"build|footprint|bldg|struct|roof"),
    "rights_of_way": (AREAS, r"right.?of.?way|^row|_row$|road_?area"),
    "manholes": (POINTS, r"manhole|^mh|_mh|access_?point|node|struct"),
    "laterals": ((LINES, POINTS), r"lateral|service_?(line|conn)|house_?conn|(^|_)taps?($|_)"),
    "mains": (LINES, r"^(?!.*(lateral|service)).*(main|sewer|sanit|waste|gravity|pipe)"),
    "alleys": (LINES, r"alley|lane"),
    "streets": (LINES, r"street|road|cent(?:er|re)|^cl|_cl$|st_"),
}
NEEDED = ("parcels", "buildings", "streets", "mains")
COLUMNS: dict[str, dict[str, str]] = {
    "parcels": {
        "id": r"^(apn|pin|parcel_?(id|no|num)?|pid|lot_?id|tax_?id|gis_?id)$ parcel apn ^id$ _id$",
        "street": r"situs site_?addr prop_?addr addr.*st st.*name street addr",
        "year_built": r"y(ea)?r_?(built|blt) built yr year",
        "ground": r"ground elev gr(n)?d z_?val",
        "basement": r"basement bsmt cellar",
    },
    "buildings": {"basement": r"basement bsmt cellar"},
    "laterals": {
        "parcel": r"^(apn|pin|parcel_?(id|no|num)?|pid|lot_?id|tax_?id)$ parcel apn ^lot$",
    },
    "streets": {"name": r"full_?name st_?name street name label",
                "kind": r"class type func kind cat"},
    "alleys": {"name": r"full_?name name label"},
    "rights_of_way": {"name": r"full_?name name label", "kind": r"class type kind"},
    "mains": {
        "id": r"facility_?id asset_?id pipe_?id main_?id facility asset ^id$ _id$",
        "system": r"system sys sewer_?type (water|flow)_?type network waste sub_?type",
        "status": r"stat lifecycle active in_?serv condition",
        "invert_up": r"(up|us|start|from|beg).*(inv|elev) inv.*(up|us|start|from|in)$",
        "invert_down": r"(d(ow)?n|ds|end|to|low).*(inv|elev) inv.*(d(ow)?n|ds|end|to|out)$",
    },
    "manholes": {
        "id": r"facility_?id asset_?id mh_?(id|no|num) manhole facility asset ^id$ _id$",
        "system": r"system sys sewer_?type (water|flow)_?type network",
        "status": r"stat lifecycle active",
        "rim": r"rim cover top lid", "invert": r"inv",
    },
}  # fmt: skip

# What a missing column lets into the answer.
UNTOLD = {
    ("mains", "system"): "storm mains among them would be taken for sanitary ones",
    ("mains", "status"): "abandoned mains among them would be taken for mains in use",
}


@dataclass(frozen=True, slots=True)
class Looked:
    """A CITY.toml as text, and sentences on what could not be told and what is wrong."""

    toml: str
    report: tuple[str, ...]


@dataclass(slots=True)
class _Layer:
    path: str
    name: str
    frame: Any
    dimension: int
    score: dict[str, int] = field(default_factory=dict)


def look(paths: list[Path]) -> Looked:
    """Read layers and write a first CITY.toml for them, to stand in their common folder.

    Raises ``BadInput`` where a file cannot be read, or none of the layers needed is found.
    """
    folder = Path(os.path.commonpath([path.resolve().parent for path in paths]))
    # each file's own: no CITY.toml is there yet
    reports = {path: Report(file=path.name) for path in paths}
    layers = [layer for path in paths for layer in _layers(path.resolve(), folder, reports[path])]
    found = tuple(fault for report in reports.values() for fault in report.faults)
    if found:
        raise BadInput(found)
    chosen = _choose(layers)
    if "parcels" not in chosen or "mains" not in chosen:
        missing = " and ".join(key for key in ("parcels", "mains") if key not in chosen)
        fault = fault_of("layer-not-found", "--look", None, "layers", missing=missing)
        raise BadInput((fault,))
    unsaid: list[str] = [
        f"No layer looks like {key}: it is needed." for key in NEEDED if key not in chosen
    ]
    text = _toml(folder, chosen, unsaid)
    return Looked(text, tuple(unsaid + _what_is_wrong(folder, text)))


def _layers(path: Path, folder: Path, report: Report) -> list[_Layer]:
    """Open every layer of a file, as far as is needed to tell what it is."""
    written = path.relative_to(folder).as_posix()
    files = LayerFiles(folder, None, report)
    if not path.exists():
        report.fault("layer-missing:look", "layers", str(path))
        return []
    if not files.is_harmless(path, "layers", written):
        return []
    found = []
    for name in layer_names(path):
        try:
            frame = _rows(path, name)
        except (OSError, ValueError, RuntimeError, ImportError) as error:
            report.fault("layer-unreadable:look", "layers", written, error=str(error)[:160])
            continue
        if frame is None or not len(frame):
            continue
        kinds = frame.geometry.dropna().geom_type
        dimension = (
            0
            if kinds.str.contains("Point").all()
            else (1 if kinds.str.contains("Line").any() else 2)
        )
        found.append(_Layer(written, name, frame, dimension))
    return found


def _rows(path: Path, name: str) -> Any:
    """Read the first rows of a layer; None where it holds no shapes."""
    if path.suffix.lower() == ".parquet":
        return geopandas.read_parquet(path).head(ROWS_LOOKED_AT)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        frame = geopandas.read_file(path, rows=ROWS_LOOKED_AT, **({"layer": name} if name else {}))
    return frame if isinstance(frame, geopandas.GeoDataFrame) else None


def _choose(layers: list[_Layer]) -> dict[str, _Layer]:
    """Return each table the layer whose name and columns fit it best; a layer serves one table."""
    scored = []
    for i, layer in enumerate(layers):
        label = (layer.name or Path(layer.path).stem).casefold()
        for place, (key, (dimension, pattern)) in enumerate(KINDS.items()):
            dimensions = (dimension,) if isinstance(dimension, int) else dimension
            if layer.dimension not in dimensions:
                continue
            # columns that are there by name and content
            fits = [column for column in COLUMNS.get(key, {}) if _column(key, column, layer.frame)]
            named = 4 if re.search(pattern, label) else 0
            # a name, or two columns that fit: one column alone fits any layer
            if named or len(fits) > 1:
                scored.append((-(named + len(fits)), place, i, key))
    chosen: dict[str, _Layer] = {}
    for _score, _place, i, key in sorted(scored):
        if key not in chosen and all(layer is not layers[i] for layer in chosen.values()):
            chosen[key] = layers[i]
    return chosen


def _column(key: str, wanted: str, frame: Any) -> str:
    """Return the column of a layer called and filled as one wanted should be; "" if none."""
    names = [str(c) for c in frame.columns if c != frame.geometry.name]
    for part in COLUMNS[key][wanted].split():
        for name in names:
            if re.search(part, name.casefold()) and _holds(wanted, frame[name], frame, name):
                return name
    return ""


def _holds(wanted: str, values: Any, frame: Any, name: str) -> bool:
    """Return whether a column's content is of the kind wanted."""
    filled = values.dropna()
    if not len(filled):
        return False
    if wanted == "id":
        share = filled.astype(str).nunique() / len(values)
    elif wanted == "year_built":
        numbers = pd.to_numeric(filled, errors="coerce").dropna()
        share = ((numbers > 1700) & (numbers < 2100)).sum() / max(len(numbers), 1)
    elif wanted in ("ground", "rim", "invert", "invert_up", "invert_down"):
        share = numeric_share(values)
    elif wanted == "basement":
        codes, _unknown = basement_words(frame, name)
        share = (codes != "").sum() / len(filled)
    elif wanted in ("system", "status"):
        share = known_share(words(frame, name), wanted)
    elif wanted in ("street", "name"):
        texts = [street_name(text).name for text in words(frame, name)[:500].tolist() if text]
        share = sum(bool(re.search("[a-z]", text)) for text in texts) / max(len(texts), 1)
    else:
        share = float(not pd.api.types.is_float_dtype(values))
    # an id names nearly every row; of anything else a third filled sensibly is enough
    return bool(share > (0.9 if wanted == "id" else 0.3))


def _toml(folder: Path, chosen: dict[str, _Layer], unsaid: list[str]) -> str:
    """Write CITY.toml: what was guessed, and in comments what could not be."""
    crs = chosen["parcels"].frame.crs
    lines = [
        "# Guessed from names and content: read every line, correct it, then run",
        "#   sitegis city CITY.toml --out city.gpkg",
        "# Every key is explained in the blank: sitegis start --city DIR",
        "",
        "[city]",
        f"name = {json.dumps(folder.name or 'City')}",
        'units = "ft"  # of elevations: not given by the layers, check it',
    ]
    unsaid.append("The unit of elevations (feet is written): see city.units.")
    if crs is not None and not crs.is_projected:
        utm = chosen["parcels"].frame.estimate_utm_crs()
        lines.append(f'crs = "EPSG:{utm.to_epsg()}"  # the parcels are in degrees')
    for key in KINDS:
        layer = chosen.get(key)
        if layer is None:
            continue
        lines += ["", f"[{key}]", f"layer = {json.dumps(layer.path)}"]
        if layer.name:
            lines.append(f"layer_name = {json.dumps(layer.name)}")
        for wanted in COLUMNS.get(key, {}):
            column = _column(key, wanted, layer.frame)
            if column:
                shown = ", ".join(dict.fromkeys(words(layer.frame, column)[:400].tolist()))[:50]
                lines.append(f"{wanted} = {json.dumps(column)}  # {shown.strip() or 'empty'}")
            else:
                lines.append(f'# {wanted} = ""  # no column was found for it')
                if wanted == "id":
                    unsaid.append(f"{key}.id: no column names each row once; it is needed.")
                elif (key, wanted) in UNTOLD:
                    unsaid.append(f"{key}.{wanted}: no column was found: {UNTOLD[key, wanted]}.")
    return "\n".join(lines) + "\n"


def _what_is_wrong(folder: Path, text: str) -> list[str]:
    """Read the layers as the run would, and say every fault and notice."""
    try:
        file = CityFile.model_validate(tomllib.loads(text))
        city = read_layers(folder / "CITY.toml", file, Report(file="CITY.toml"))
    except BadInput as error:
        return [f"{fault.code}: {fault}" for fault in error.faults]
    except ValueError:
        return ["CITY.toml is not whole yet: fill in what is missing above."]
    notices = [f"{notice.code}: {notice.message}" for notice in city.notices]
    counts: dict[str, int] = {}
    layers = city.layers
    for failure in city.failures:
        counts[failure.code] = counts.get(failure.code, 0) + 1
    return [
        *notices,
        *(f"parcels left out, {code}: {n}" for code, n in sorted(counts.items())),
        f"{len(layers.lots.ids)} lots, {len(layers.mains.shapes)} mains in "
        f"{len(set(layers.mains.columns.line.tolist()))} lines, "
        f"{len(layers.manholes.shapes)} manholes.",
    ]


def blank_city(folder: Path) -> Path:
    """Write a blank, explained CITY.toml into a folder; ``BadInput`` where one is there already."""
    path = folder / "CITY.toml"
    text = resources.files("sitegis.city").joinpath("blank.toml").read_text("utf-8")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        fault = fault_of("file-exists:city", "CITY.toml", None, "file", str(path))
        raise BadInput((fault,)) from None
    except OSError as error:
        raise CannotWrite(f"{path}: {error.strerror}.") from error
    return path
