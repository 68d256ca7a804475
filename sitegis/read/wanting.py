"""What a site lacks, told all at once: needs that no later step may hide by failing first."""

from __future__ import annotations

from .faults import Report
from .schema import SiteFile


def check_required(file: SiteFile, report: Report) -> None:
    """Add the faults of a lot and a building that lack what they need whatever else is there.

    The steps that make them tell the same once more where they come so far; equal faults are
    reported once.

    Parameters
    ----------
    file
        The site file as validated.
    report
        Where faults and notices are gathered.
    """
    _lot(file, report)
    _building(file, report)


def _lot(file: SiteFile, report: Report) -> None:
    lot = file.lot
    if "lot" in report.cut_keys:
        return
    if all(getattr(lot, name) is None for name in ("layer", "sides", "calls")):
        report.fault("lot-source:none", "lot", None)
    if lot.layer is not None:
        return
    for name in ("longitude", "latitude"):
        if getattr(lot, name) is None and f"lot.{name}" not in report.cut_keys:
            report.fault("key-missing:corner", f"lot.{name}", None)
    turned = (lot.front_azimuth, lot.front, lot.second_corner, lot.calls)
    if all(one is None for one in turned) and "lot.front_azimuth" not in report.cut_keys:
        report.fault("azimuth-missing", "lot.front_azimuth", None)


def _building(file: SiteFile, report: Report) -> None:
    table = file.building
    if "building" in report.cut_keys:
        return
    if all(getattr(table, name) is None for name in ("layer", "setbacks", "corners")):
        report.fault("building-source:none", "building", None)
    if table.setbacks is not None:
        for name in ("width", "depth"):
            if getattr(table, name) is None and f"building.{name}" not in report.cut_keys:
                report.fault("key-missing:building-size", f"building.{name}", None)
