"""Runs of the cable: what may stand in ``[[run]]`` and the column ``run``, and what is refused."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from sitegis.messages.errors import BadInput
from sitegis.read import read_site
from tests.read_folder import LOCATES, SITE, write_folder

RUNS = """
[[run]]
id = "main"
access = "CO"
stopped = "end-of-cable"
stopped_at = "31 ft"
system = "sanitary"

[[run]]
id = "kitchen"
access = "ST2"
joins = {run = "main", footage = "9 ft", side = "left"}

[[observation]]
run = "kitchen"
footage = "3 ft"
footage_to = "4 ft"
seen = "roots"
clock_from = 9
clock_to = 3
"""
MORE = (("ST2", "stack", "", ""), ("K1", "locate", "18", "4"), ("K2", "locate", "19", "8"))


def with_runs(*, blank: bool = False, run: str = "main") -> str:
    """Return the points of the tiny site with a column ``run``, and a kitchen run of three more."""
    rows = list(csv.DictReader(io.StringIO(LOCATES)))
    columns = [*rows[0], "run"]
    for row in rows:
        row["run"] = run if row["kind"] in ("locate", "bend") and not blank else ""
    for number, (name, kind, depth, count) in enumerate(MORE):
        row = dict.fromkeys(columns, "") | {
            "id": name,
            "kind": kind,
            "room": "R1",
            "x": f"{4 + 4 * number} ft",
            "y": "16 ft",
            "depth": depth,
            "footage": f"{count} ft" if count else "",
            "run": "" if kind == "stack" else "kitchen",
        }
        rows.append(row)
    written = io.StringIO()
    writer = csv.DictWriter(written, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return written.getvalue()


def faults(folder: Path) -> set[tuple[str, str]]:
    with pytest.raises(BadInput) as caught:
        read_site(folder)
    return {(fault.code, fault.field) for fault in caught.value.faults}


def test_two_runs_with_their_own_zeros(tmp_path: Path) -> None:
    """A second access with its own footage is taken; the log is read; SI inside."""
    site = read_site(write_folder(tmp_path, site=SITE + RUNS, locates=with_runs())).site
    main, kitchen = site.runs
    assert (main.access, main.stopped, main.system) == ("CO", "end-of-cable", "sanitary")
    assert main.stopped_at_m == pytest.approx(31 * 0.3048)
    assert kitchen.joins is not None
    assert (kitchen.joins.run, kitchen.joins.side) == ("main", "left")
    assert {row.run for row in site.locates if row.kind == "locate"} == {"main", "kitchen"}
    assert [row.footage_m for row in site.locates if row.run == "kitchen"] == pytest.approx(
        [4 * 0.3048, 8 * 0.3048]
    )
    (seen,) = site.observations
    assert (seen.seen, seen.clock_from, seen.clock_to) == ("roots", 9, 3)


def test_without_runs_nothing_is_asked(tmp_path: Path) -> None:
    """An empty column and no table is today's site."""
    site = read_site(write_folder(tmp_path)).site
    assert site.runs == ()
    assert site.observations == ()
    assert all(row.run == "" for row in site.locates)


def test_every_fault_of_runs_in_one_report(tmp_path: Path) -> None:
    """Unknown names, a run twice, a row without its run: all told at once."""
    spoiled = (
        RUNS.replace('access = "ST2"', 'access = "ST9"')
        .replace('run = "main", foot', 'run = "mian", point = "L1", foot')
        .replace('footage_to = "4 ft"', 'footage_to = "1 ft"')
        .replace('run = "kitchen"\nfootage', 'run = "kitchn"\nfootage')
    )
    spoiled += '\n[[run]]\nid = "main"\naccess = "CO"\n'
    spoiled += '\n[[run]]\nid = "third"\naccess = "CO"\n'
    found = faults(write_folder(tmp_path, site=SITE + spoiled, locates=with_runs(blank=True)))
    assert {
        ("id-twice", "run[3].id"),
        ("point-unknown", "run[2].access"),
        ("run-unknown", "run[2].joins.run"),
        ("run-joins-twice", "run[2].joins"),
        ("run-unknown", "observation[1].run"),
        ("footage-backwards", "observation[1].footage_to"),
        ("run-without-points", "run[4].id"),
        ("run-missing", "run"),
    } <= found


def test_a_run_that_has_no_table(tmp_path: Path) -> None:
    """The column alone does not say where the cable went in."""
    found = faults(write_folder(tmp_path, locates=with_runs()))
    assert found == {("run-unknown", "run")}


def test_a_sixth_run_is_too_many(tmp_path: Path) -> None:
    """Five runs join in 1296 ways, (n + 1)^(n - 1) rooted forests (Cayley); more is refused."""
    many = "".join(f'\n[[run]]\nid = "r{i}"\naccess = "CO"\n' for i in range(6))
    found = faults(write_folder(tmp_path, site=SITE + many, locates=with_runs(run="r0")))
    assert ("too-many-runs", "run[6]") in found


def test_footage_is_held_against_the_floor_run_by_run(tmp_path: Path) -> None:
    """A count too short for its distance is told of its own run, not across runs."""
    text = with_runs().replace("8 ft,", "4.2 ft,")
    site = SITE + RUNS
    found = faults(write_folder(tmp_path, site=site, locates=text))
    assert ("count-too-short", "footage") in found
