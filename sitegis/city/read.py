"""``CITY.toml`` and its layers into arrays; every fault gathered first, then raised once."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
from pydantic import ValidationError
from pyproj import CRS
from shapely import STRtree

from ..geometry.georeference import utm_crs
from ..late_dataclass import dataclass
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..read.faults import Report, guess, index_lines
from ..read.layers.features import flat_crs, read_crs
from ..read.text_files import open_ordinary
from .columns import AREAS, LINES, METERS, POINTS, Placer, extent
from .elevations import DataFault, Ground, check_ground, check_inverts
from .habits import habits_of
from .laterals import read_laterals
from .layer_arrays import Mains, box_around
from .layer_files import LayerFiles, check_stretch
from .layer_frame import Layer
from .layer_records import (
    read_buildings,
    read_centerlines,
    read_mains,
    read_manholes,
    read_rows,
    with_the_flow,
)
from .network import join_mains
from .parcels import Failure, make_lots
from .schema import CityFile, known_keys
from .stored import GROUP, Layers, Lots, Records, Stored

FAR_M = 5000.0  # a town's sewers lie among its parcels; judgment
# Judgment, no source: sheds on the street are few; a shifted layer has most beside the lots.
LEAST_ON_LOTS, MOST_OFF_LOTS = 0.2, 0.7
UNDER_M, MOST_UNDER = 2.0, 0.10
LEAST_SAID = 20


@dataclass(frozen=True, slots=True)
class City:
    """What was read: the layers in meters, and what it takes to write in the CRS's own unit.

    ``paths`` are all files that the answer rests on.
    """

    file: CityFile
    layers: Layers
    failures: tuple[Failure, ...]
    notices: tuple[Notice, ...]
    data_faults: tuple[DataFault, ...]
    crs: CRS
    meters_per_unit: float
    sites: Path | None
    paths: tuple[Path, ...]


def read_city(path: Path) -> City:
    """Read ``CITY.toml`` and its layers; raises ``BadInput`` with every fault that was found."""
    report = Report(file=path.name)
    file = _read_file(path, report)
    report.raise_faults()
    assert file is not None
    return read_layers(path, file, report)


def _read_file(path: Path, report: Report) -> CityFile | None:
    """Parse and check the TOML file."""
    try:
        opened = open_ordinary(path)
        if opened is None:
            report.fault("not-a-file:city", "file", None)
            return None
        with opened:
            text = opened.read().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        report.fault("file-unreadable:city", "file", None, error=error)
        return None
    report.lines = index_lines(text)
    try:
        return CityFile.model_validate(tomllib.loads(text))
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            key = ".".join(str(part) for part in detail["loc"])
            if detail["type"] == "extra_forbidden":
                known = guess(str(detail["loc"][-1]), known_keys(detail["loc"]))
                report.fault("key-unknown", key, None, known=known)
            elif detail["type"] == "missing":
                report.fault("key-missing:city", key, None, said=detail["msg"])
            else:
                report.fault("value-unfit", key, detail["input"], said=detail["msg"])
    except (ValueError, RecursionError) as error:
        # ValueError covers TOMLDecodeError and Python's limit for digits of a whole number
        reason = str(error).splitlines()[0][:200]
        report.fault("toml-syntax:city", "file", None, said=reason)
    return None


def read_layers(path: Path, file: CityFile, report: Report) -> City:
    """Read every layer, even after a fault in one, so that all faults are told together.

    Parameters
    ----------
    path
        Path of ``CITY.toml``.
    file
        ``CITY.toml`` as validated.
    report
        Where faults and notices are gathered.

    Returns
    -------
    City
        The layers as read.

    Raises
    ------
    BadInput
        A layer has faults.
    """
    files = LayerFiles(path.resolve().parent, file, report)
    parcels = files.layer("parcels", AREAS, per_lot=True)
    crs = _choose_crs(file, parcels, report)
    kinds: dict[str, int | tuple[int, ...]] = {
        "buildings": AREAS,
        "streets": LINES,
        "alleys": LINES,
        "rights_of_way": AREAS,
        "mains": LINES,
        "manholes": POINTS,
        "laterals": (POINTS, LINES),
    }
    layers = {
        key: files.layer(key, dimension, per_lot=key == "buildings")
        for key, dimension in kinds.items()
    }
    if file.streets is None and file.alleys is None and file.rights_of_way is None:
        report.fault("key-missing:streets", "streets", None)
    sites = files.sites_folder()
    report.raise_faults()
    assert crs is not None
    assert parcels is not None
    _check_near(file, parcels, layers, crs, report)
    report.raise_faults()
    factor = float(crs.axis_info[0].unit_conversion_factor)
    place = Placer(crs, factor, METERS[file.city.units])
    made, failures, data_faults = _layers(file, parcels, layers, place, report)
    report.raise_faults()
    return City(
        file=file,
        layers=made,
        failures=failures,
        notices=tuple(report.notices),
        data_faults=tuple(data_faults),
        crs=crs,
        meters_per_unit=factor,
        sites=sites,
        paths=tuple(files.paths),
    )


def _layers(
    file: CityFile, parcels: Layer, layers: dict[str, Layer | None], place: Placer, report: Report
) -> tuple[Layers, tuple[Failure, ...], list[DataFault]]:
    """Make the records, and hold the elevations against one another."""
    notices, buildings = report.notices, layers["buildings"]
    assert buildings is not None
    houses, remarks = read_buildings(buildings, file.buildings, place)
    notices += remarks
    centerlines = read_centerlines(layers, file, place)
    lots, failures, remarks = make_lots(
        parcels, file.parcels, place, houses, centerlines.shapes, report
    )
    notices += remarks
    report.raise_faults()
    share = _share_on_lots(houses, lots.outlines)
    if share < LEAST_ON_LOTS:
        report.fault("layer-beside", "buildings.layer", file.buildings.layer, share=100 * share)
    elif share < MOST_OFF_LOTS:
        report.note("buildings-off-lots", "buildings", share=100 * share)
    grounds, remarks, wrong = check_ground(lots)
    notices += remarks
    # each layer as it was read is let go once its records are made
    manholes, rims = read_manholes(layers.pop("manholes"), file, place)
    points = np.concatenate([lots.middles, shapely.get_coordinates(manholes.shapes)])
    known = np.isfinite(elevations := np.concatenate([grounds, rims]))
    sewers = layers.pop("mains")
    assert sewers is not None
    mains, remarks = read_mains(sewers, file, place)
    del sewers
    notices += remarks
    mains, remarks, also_wrong = check_inverts(mains, Ground(points[known], elevations[known]))
    notices += remarks
    mains, remarks = with_the_flow(mains)
    notices += remarks + _under_houses(mains, houses)
    mains = join_mains(mains)
    laterals = read_laterals(layers.pop("laterals"), file.laterals, place, lots, mains, report)
    made = Records(
        lots=replace(lots, grounds_m=grounds),
        houses=houses,
        centerlines=centerlines,
        rows=read_rows(layers["rights_of_way"], file.rights_of_way, place),
        has_rows=file.rights_of_way is not None,
        mains=mains,
        manholes=manholes,
        laterals=laterals,
        habits=habits_of(basement_share(file, lots)),
        priors=file.prior,
    )
    return Layers(made), failures, wrong + also_wrong


def basement_share(file: CityFile, lots: Lots) -> float | None:
    """Return the share of houses with a basement, None where the city does not say.

    By ``basement_share``, or else by the lots of which the parcels say it, 20 at least.

    Parameters
    ----------
    file
        ``CITY.toml`` as validated.
    lots
        The lots.

    Returns
    -------
    float | None
        Share in [0, 1].
    """
    known = lots.basements[np.isfinite(lots.basements)]
    if file.city.basement_share is None and len(known) >= LEAST_SAID:
        return float(known.mean())
    return file.city.basement_share


def _share_on_lots(houses: Stored, lots: Stored) -> float:
    """Return the share of houses that lie on a lot."""
    count = 0
    for rows in houses.groups():
        shapes = houses.shapes(rows)
        on, tree = np.zeros(len(rows), bool), STRtree(shapes)
        near = lots.within(box_around(houses.bounds[rows]))
        for part in np.array_split(near, len(near) // GROUP + 1):
            on[tree.query(lots.shapes(part), predicate="intersects")[1]] = True
        count += int(on.sum())
    return count / max(len(houses), 1)


def _under_houses(mains: Mains, houses: Stored) -> list[Notice]:
    """Warn where so many mains pass under buildings that a layer is likely beside its place."""
    tree, under = STRtree(mains.shapes), np.zeros(len(mains.ids), bool)
    for rows in houses.groups():
        shapes = houses.shapes(rows)
        house, main = tree.query(shapes, predicate="intersects")
        inside = shapely.length(shapely.intersection(mains.shapes[main], shapes[house]))
        under[main[inside > UNDER_M]] = True
    share = under.sum() / max(len(mains.ids), 1)
    if share <= MOST_UNDER:
        return []
    return [notice_of("mains-under-buildings", "mains", share=100 * share)]


def _choose_crs(file: CityFile, parcels: Layer | None, report: Report) -> CRS | None:
    """Return the working CRS: the one written, or the parcels', which must be projected."""
    written = file.city.crs
    if written:
        crs = read_crs(written, "city.crs", report)
    elif parcels is None or report.faults:
        crs = None
    else:
        # heights of a compound CRS play no part here
        crs = flat_crs(CRS(parcels.crs))
        if not crs.is_projected:
            west, south, east, north = parcels.total_bounds.tolist()
            perhaps = utm_crs((west + east) / 2, (south + north) / 2)
            report.fault("crs-not-projected:city", "city.crs", crs.name, perhaps=perhaps)
            crs = None
    if crs is not None and parcels is not None and not report.faults:
        check_stretch(crs, extent(parcels, crs).bounds, report)
    return crs


def _check_near(
    file: CityFile, parcels: Layer, layers: dict[str, Layer | None], crs: CRS, report: Report
) -> None:
    """Fault a layer that lies far from the parcels: its CRS is hardly the one it states."""
    town = extent(parcels, crs)
    there = {key: extent(layer, crs) for key, layer in layers.items() if layer is not None}
    far_m = FAR_M / float(crs.axis_info[0].unit_conversion_factor)
    if len(there) > 1 and all(shapely.distance(town, box) > far_m for box in there.values()):
        # all others lie together: it is the parcels that are elsewhere
        first, *others = there.values()
        if all(shapely.distance(first, box) <= far_m for box in others):
            report.fault("layer-far:parcels", "parcels.layer", file.parcels.layer)
            return
    for key, box in there.items():
        away_m = float(shapely.distance(town, box))
        away_m *= float(crs.axis_info[0].unit_conversion_factor)
        if not np.isfinite(away_m) or away_m > FAR_M:
            away_km = away_m / 1000
            report.fault("layer-far", f"{key}.layer", getattr(file, key).layer, away_km=away_km)
