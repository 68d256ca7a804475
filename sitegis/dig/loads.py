"""Fixture units on every pipe under the slab: each branch's on its own pipe, and below its wye."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from ..late_dataclass import dataclass
from ..model.branches import Branch
from ..model.derived import CodeCheck, PipeLoad, TieIn
from ..model.results import Drain
from ..model.site import single_fixtures
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, at_least
from ..numerics.statistics import NORMAL_95
from .codes import closet_check, closets_check, least_size, load_check, size

THERE_ALREADY = "list existing_fixtures"


@dataclass(frozen=True, slots=True)
class _Pipe:
    """A run's own pipe: length and fall, what drains into it, and what enters it where."""

    run: str
    length_m: float
    slope: float
    slope_sd: float
    diameter_m: float | None
    there: tuple[str, ...]
    planned: tuple[tuple[float, str], ...]
    joins: str | None = None
    wye_m: float = 0.0


def pipe_loads(survey: Survey, planned: Sequence[TieIn]) -> tuple[PipeLoad, ...]:
    """Sum up what every stretch of pipe carries, the branches first, the trunk from its start.

    A pipe is parted where another enters: below a wye it carries the whole of that branch too.
    What drains into a run counts from the run's start (the table is for the lower end); a planned
    fixture on the stretch where it ties in. ``site.existing_fixtures`` are on the building drain.
    A storm drain carries none.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    planned
        Planned branches.

    Returns
    -------
    tuple[PipeLoad, ...]
        One load for each stretch.
    """
    pipes = {pipe.run: pipe for pipe in _pipes(survey, planned)}
    return tuple(
        _load(survey, pipes, pipe, start_m, end_m)
        for pipe in pipes.values()
        for start_m, end_m in _stretches(pipes, pipe)
    )


def _pipes(survey: Survey, planned: Sequence[TieIn]) -> list[_Pipe]:
    """List the pipes, the building drain last; one alone where the site has no joined runs.

    A run without a pipe of its own lies all along another: its fixtures are that one's.
    """
    joined, site = survey.joined, survey.site
    trunk = "" if joined is None else joined.trunk
    runs = {run.id: run for run in site.runs}
    branches = () if joined is None else joined.branches
    # lies wholly in another's pipe: it has no wye
    along = {one.id: one.joins for one in branches if one.wye is None}

    def pipe(run: str, own: Drain | Branch) -> _Pipe:
        noted = runs.get(run)
        there = () if noted is None else noted.existing_fixtures
        # what such runs bring enters this pipe's start
        there += tuple(
            kind for one in site.runs if along.get(one.id) == run for kind in one.existing_fixtures
        )
        diameter_m = None if noted is None else noted.diameter_m
        if run == trunk:
            there += site.existing_fixtures
            diameter_m = diameter_m or site.drain_diameter_m
        if joined is None:  # one run or none
            there = (
                *site.existing_fixtures,
                *(k for one in site.runs for k in one.existing_fixtures),
            )
        kinds = {one.id: one.kinds for one in site.fixtures}
        mine = [one for one in planned if one.joins == ("" if run == trunk else run)]
        return _Pipe(
            run=run,
            length_m=own.length_m,
            slope=own.slope,
            slope_sd=own.slope_sd,
            diameter_m=diameter_m,
            there=single_fixtures(there),
            planned=tuple((one.station_m, kind) for one in mine for kind in kinds[one.fixture]),
            joins=own.joins if isinstance(own, Branch) else None,
            wye_m=own.wye.station_m if isinstance(own, Branch) and own.wye is not None else 0.0,
        )

    return [
        *(pipe(one.id, one) for one in branches if one.wye is not None and one.system != "storm"),
        pipe(trunk, survey.drain),
    ]


def _stretches(pipes: dict[str, _Pipe], pipe: _Pipe) -> list[tuple[float, float]]:
    """Part a pipe at the wyes on it; one of no length is left out."""
    wyes = sorted(one.wye_m for one in pipes.values() if one.joins == pipe.run)
    # a wye beyond the pipe's known ends counts at its end
    edges = [0.0, *(min(max(at, 0.0), pipe.length_m) for at in wyes), pipe.length_m]
    return [(start, end) for start, end in pairwise(edges) if end - start > MATTERS_M]


def _carried(pipes: dict[str, _Pipe], pipe: _Pipe, start_m: float, end_m: float) -> list[_Pipe]:
    """Return the pipes whose fixtures pass a stretch: its own down to its end, and what enters."""
    # the table is for the lower end of a stretch: what ties in before that counts
    planned = tuple(row for row in pipe.planned if row[0] <= end_m)
    found = [replace(pipe, planned=planned)]
    for one in pipes.values():
        # entered above this stretch: the whole branch, and what enters it
        if one.joins == pipe.run and one.wye_m <= start_m + MATTERS_M:
            # to infinity: all that was planned on the branch has come in
            found += _carried(pipes, one, one.length_m, float("inf"))
    return found


