"""Read one site folder into a survey: every fault gathered first, then raised once."""

from __future__ import annotations

import math
import os
import re
import statistics
from collections.abc import Mapping
from contextlib import closing
from dataclasses import asdict, replace
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from ..evidence import KINDS
from ..geometry.frames import LotFrame
from ..messages.catalog import fault_of
from ..messages.errors import BadInput
from ..model.revisions import KeptPit, Revision
from ..model.site import (
    Building,
    Ground,
    Locate,
    Lot,
    Main,
    Noise,
    RecordTexts,
    Site,
    Street,
    Tie,
    closed_mains,
)
from ..model.survey import Survey
from ..numerics.poles import depth_of_poles_m, poles_of, share_of_doubt
from ..rules.rule_set import RuleSet, load_rules
from .building import make_building, make_rooms, make_wall_contacts
from .consistency import (
    check_depths,
    check_fixtures,
    check_places,
    check_rooms,
    check_rooms_tied,
    check_ties,
    check_walls,
)
from .context import Reading
from .csv_tables import Row, read_locates, read_ties
from .faults import Report, shorten
from .file_names import REVISIONS_FOLDER, SITE_FILE
from .findings import Surroundings, read_findings, split_ties
from .items import make_dig, make_easements, make_evidence, make_fixtures, make_keep_outs
from .layers.features import Layers
from .lot import make_lot
from .mains import make_mains
from .old_names import rename_old
from .place_on_earth import choose_crs
from .plausible import check_directions, check_levels, check_place
from .runs import counted_by_run, make_observations, make_runs
from .schema import SiteFile, SiteTable
from .site_toml import Raw, units_of, validate
from .sources import open_source
from .streets import house_level, make_ground, make_streets
from .text_files import read_text

HEAD_ABOVE_INVERT_M = 0.025
DRAIN_DIAMETER_M = 0.1016
LOCATOR_KINDS = ("locate", "bend")


def read_site(path: Path) -> Survey:
    """Read a site folder (``site.toml``, ``locates.csv``, optional ``ties.csv`` and layers).

    ``fieldbook.xlsx`` may stand in place of the three files.

    Lengths become meters, layers lot coordinates; defaults are assumed where the folder is
    silent and named in ``site.notices``. Raises ``BadInput`` with every fault that was found,
    in file and row order: a fault in one part does not hide those of another.
    """
    folder = Path(path)
    report = Report()
    if not os.path.isdir(folder):  # unlike Path.is_dir, no error for a name too long
        name = shorten(folder.name or str(folder))
        if os.path.isfile(folder):
            raise BadInput((fault_of("not-a-folder", name, None, "folder", ""),))
        raise BadInput((fault_of("folder-missing", name, None, "folder", ""),))
    source = open_source(folder, report)
    raw = source.raw
    units, depth_units = units_of(source.units_from, report)
    if raw is not None:
        # before the schema sees it: keys of an earlier release are known there by today's names
        rename_old(raw, report)
    file = None if raw is None else validate(raw, report, units, depth_units)
    noise = Noise() if file is None else file.noise
    locates = read_locates(source.locates, report, units, depth_units)
    every_tie = read_ties(source.ties, report, units, noise)
    ties, find_ties = split_ties(every_tie, source.findings, [row.id for row in locates])
    revisions = read_revisions(folder, report)
    room_ids = _room_ids(raw or {})
    if raw is not None:
        # by the raw ids: a room that the schema refuses shall not fault every row in it
        check_rooms(locates, room_ids, report)
        check_ties(ties, locates, room_ids, report)
    site = None
    rules = None
    if file is not None:
        check_required(file, report)
        rules = load_rules(file.site.rule_set)
        # layers stay open while records are made of them, and close also where that fails
        with closing(Layers(folder, report)) as layers:
            site = _make_site(file, layers, locates, ties, noise=noise, rules=rules)
        if site is not None:
            site = _with_findings(site, source.findings, find_ties, revisions, folder, report)
    # all faults of the folder at once
    report.raise_faults(site)
    if site is None or rules is None:
        raise BadInput((fault_of("site-unusable", SITE_FILE, None, "file", ""),))
    return Survey(site, rules, whereabouts=report.where)


def _with_findings(
    site: Site,
    rows: tuple[Row, ...],
    ties: tuple[Tie, ...],
    revisions: tuple[Revision, ...],
    folder: Path,
    report: Report,
) -> Site:
    """Add what was found outdoors as evidence, other pipes that were met as no-dig areas."""
    around = Surroundings(folder, site.frame, site.lot, site.building, pits_of(revisions), ties)
    taken = [*(row.id for row in site.locates), *KINDS]
    findings, others = read_findings(rows, around, report, site.units, site.depth_units, taken)
    # where another pipe was met, only a hole of known depth says where this one is not
    weighed = tuple(
        one
        for one in findings
        if one.met == "yes" or (one.has_hole and one.dug_to_m is not None) or one.met == "no"
    )
    return replace(
        site,
        evidence=(*site.evidence, *weighed),
        keep_outs=(*site.keep_outs, *others),
        revisions=revisions,
        notices=report.placed_notices(),
    )


