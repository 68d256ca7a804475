"""Runs of the cable: ``[[run]]`` and the column ``run``, what the camera saw on them."""

from __future__ import annotations

from dataclasses import replace

from ..messages.catalog import fault_of
from ..model.site import Locate, Noise, Observation, Room, Run
from .consistency import check_counts
from .faults import ALL_POINTS, Report, guess
from .file_names import LOCATES_FILE
from .schema import SiteFile

MOST_RUNS = 5
"""All ways five runs can join are weighed one by one, 1296 of them; a sixth makes 16 807."""


def make_runs(file: SiteFile, locates: tuple[Locate, ...], report: Report) -> tuple[Run, ...]:
    """Make the runs and hold them against the points; all faults are gathered.

    Parameters
    ----------
    file
        The site file as validated.
    locates
        Rows of ``locates.csv``.
    report
        Where faults and notices are gathered.

    Returns
    -------
    tuple[Run, ...]
        The runs without faults.
    """
    tables, points = file.run, tuple(dict.fromkeys(row.id for row in locates))
    ids = [table.id for table in tables]
    if len(ids) > MOST_RUNS:
        report.fault("too-many-runs", f"run[{MOST_RUNS + 1}]", ids[MOST_RUNS], most=MOST_RUNS)
    for number, table in enumerate(tables, start=1):
        _check_run(table, f"run[{number}]", ids[: number - 1], ids, points, report)
    _check_rows(locates, ids, report)
    used = {row.run for row in locates if row.kind in ("locate", "bend")}
    for number, name in enumerate(ids, start=1):
        if name not in used and len(ids) > 1 and ALL_POINTS not in report.broken_names:
            report.fault("run-without-points", f"run[{number}].id", name)
    return tables


def _check_run(
    table: Run, key: str, before: list[str], ids: list[str], points: tuple[str, ...], report: Report
) -> None:
    """Fault an id used twice, an access or a joint that is not there."""
    if table.id in before:
        report.fault("id-twice:run", f"{key}.id", table.id)
    unknown_points = ALL_POINTS not in report.broken_names
    named = [("access", table.access)]
    if table.joins is not None and table.joins.point is not None:
        named.append(("joins.point", table.joins.point))
    for field, point in named:
        if unknown_points and point not in points and point not in report.broken_names:
            report.fault("point-unknown:run", f"{key}.{field}", point, known=guess(point, points))
    joined = None if table.joins is None else table.joins.run
    if joined is not None and (joined not in ids or joined == table.id):
        others = [name for name in ids if name != table.id]
        report.fault("run-unknown:joins", f"{key}.joins.run", joined, known=guess(joined, others))
    if table.joins is not None and table.joins.run and table.joins.point:
        report.fault("run-joins-twice", f"{key}.joins", None)


def _check_rows(locates: tuple[Locate, ...], ids: list[str], report: Report) -> None:
    """Fault a row whose run is not there, or a located point without one among several."""
    for row in locates:
        name = ""
        if row.run and row.run not in ids:
            name = "run-unknown"
        elif not row.run and len(ids) > 1 and row.kind in ("locate", "bend"):
            name = "run-missing" if row.room != "lot" else ""
        if name:
            known = guess(row.run, ids) if row.run else ", ".join(ids)
            report.add(fault_of(name, LOCATES_FILE, row.row, "run", row.run, known=known))


def make_observations(
    file: SiteFile, runs: tuple[Run, ...], report: Report
) -> tuple[Observation, ...]:
    """Make what the camera saw; an observation may leave the run out where there is at most one.

    Parameters
    ----------
    file
        The site file as validated.
    runs
        The runs.
    report
        Where faults and notices are gathered.

    Returns
    -------
    tuple[Observation, ...]
        The observations without faults.
    """
    ids = [run.id for run in runs]
    for number, table in enumerate(file.observation, start=1):
        key = f"observation[{number}]"
        if not table.run and len(ids) > 1:
            report.fault("run-missing:observation", f"{key}.run", None, known=", ".join(ids))
        elif table.run and table.run not in ids:
            known = guess(table.run, ids)
            report.fault("run-unknown:observation", f"{key}.run", table.run, known=known)
        if table.footage_to_m is not None and table.footage_to_m < table.footage_m:
            shown = report.format(table.footage_to_m)
            report.fault("footage-backwards", f"{key}.footage_to", shown)
    only = ids[0] if len(ids) == 1 else ""
    return tuple(replace(one, run=one.run or only) for one in file.observation)


def counted_by_run(
    locates: tuple[Locate, ...],
    rooms: tuple[Room, ...],
    runs: tuple[Run, ...],
    noise: Noise,
    report: Report,
) -> tuple[Locate, ...]:
    """Check the footage run by run: each has its own zero, at its access.

    Gives the rows, counts that do not fit left out as in :func:`check_counts`.

    Parameters
    ----------
    locates
        Rows of ``locates.csv``.
    rooms
        The rooms.
    runs
        The runs.
    noise
        Stated noise of tape and locator.
    report
        Where faults and notices are gathered.

    Returns
    -------
    tuple[Locate, ...]
        The rows, counts that do not fit taken out.
    """
    if not runs:
        return check_counts(locates, rooms, noise, report)
    renewed = {}
    for run in runs:
        own = tuple(
            # an access taken as 0 needs no count of its own
            replace(row, kind="cleanout") if row.id == run.access else row
            for row in locates
            if row.id == run.access or row.run == run.id or (len(runs) == 1 and not row.run)
        )
        # another run's cleanout has a counter of its own
        own = tuple(row for row in own if row.id == run.access or row.kind != "cleanout")
        checked = check_counts(own, rooms, noise, report)
        renewed.update({row.row: row.footage_m for row in checked})
    return tuple(replace(row, footage_m=renewed.get(row.row, row.footage_m)) for row in locates)
