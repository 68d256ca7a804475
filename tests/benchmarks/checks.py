"""Hold what checks are said to save against what they save: ``python -m tests.benchmarks.checks``.

Arguments: number of houses (300), first seed (0), worker processes (1), a file that keeps the
results, so that a run goes on where it stopped, and ``dig`` where no check is to be made: what
digging at once is said to cost and costs, which takes a fraction of the time.

Each house of :mod:`tests.neighborhood` is worked out up to the plan of pits. Of each kind of
check the one of most stated saving is then made: its answer is drawn with the stated
reliabilities for the lateral that is there, all route samples are weighed again by it, and the
dig is planned anew by stage ``dig`` itself. What the digging costs is counted on that lateral:
pits in order until one exposes it, the trench should all miss. "As assumed" draws the answer
from the site's own posterior and averages over the laterals that it leaves (what is off there is
the worth's own arithmetic), "independent" is the lateral that the neighborhood built (what is
off there besides is the posterior).

The ground is taken as mapped.

A trench costs some fifteen pits and few houses need one, so that a mean of costs hangs on those
few, and errors taken from the costs that occurred are too small where none or few did. So the
houses that need the trench are counted beside their stated number, and the mean's scatter is
that of the stated laws, √Σ var / n.
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sitegis.dig.cloud import gather_cloud, likely_part, searched_cloud
from sitegis.dig.depths import trench_cost
from sitegis.dig.pits import lay_field, rank_pits
from sitegis.geometry import polyline
from sitegis.messages.errors import ComputationError
from sitegis.model.site import Site
from sitegis.model.survey import Survey
from sitegis.pits.exposure import Candidate
from sitegis.rules.rule_set import load_rules
from sitegis.score.checks import Check, list_checks
from sitegis.score.next_check import prepare_checks
from sitegis.score.particles import Crossings, Particles, pad_routes
from sitegis.score.pits import exposed_by
from sitegis.score.search import cut_search
from sitegis.score.weighed_site import NONE_LEFT_OUT, weigh_site
from tests.benchmarks.calibration import STAGES
from tests.neighborhood import House, draw_house

from .heading import heading
from .kept import run_kept

Array = NDArray[np.float64]
WORLDS = ("as assumed", "independent")


@dataclass(frozen=True)
class Dig:
    """Pits in their order, the trench should all miss, and what both are said to cost."""

    pits: tuple[Candidate, ...]
    trench: float
    stated: float

    def costs(self, laterals: Particles, site: Site) -> tuple[Array, Array]:
        """Return what digging costs, and if it takes the trench (p,), for each possible lateral."""
        hidden = np.ones(laterals.listed.size, bool)
        paid = np.zeros(laterals.listed.size)
        for pit in self.pits:
            paid += pit.cost * hidden
            hidden &= ~exposed_by(pit, laterals, site)
        return paid + self.trench * hidden, hidden


@dataclass(frozen=True)
class Row:
    """One check made on one lateral: what it is said to save and what it saved, its cost off."""

    kind: str
    world: str
    stated: float
    saved: float


@dataclass(frozen=True)
class Trial:
    """One house: checks made, stated and realized cost of digging at once in each world.

    ``trench``: P(all pits miss) in each world; ``variance`` that of the cost as assumed; ``leaves``
    as :class:`tests.neighborhood.House` has it.
    """

    rows: tuple[Row, ...]
    stated: float
    costs: dict[str, float]
    trench: dict[str, float]
    variance: float
    leaves: str


def plan(survey: Survey) -> Dig:
    """Plan the pits as stage ``dig`` does, without what else it draws."""
    cloud, trench = searched_cloud(survey, gather_cloud(survey)), trench_cost(survey)
    if cloud.empty:
        return Dig((), trench, trench)
    field = lay_field(survey.site, survey.rules, likely_part(cloud))
    pits = rank_pits(field)
    seen = np.zeros(field.cloud.weights.size, bool)
    missed = [1.0]
    for pit in pits:
        seen |= pit.exposed
        missed.append(1.0 - float(field.cloud.weights[seen].sum()))
    costs = np.array([pit.cost for pit in pits])
    count, cost = cut_search(costs, np.array(missed), trench, least=min(len(pits), 1))
    return Dig(pits[:count], trench, cost)


def whole_particles(survey: Survey) -> Particles:
    """Return every route sample as a particle, ``unlisted`` by its first straights."""
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    width = max([r.vertices.shape[1] for r in survey.routes if r.vertices.size], default=2)
    owner, weights, vertices, inverts, stations = [], [], [], [], []
    for i, scored in enumerate(survey.scores.hypotheses):
        routes = routes_of[scored.hypothesis.id]
        some = bool(scored.weights.size and scored.weights.any())
        count = scored.weights.size if some else 1
        owner.append(np.full(count, i))
        weights.append(scored.probability * (scored.weights if some else np.ones(1)))
        nothing = np.full((1, width, 2), np.nan)
        vertices.append(pad_routes(routes.vertices, width) if some else nothing)
        inverts.append(pad_routes(routes.inverts_m, width) if some else nothing[..., 0])
        taps = routes.tap_stations_m
        stations.append(taps if taps.size == count else np.full(count, np.nan))
    places = np.concatenate(vertices)
    return _particles(
        survey,
        np.concatenate(owner),
        np.concatenate(weights),
        places,
        np.concatenate(inverts),
        np.concatenate(stations),
    )


def _particles(
    survey: Survey, owner: Array, weights: Array, vertices: Array, inverts: Array, stations: Array
) -> Particles:
    nothing = np.zeros(0)
    return Particles(
        survey.scores.hypotheses,
        owner.astype(np.intp),
        weights,
        ~np.isnan(stations),
        vertices,
        inverts,
        stations,
        Crossings(np.zeros((0, 2)), nothing, nothing, nothing),
        np.ones(len(vertices), bool),
    )


def true_particle(survey: Survey, house: House) -> Particles:
    """Return the lateral that is there as a particle of the way it belongs to."""
    truth = house.truth
    main = truth.main if house.listed else None
    owner = next(i for i, s in enumerate(survey.scores.hypotheses) if s.hypothesis.main == main)
    at_wall = truth.invert_start_m - truth.slope_indoors * float(polyline.length(truth.indoors))
    inverts = at_wall - truth.slope_outdoors * polyline.stations(truth.outdoors)
    return _particles(
        survey,
        np.array([owner]),
        np.ones(1),
        truth.outdoors[None],
        inverts[None],
        np.array([truth.tap_station_m if house.listed else np.nan]),
    )


def after(survey: Survey, whole: Particles, likelihood: Array) -> Survey:
    """Return the survey with every route sample weighed by P(answer | sample) (p,)."""
    weights = whole.weights * likelihood
    weights = weights / weights.sum()
    scored = []
    for i, one in enumerate(survey.scores.hypotheses):
        mine = weights[whole.hypothesis == i]
        share = float(mine.sum())
        rows = mine / share if share > 0.0 and one.weights.any() else one.weights
        scored.append(replace(one, probability=share, weights=rows))
    return replace(survey, scored=replace(survey.scores, hypotheses=tuple(scored)))


def leading_checks(survey: Survey) -> list[tuple[Check, float]]:
    """Return the check of each kind that is said to save most, with that saving."""
    case = weigh_site(survey.site, survey.routes, NONE_LEFT_OUT)
    context = prepare_checks(survey, case, survey.scores.hypotheses, survey.routes)
    by_name = {check.name: check for check in list_checks(context)}
    best: dict[str, tuple[Check, float]] = {}
    for ranked in survey.scores.next_checks:
        check = by_name[ranked.check]
        best.setdefault(check.kind, (check, ranked.saving))
    return list(best.values())


def run_house(seed: int) -> Trial | str:
    """Work one house out, make the checks, count the costs; the fault's code where none."""
    return _run(seed, checks=True)


