"""Choose the CRS of a site and check where on earth it is said to lie."""

from __future__ import annotations

import math

from pyproj import CRS

from ..geometry.georeference import grid_unit, utm_crs
from .faults import Report
from .layers.features import LayerReference, Layers, crs_text, read_crs, to_crs
from .schema import SiteFile


def choose_crs(file: SiteFile, layers: Layers, report: Report) -> CRS | None:
    """Return the site's CRS: as written, else a projected layer's, else the UTM zone of the lot.

    Parameters
    ----------
    file
        The site file as validated.
    layers
        The site's layers.
    report
        Where faults and notices are gathered.

    Returns
    -------
    CRS | None
        The CRS, None with the fault gathered.
    """
    good, lonlat = _checked_lonlat(file, report)
    if not good and file.lot.layer is None:
        return None
    if file.site.crs is not None:
        crs = read_crs(file.site.crs, "site.crs", report)
    elif file.lot.layer is not None or lonlat is None:
        crs = _crs_of_layers(file, layers)
    else:
        crs = _crs_of_layers(file, layers) if _has_layers(file) else None
        crs = crs or CRS.from_user_input(utm_crs(*lonlat))
    if crs is None:
        return None
    name = crs_text(crs)
    try:
        unit = grid_unit(name)
    except ValueError as error:
        report.fault("crs-unfit", "site.crs", file.site.crs, error=error)
        return None
    report.note("crs-unit", "site.crs", words=unit.words)
    if file.site.crs is None:
        report.note("crs-chosen", "site.crs", crs=unit.crs[:40])
    return crs


def _has_layers(file: SiteFile) -> bool:
    tables: list[LayerReference] = [file.lot, file.building, *file.street, *file.main]
    return any(table.layer is not None for table in tables)


def _crs_of_layers(file: SiteFile, layers: Layers) -> CRS | None:
    """Return the CRS of the first layer, or its UTM zone where that is geographic."""
    streets = [(t, f"street[{n}]", t.id) for n, t in enumerate(file.street, start=1)]
    mains = [(t, f"main[{n}]", t.feature or t.id) for n, t in enumerate(file.main, start=1)]
    tables = [(file.lot, "lot", file.lot.id), (file.building, "building", file.building.id)]
    found: list[tuple[LayerReference, str, str | None]] = [*tables, *streets, *mains]
    for table, key, identifier in found:
        if table.layer is None:
            continue
        feature = layers.feature(table, key, wanted="any", identifier=identifier)
        if feature is None:
            return None
        if feature.crs.is_projected:
            return feature.crs
        center = to_crs(feature.shape.centroid, feature.crs, CRS.from_epsg(4326))
        # UTM zones end at 84°
        if not (math.isfinite(center.x) and abs(center.y) <= 84.0 and abs(center.x) <= 180.0):
            layers.report.fault("lonlat-out-of-range", f"{key}.layer", table.layer)
            return None
        return CRS.from_user_input(utm_crs(center.x, center.y))
    return None


def _checked_lonlat(file: SiteFile, report: Report) -> tuple[bool, tuple[float, float] | None]:
    """Check the written longitudes and latitudes; tell whether they are good, and the lot's."""
    table = file.lot
    good = True
    pairs = [("lot", table.longitude, table.latitude)]
    if table.second_corner is not None:
        second = table.second_corner
        pairs.append(("lot.second_corner", second.longitude, second.latitude))
    if table.layer is None:
        for name in ("longitude", "latitude"):
            if getattr(table, name) is None:
                report.fault("key-missing:corner", f"lot.{name}", None)
    for key, longitude, latitude in pairs:
        if longitude is not None and latitude is not None:
            good = _check_pair(key, longitude, latitude, report) and good
    if not good or table.longitude is None or table.latitude is None:
        return good, None
    return True, (table.longitude, table.latitude)


def _check_pair(key: str, longitude: float, latitude: float, report: Report) -> bool:
    """Fault a place out of range or swapped; a place the rule sets do not cover is a notice.

    Southern latitudes beyond 60° have no lots, but swapped western longitudes land there.
    """
    # swapped western places have a latitude of −60 to −180, where no lots are
    if abs(latitude) > 84.0 or abs(longitude) > 180.0 or latitude < -60.0:
        swapped = abs(latitude) <= 180.0 and -60.0 <= longitude <= 84.0
        name = "lonlat-swapped" if swapped else "lonlat-out-of-range:lot"
        report.fault(name, f"{key}.latitude", latitude, latitude=latitude, longitude=longitude)
        return False
    if not (-170.0 <= longitude <= -50.0 and 15.0 <= latitude <= 84.0):
        report.note("place-outside-rules", key, longitude=longitude, latitude=latitude)
    return True