def _room_ids(raw: Raw) -> list[str]:
    """Return the room ids as they stand in the raw file."""
    rooms = raw.get("room")
    tables = [room for room in rooms if isinstance(room, dict)] if isinstance(rooms, list) else []
    return [str(room["id"]).strip() for room in tables if isinstance(room.get("id"), str | int)]


def _make_site(
    file: SiteFile,
    layers: Layers,
    locates: tuple[Locate, ...],
    ties: tuple[Tie, ...],
    *,
    noise: Noise,
    rules: RuleSet,
) -> Site | None:
    """Make the records in the order in which they rest on each other."""
    report = layers.report
    _check_site_table(file, report)
    crs = choose_crs(file, layers, report)
    if crs is None:
        return None
    reading = Reading(file, layers, crs, report)
    made = make_lot(reading)
    if made is None:
        return None
    lot, frame = made
    building = make_building(reading, lot, frame)
    if building is None:
        return None
    return _fill(
        reading, lot, frame, building, locates=locates, ties=ties, noise=noise, rules=rules
    )


def _fill(
    reading: Reading,
    lot: Lot,
    frame: LotFrame,
    building: Building,
    *,
    locates: tuple[Locate, ...],
    ties: tuple[Tie, ...],
    noise: Noise,
    rules: RuleSet,
) -> Site:
    """Make what stands on the lot and around it, run the cross checks, and put it together."""
    file, report = reading.file, reading.report
    rooms = make_rooms(reading, building)
    contacts = make_wall_contacts(reading, building)
    streets, ground, mains = _around(reading, lot, frame, building)
    evidence = make_evidence(reading, mains, locates)
    dig = make_dig(reading, rules, mains)
    fixtures = make_fixtures(reading, {room.id for room in rooms})
    keep_outs = make_keep_outs(reading, frame)
    easements = make_easements(reading, frame)
    check_walls(contacts, locates, building, report)
    check_places(locates, rooms, building, report)
    check_fixtures(fixtures, rooms, building, report)
    # a depth in the wrong unit would be absurd, and the unit is a fault already
    if report.units_known:
        check_depths(locates, rooms, noise, report)
    runs = make_runs(file, locates, report)
    observations = make_observations(file, runs, report)
    # a footage is compared within its own run alone, whose access is its zero
    locates = counted_by_run(locates, rooms, runs, noise, report)
    check_rooms_tied(rooms, locates, ties, contacts, report)
    table = file.site
    poles_m, noise = with_poles(table, locates, noise, report)
    site = Site(
        name=table.name,
        units=table.units,
        depth_units=table.depth_units or table.units,
        rule_set=table.rule_set,
        frame=frame,
        lot=lot,
        building=building,
        rooms=rooms,
        locates=locates,
        ties=ties,
        wall_contacts=contacts,
        streets=streets,
        mains=mains,
        evidence=evidence,
        fixtures=fixtures,
        keep_outs=keep_outs,
        easements=easements,
        ground=ground,
        noise=noise,
        priors=file.prior,
        dig=dig,
        poles_m=poles_m,
        runs=runs,
        observations=observations,
    )
    site = _as_described(site, file)
    for name in sorted(closed_mains(site)):
        report.note("main-of-storm", f"main.{name}", name=name)
    return replace(site, notices=report.placed_notices())


def _around(
    reading: Reading, lot: Lot, frame: LotFrame, building: Building
) -> tuple[tuple[Street, ...], Ground, tuple[Main, ...]]:
    """Make streets, ground and mains, and hold them against each other."""
    level = house_level(reading)
    streets = make_streets(reading, lot, frame, level)
    ground = make_ground(reading, building, level, streets, lot)
    mains = make_mains(reading, lot, frame, streets, building)
    if not mains and not reading.file.main:
        reading.report.note("no-main", "main")
    check_place(reading, frame)
    check_levels(reading, level, streets, mains, lot)
    check_directions(reading, lot, building, streets, mains)
    return streets, ground, mains