def dig_house(seed: int) -> Trial | str:
    """Work one house out and dig at once, as :func:`run_house` without checks."""
    return _run(seed, checks=False)


def _run(seed: int, *, checks: bool) -> Trial | str:
    house = draw_house(seed)
    survey = Survey(house.site, load_rules(house.site.rule_set))
    try:
        for stage in STAGES:
            survey = stage(survey)
    except ComputationError as error:
        return error.fault.code
    return dig_at_once(survey, house, seed, checks=checks)


def dig_at_once(survey: Survey, house: House, seed: int, *, checks: bool) -> Trial:
    """Count the costs of a house that was worked out, with the checks of each kind or none."""
    whole, today = whole_particles(survey), plan(survey)
    worlds = {"as assumed": whole, "independent": true_particle(survey, house)}
    dug = {world: today.costs(laterals, house.site) for world, laterals in worlds.items()}
    costs = {world: cost for world, (cost, _) in dug.items()}
    means = {world: float(worlds[world].weights @ costs[world]) for world in WORLDS}
    return Trial(
        tuple(_rows(survey, worlds, costs, seed)) if checks else (),
        today.stated,
        means,
        {world: float(worlds[world].weights @ hidden) for world, (_, hidden) in dug.items()},
        float(whole.weights @ (costs["as assumed"] - means["as assumed"]) ** 2),
        house.leaves,
    )