def _load(
    survey: Survey, pipes: dict[str, _Pipe], pipe: _Pipe, start_m: float, end_m: float
) -> PipeLoad:
    """Sum up one stretch and hold it against the code."""
    carried = _carried(pipes, pipe, start_m, end_m)
    kinds = [kind for one in carried for kind in (*one.there, *(k for _, k in one.planned))]
    # a pipe without a list may carry more than is known
    unlisted = tuple(one.run for one in carried if not one.there)
    entering = tuple(one.run for one in carried[1:])
    fixtures = tuple(sorted(kinds))
    load = PipeLoad(
        run=pipe.run,
        from_m=start_m,
        to_m=end_m,
        carries=entering,
        fixtures=fixtures,
        unlisted=unlisted,
        units=survey.rules.plumbing.load(fixtures),
        diameter_m=pipe.diameter_m,
        slope=pipe.slope,
    )
    name = "the drain" if not pipe.run else f"run {pipe.run}"
    if entering:
        name += f" below the {'wye' if len(entering) == 1 else 'wyes'} of {', '.join(entering)}"
    return replace(load, checks=_checks(survey, load, name, pipe.slope_sd))


def _checks(survey: Survey, load: PipeLoad, name: str, slope_sd: float) -> tuple[CodeCheck, ...]:
    """Hold a stretch's load against the table by size and slope, and its closets by number.

    ``met`` needs every fixture listed, a known size, and the same answer at both ends of the
    slope's 95 % interval.
    """
    code, unit = survey.rules.plumbing, survey.site.units
    what = f"{name}, planned and existing fixtures together,"
    if load.unlisted:
        runs = ", ".join(one for one in load.unlisted if one)
        missing = f" on {runs}" if runs else ""
        what = f"{name}, without those there already{missing} ({THERE_ALREADY}),"
    if not load.fixtures:
        return ()
    if load.diameter_m is None:
        return (_unknown_size(survey, load, what),)
    ends = [load.slope - NORMAL_95 * slope_sd, load.slope, load.slope + NORMAL_95 * slope_sd]
    low, one, high = (
        load_check(code, load.fixtures, load.diameter_m, slope, unit, what) for slope in ends
    )
    # the slope's uncertainty decides: nothing is met or not met by it
    if {low.verdict, high.verdict} == {"met", "not met"}:
        text = one.words.replace(": not met", "").replace(": met", "")
        spread = f"the slope is known to ± {100 * NORMAL_95 * slope_sd:.1f} % (95 %): measure it"
        one = replace(one, verdict="ask", words=f"{text}; {spread}")
    checks = [one]
    closets = closets_check(code, load.fixtures, load.diameter_m, unit, what)
    if closets is not None:
        checks.append(closets)
    if "water-closet" in load.fixtures and not at_least(
        load.diameter_m, code.water_closet.least_m, MATTERS_M
    ):
        checks.append(closet_check(code, load.diameter_m, unit))
    return tuple(_held_back(check, load) for check in checks)


def _held_back(check: CodeCheck, load: PipeLoad) -> CodeCheck:
    """Call nothing met while fixtures are not listed: what is there already is more."""
    if load.unlisted and check.verdict == "met":
        return replace(check, verdict="not known", words=check.words.replace(": met", ""))
    return check


def _unknown_size(survey: Survey, load: PipeLoad, what: str) -> CodeCheck:
    """Say how large a pipe must be at least whose size nobody gave."""
    code = survey.rules.plumbing
    least_m, section = least_size(code, load.fixtures, load.slope), code.loads.section
    needed = "more than the table's largest size"
    if least_m is not None:
        needed = f"at least {size(least_m, survey.site.units)}"
    return CodeCheck(
        "fixture-units",
        "Fixture units",
        "not known",
        f"{load.units:g} drainage fixture units on {what} whose size is not given: {needed} at "
        f"{100 * load.slope:.2f} % ({section})",
        section,
    )


def downstream(
    loads: Sequence[PipeLoad], survey: Survey, run: str, station_m: float
) -> list[PipeLoad]:
    """Return the stretches that a fixture tied in to a run drains through, the first one first.

    Parameters
    ----------
    loads
        Loads of all stretches.
    survey
        Survey whose earlier blocks are filled.
    run
        Id of the run.
    station_m
        Station of the tie-in on the run, m.

    Returns
    -------
    list[PipeLoad]
        The stretches.
    """
    joined = survey.joined
    name = run or ("" if joined is None else joined.trunk)
    mine = [one for one in loads if one.run == name and one.to_m > station_m]
    # past the known end: the last stretch
    found = mine[:1] or [one for one in loads if one.run == name][-1:]
    if joined is not None and run:
        branch = next(one for one in joined.branches if one.id == run)
        if branch.joins is not None and branch.wye is not None:
            parent = "" if branch.joins == joined.trunk else branch.joins
            found += downstream(loads, survey, parent, branch.wye.station_m)
    return found