def _as_described(site: Site, file: SiteFile) -> Site:
    """Return the site with what its table and the record's say of it."""
    table = file.site
    return replace(
        site,
        seed=table.seed,
        year_built=table.year_built,
        head_above_invert_m=_or(table.head_above_invert, HEAD_ABOVE_INVERT_M),
        drain_diameter_m=_or(table.drain_diameter, DRAIN_DIAMETER_M),
        drain_diameter_known=table.drain_diameter is not None,
        slab_elevation_m=table.slab_elevation,
        surveyed_by=table.surveyed_by,
        surveyed_on="" if table.surveyed_on is None else table.surveyed_on.isoformat(),
        receiver=table.receiver,
        sonde=table.sonde,
        drain_material=table.drain_material,
        existing_fixtures=table.existing_fixtures,
        elevation_above_sea_m=table.elevation_above_sea,
        vertical_datum=table.vertical_datum,
        coordinate_epoch=table.coordinate_epoch,
        paper=table.paper,
        language=table.language,
        record=_record(file),
    )


def with_poles(
    table: SiteTable, locates: tuple[Locate, ...], noise: Noise, report: Report
) -> tuple[float, Noise]:
    """Return the distance of the sonde's poles, and the noise with what is not known of it.

    The doubt is one for all depths of the drain: it widens the session's depth scale.

    Parameters
    ----------
    table
        The ``[site]`` table.
    locates
        Rows of ``locates.csv``.
    noise
        Stated noise of tape and locator.
    report
        Where faults and notices are gathered.

    Returns
    -------
    distance
        Between the poles, m.
    noise
        Widened by what is not known of it.
    """
    poles_m, sd_m = poles_of(table.drain_material, table.sonde_length)
    depths = [
        row.depth_m
        for row in locates
        if row.kind in LOCATOR_KINDS and row.room != "lot" and row.depth_m
    ]
    if poles_m <= 0.0 or not depths:
        return 0.0, noise
    middle_m = statistics.median(depths)
    share = share_of_doubt(middle_m, poles_m, sd_m)
    less_m = middle_m - depth_of_poles_m(middle_m, poles_m)
    # independent of the session's own error of depth
    scale = math.hypot(noise.session_depth_scale, share)
    report.note(
        "sonde-reads-deep",
        "site.drain_material",
        poles_m=poles_m,
        less_m=less_m,
        middle_m=middle_m,
        share=f"{100 * scale:.0f} %",
    )
    return poles_m, replace(noise, session_depth_scale=scale)


def _record(file: SiteFile) -> RecordTexts:
    """Return the texts of the record; a lot from a layer has its parcel id there."""
    parcel = file.record.parcel or (file.lot.id if file.lot.layer is not None else None) or ""
    return replace(file.record, parcel=parcel)


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _check_site_table(file: SiteFile, report: Report) -> None:
    """Fault pipe sizes that only a blunder of the unit explains."""
    table = file.site
    bounds = [
        ("site.head_above_invert", table.head_above_invert, 0.0, 0.2),
        ("site.drain_diameter", table.drain_diameter, 0.03, 0.4),
        *(
            (f"run[{number}].diameter", run.diameter_m, 0.03, 0.4)
            for number, run in enumerate(file.run, start=1)
        ),
    ]
    for name, value, low, high in bounds:
        if value is not None and not low <= value <= high:
            report.fault("size-absurd", name, None, size_m=value)
    weights = [w for w in asdict(file.prior).values() if w is not None]
    # all six given, or a default would keep one above 0
    if weights and len(weights) == 6 and sum(weights) <= 0.0:
        report.fault("prior-zero", "prior", None)


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


NAME = re.compile(r"R([1-9][0-9]{0,3})\.json")
MOST_REVISIONS = 500  # judgment: a job has a handful


def read_revisions(folder: Path, report: Report) -> tuple[Revision, ...]:
    """Read the kept answers of a folder in their order; what is broken is a fault.

    Parameters
    ----------
    folder
        The site folder.
    report
        Where faults and notices are gathered.

    Returns
    -------
    tuple[Revision, ...]
        The kept answers, oldest first.
    """
    kept = folder / REVISIONS_FOLDER
    if not os.path.isdir(kept):
        return ()
    names = [name for name in os.listdir(kept) if NAME.fullmatch(name)]
    names.sort(key=lambda name: int(name[1:-5]))
    made = [_revision(kept / name, folder, report) for name in names[:MOST_REVISIONS]]
    return tuple(one for one in made if one is not None)


def _revision(path: Path, folder: Path, report: Report) -> Revision | None:
    """Read one; None with the fault gathered."""
    text = read_text(path, report, folder=folder)
    if text is None:
        return None
    name = f"{REVISIONS_FOLDER}/{path.name}"
    try:
        made: Revision = TypeAdapter(Revision).validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        report.add(fault_of("revision-broken", name, None, where or "file", "", error=first["msg"]))
        return None
    if made.id != path.stem:
        report.add(fault_of("revision-broken:name", name, None, "id", shorten(made.id)))
        return None
    return made


def pits_of(revisions: tuple[Revision, ...]) -> Mapping[str, KeptPit]:
    """Return the pits of all kept answers by their lasting ids."""
    return {pit.id: pit for revision in revisions for pit in revision.pits}