def _rows(
    survey: Survey, worlds: dict[str, Particles], costs: dict[str, Array], seed: int
) -> Iterator[Row]:
    """Make the leading check of each kind in each world."""
    whole, site, generator = worlds["as assumed"], survey.site, np.random.default_rng([seed, 77])
    for check, stated in leading_checks(survey):
        plans: dict[int, Dig] = {}
        for world, laterals in worlds.items():
            joint = laterals.weights[:, None] * np.maximum(check.likelihood(laterals), 0.0)
            chances = joint.sum(axis=0)
            answer = int(generator.choice(chances.size, p=chances / chances.sum()))
            if answer not in plans:
                likelihood = check.likelihood(whole)[:, answer]
                plans[answer] = plan(after(survey, whole, likelihood))
            saved = costs[world] - plans[answer].costs(laterals, site)[0]
            if check.ends_search and answer == 0:
                saved = costs[world]
            given = joint[:, answer] / chances[answer]
            yield Row(check.kind, world, stated, float(given @ saved) - check.cost)


def report(
    count: int,
    first: int = 0,
    workers: int = 1,
    path: Path | None = None,
    work: Callable[[int], Trial | str] = run_house,
) -> list[str]:
    """Run houses and give the table."""
    done = run_kept(work, range(first, first + count), workers, path)
    trials = [trial for trial in done if isinstance(trial, Trial)]
    failed = Counter(trial for trial in done if isinstance(trial, str))
    head = (
        f"{count} invented houses, seeds {first} to {first + count - 1}, {len(trials)} worked out; "
        f"stopped: {dict(failed) or 'none'}"
    )
    return table(head, trials)


def table(head: str, trials: Sequence[Trial]) -> list[str]:
    """Lay the table out: means ± standard errors, in the currency of the sites."""
    stated = np.array([trial.stated for trial in trials])
    lines = [head, "", f"{'digging at once':24s} {'stated':>14s} {'realized':>14s} {'less':>14s}"]
    for world in WORLDS:
        costs = np.array([trial.costs[world] for trial in trials])
        lines.append(_line(world, stated, costs))
    scatter = float(np.sqrt(sum(trial.variance for trial in trials))) / len(trials)
    lines += [f"the mean of so many houses scatters by ± {scatter:.0f} if what is stated holds", ""]
    lines += _trench_lines(trials)
    for world in WORLDS if any(trial.rows for trial in trials) else ():
        kinds: defaultdict[str, list[Row]] = defaultdict(list)
        for trial in trials:
            mine = [row for row in trial.rows if row.world == world]
            for row in mine:
                kinds[row.kind].append(row)
            if mine:
                advised = max(mine, key=lambda row: row.stated)
                saved = advised if advised.stated > 0 else replace(advised, stated=0.0, saved=0.0)
                kinds["the check advised, if any"].append(saved)
        title = f"saved, {world}"
        lines += ["", f"{title:24s} {'stated':>14s} {'realized':>14s} {'less':>14s} {'sites':>6s}"]
        for kind, rows in sorted(kinds.items()):
            said = np.array([row.stated for row in rows])
            found = np.array([row.saved for row in rows])
            lines.append(f"{_line(kind, said, found)} {len(rows):6d}")
    return lines


def _trench_lines(trials: Sequence[Trial]) -> list[str]:
    """Hold in how many houses all pits are said to miss against in how many they do.

    P(so few), P(so many) by the exact law of a sum of unlike chances (Poisson binomial).
    """
    lines = [f"{'the drain leaves':24s} {'houses':>8s} {'trench stated':>16s} {'needed':>8s}"]
    for leaves in ("toward", "sideways", "away", "any way"):
        mine = [trial for trial in trials if leaves in (trial.leaves, "any way")]
        chances = np.array([trial.trench["as assumed"] for trial in mine])
        law = np.ones(1)
        for p in chances:
            law = np.convolve(law, [1.0 - p, p])
        needed = round(sum(trial.trench["independent"] for trial in mine))
        error = np.sqrt((chances * (1.0 - chances)).sum())
        lines.append(
            f"{leaves:24s} {len(mine):8d} {f'{chances.sum():.1f} ± {error:.1f}':>16s} {needed:8d}"
            f"   P(so few) {law[: needed + 1].sum():.2f}, P(so many) {law[needed:].sum():.2f}"
        )
    return lines


def _line(name: str, stated: Array, realized: Array) -> str:
    cells = (f"{_mean(values):>14s}" for values in (stated, realized, realized - stated))
    return f"{name:24s} " + " ".join(cells)


def _mean(values: Array) -> str:
    return f"{values.mean():.0f} ± {values.std(ddof=1) / np.sqrt(values.size):.0f}"


if __name__ == "__main__":
    arguments = [int(word) for word in sys.argv[1:4]] or [300]
    kept_in = Path(sys.argv[4]) if len(sys.argv) > 4 else None
    house_work = dig_house if sys.argv[5:] == ["dig"] else run_house
    settings = (arguments + [0, 1][len(arguments) - 1 :])[:3]
    sys.stdout.write(heading("seeds: one a house, from the second argument on"))
    sys.stdout.write("\n".join(report(*settings, kept_in, house_work)) + "\n")
