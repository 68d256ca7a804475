"""The catalog of checks that could be made next, each with its cost and its outcomes.

Costs and reliabilities are judgment, without a source; costs are in the currency of the site's
dig settings, for a crew that is already there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Literal

import numpy as np
import shapely
from scipy.special import ndtr

from ..evidence import (
    CleanoutOutside,
    Dye,
    Neighbors,
    RouteSet,
    Sound,
    TapRecord,
    neighbors,
    tap_record,
)
from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.results import Hypothesis
from ..model.site import Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, in_steps
from ..pits.exposure import Flags
from ..routes.likelihoods import log_likelihoods, unlisted_log_likelihood
from ..units import LengthUnit, is_imperial
from .particles import Particles
from .pits import Pits, exposed_by, position_words
from .tables import prior_given
from .weighed_site import WeighedSite
from .words import name_main, outdoor_words

# all judgment, no source: costs in the site's currency, then what a search or an opened cleanout
# shows and how often it misleads, then the bins in which an answer is told
PUSH_COST, SEARCH_COST, CLEANOUT_COST = 120.0, 150.0, 150.0
DYE_COST, LISTEN_COST, RECORD_COST, NEIGHBORS_COST = 90.0, 45.0, 25.0, 30.0
DYE_WAIT_MIN = 30.0
COVER = "the sewer's owner opens the cover, after a gas test; nobody enters"
PUSH_M = 3.0
PUSH_IMPERIAL_M = 3.048  # 10 ft
SWEEP_M = 1.0
FOUND_RELIABILITY, FOUND_FALSE_ALARM = 0.90, 0.02
CLEANOUT_RELIABILITY, CLEANOUT_FALSE_ALARM, CLEANOUT_BLUR_M = 0.90, 0.05, 0.3
RECORD_EXISTS = 0.60
STATION_BIN_M = 1.5
OFFSET_BIN_M = 0.5
MOST_OFFSET_BINS = 12
SEARCH_DISTANCES_M = (3.0, 6.0, 9.0, 14.0)


CheckKind = Literal[
    "push-on", "spot", "cleanout", "pit", "dye", "sound", "connection-record", "neighbors"
]
Likelihood = Callable[[Particles], Array]


@dataclass(frozen=True, slots=True)
class Check:
    """A check: outcomes in words, and the function that gives P(outcome | particle), (p, o).

    Rows sum to 1, whichever particles are asked about. Outcomes with the same words are shown as
    one. After the first outcome of a ``pit`` nothing is left to dig.
    """

    kind: CheckKind
    name: str
    cost: float
    outcomes: tuple[str, ...]
    likelihood: Likelihood

    @property
    def ends_search(self) -> bool:
        """Whether the first outcome leaves nothing to dig."""
        return self.kind == "pit"


@dataclass(frozen=True, slots=True)
class CheckContext:
    """What the checks look at."""

    survey: Survey
    weighed: WeighedSite
    particles: Particles
    pits: Pits


def list_checks(context: CheckContext) -> Iterator[Check]:
    """List every check that could be made at this site and has not been made yet."""
    if context.particles.placed.any():
        yield _push_on(context)
        yield from _yard_places(context)
        yield from _cleanouts(context)
        yield from _test_pit(context)
    yield from _manholes(context)
    if context.survey.site.mains:
        yield from _record(context)
        yield from _neighbors(context)


def _two_outcomes(
    kind: CheckKind, name: str, cost: float, words: tuple[str, str], probability: Likelihood
) -> Check:
    """Make a check with a yes, of a probability (p,), and a no."""

    def likelihood(particles: Particles) -> Array:
        yes = probability(particles)
        return np.stack([yes, 1.0 - yes], axis=1)

    return Check(kind, name, cost, words, likelihood)


def _passes(place: Array, reach_sd_m: float, right: float, wrong: float) -> Likelihood:
    """Return P(yes) about a place: ``right`` if the pipe passes within a sweep of it.

    ``reach_sd_m`` blurs the edge of the sweep; ``wrong`` is the probability of a false yes.
    """

    def probability(particles: Particles) -> Array:
        yes = np.full(particles.placed.size, wrong)
        gap, _, _ = polyline.line_locate_point(particles.vertices[particles.placed], place)
        yes[particles.placed] += (right - wrong) * ndtr((SWEEP_M - gap) / reach_sd_m)
        return yes

    return probability


# --------------------------------------------------------------------------------- the head


def _push_on(context: CheckContext) -> Check:
    """Push the head on and find it: how far off the drain's straight line it turns up.

    The locator's noise, as learned on the site, spreads each route over the outcomes.
    """
    survey = context.survey
    site, penetration = survey.site, survey.exit
    push = PUSH_IMPERIAL_M if is_imperial(site.units) else PUSH_M
    # the push begins at the last mark: the unseen stretch indoors is spent first
    distance = max(push - penetration.unseen_m, 1.0)
    across = np.array([-np.sin(penetration.angle_rad), np.cos(penetration.angle_rad)])

    def offsets(particles: Particles) -> tuple[Flags, Array]:
        # past the end of its first straight nobody knows where an unlisted lateral runs
        ends = polyline.length(np.nan_to_num(particles.vertices)) >= distance
        known = particles.listed | (particles.placed & ends)
        reached = polyline.line_interpolate_point(particles.vertices[known], distance)
        return known, (reached - np.array([penetration.x_m, penetration.y_m])) @ across

    # at no less than half a meter, where the locator's stated noise is least
    sd = site.noise.located_sd_m(max(penetration.depth_m, 0.5)) * _crew_scale(survey)
    most = np.max(np.abs(offsets(context.particles)[1]), initial=0.0)
    # so many bins to either side that the widest route has one, within a bound
    half = min(np.ceil(most / OFFSET_BIN_M - MATTERS_P), MOST_OFFSET_BINS // 2)
    middle = np.arange(-half, half + 1) * OFFSET_BIN_M

    def likelihood(particles: Particles) -> Array:
        known, off = offsets(particles)
        # Φ at the edges between bins, padded by 0 and 1: the outer bins are open
        below = ndtr((middle[1:] - 0.5 * OFFSET_BIN_M - off[:, None]) / sd)
        below = np.pad(below, ((0, 0), (1, 1)), constant_values=((0, 0), (0, 1)))
        return _with_unknown(np.diff(below, axis=1), particles, known)

    words = tuple(_offset_words(float(value), site.units) for value in middle)
    name = (
        f"Push the camera head {outdoor_words(push, site.units)} on and locate it, "
        f"{outdoor_words(distance, site.units)} outside the wall"
    )
    return Check("push-on", name, PUSH_COST, words, likelihood)


def _crew_scale(survey: Survey) -> float:
    """Return how much noisier than stated this crew's locator reads, as learned on the site."""
    return 1.0 if survey.placed is None else float(np.sqrt(survey.placed.locator_square))


def _offset_words(offset_m: float, units: LengthUnit) -> str:
    """Say an offset seen downstream."""
    if abs(offset_m) < OFFSET_BIN_M / 2:
        return "straight on"
    return (
        f"about {outdoor_words(abs(offset_m), units)} to the {'left' if offset_m > 0 else 'right'}"
    )


def _with_unknown(likelihood: Array, particles: Particles, known: Flags) -> Array:
    """Add what no route is known of by the average of the others: the check says nothing of it."""
    full = np.full((known.size, likelihood.shape[1]), 1.0 / likelihood.shape[1])
    weights = particles.weights[known]
    if weights.any():
        # an average over the known routes leaves all their odds against it as they were
        full[~known] = weights @ likelihood / weights.sum()
    full[known] = likelihood
    return full


def _yard_places(context: CheckContext) -> Iterator[Check]:
    """Search with the locator about a spot in the yard, the head pushed on to it."""
    site = context.survey.site
    for spot in _candidate_places(context):
        x, y = outdoor_words(float(spot[0]), site.units), outdoor_words(float(spot[1]), site.units)
        yield _two_outcomes(
            "spot",
            f"Push on and search with the locator within {outdoor_words(SWEEP_M, site.units)} "
            f"of the spot {x} from the left lot line and {y} from the front lot line",
            SEARCH_COST,
            ("found there", "not there"),
            _passes(
                spot,
                max(site.noise.horizontal_floor_m, 0.05) * _crew_scale(context.survey),
                FOUND_RELIABILITY,
                FOUND_FALSE_ALARM,
            ),
        )


def _candidate_places(context: CheckContext) -> Array:
    """Return places on the leading routes at set distances from the wall, in the yard only."""
    particles, site = context.particles, context.survey.site
    spots: list[Array] = []
    for i, scored in enumerate(particles.scored):
        mine = np.flatnonzero((particles.hypothesis == i) & particles.listed)
        if mine.size == 0 or scored.probability < 0.02:
            continue
        # middle of the way's particles, which are in the order of their taps
        typical = particles.vertices[mine[mine.size // 2]]
        spots.extend(polyline.line_interpolate_point(typical, np.array(SEARCH_DISTANCES_M)))
    if not spots:
        return np.zeros((0, 2))
    # to half a meter: one search serves the neighbors of a spot
    rounded = np.unique(in_steps(spots, 0.5) * 0.5, axis=0)
    yard = shapely.difference(
        shapely.Polygon(site.lot.vertices), shapely.Polygon(site.building.vertices)
    )
    return np.asarray(rounded[shapely.contains_xy(yard, rounded)])


def _cleanouts(context: CheckContext) -> Iterator[Check]:
    """Open a cleanout in the yard: water poured indoors runs through it, or it does not."""
    survey = context.survey
    known = [
        np.array([item.x_m, item.y_m])
        for _, item in context.weighed.items
        if isinstance(item, CleanoutOutside)
    ]
    if survey.placed is not None:
        known.extend(
            np.array([point.x_m, point.y_m])
            for point in survey.placed.points
            if point.kind == "cleanout" and not point.indoors
        )
    for place in known:
        yield _two_outcomes(
            "cleanout",
            "Open the cleanout in the yard and run water indoors",
            CLEANOUT_COST,
            ("the water runs through it", "no water there"),
            _passes(place, CLEANOUT_BLUR_M, CLEANOUT_RELIABILITY, CLEANOUT_FALSE_ALARM),
        )


def _test_pit(context: CheckContext) -> Iterator[Check]:
    """Dig the first pit of the plan."""
    plan = context.pits.plan(context.particles.weights)
    if not plan.order:
        return
    site, first = context.survey.site, context.pits.laid[plan.order[0]]
    yield _two_outcomes(
        "pit",
        f"Dig a test pit {position_words(first.center, site)}",
        first.cost,
        ("the pipe is there", "no pipe there"),
        lambda particles: exposed_by(first, particles, site).astype(float),
    )


# ------------------------------------------------------------------------------ the manholes


def _manholes(context: CheckContext) -> Iterator[Check]:
    """Put in dye, or listen, at each manhole where that has not been done."""
    done = {
        (item.kind, item.manhole)
        for _, item in context.weighed.items
        if isinstance(item, Dye | Sound)
    }
    for main in context.survey.site.mains:
        for manhole in main.manholes:
            where = f"manhole {manhole.id} ({name_main(main.id, context.survey.site)})"
            if ("dye", manhole.id) not in done:
                yield _two_outcomes(
                    "dye",
                    f"Dye test: pour dye indoors, watch {where} for {DYE_WAIT_MIN:g} "
                    f"minutes: {COVER}",
                    DYE_COST,
                    ("dye seen", "no dye"),
                    _noticed(context.survey.site, Dye(manhole.id, True, DYE_WAIT_MIN)),
                )
            if ("sound", manhole.id) not in done:
                yield _two_outcomes(
                    "sound",
                    f"Acoustic (knock) test: knock on the stack, listen at {where}: {COVER}",
                    LISTEN_COST,
                    ("heard", "not heard"),
                    _noticed(context.survey.site, Sound(manhole.id, True)),
                )


def _noticed(any_site: Site, item: Dye | Sound) -> Likelihood:
    """Return P(noticed | particle) from stage ``routes``'s likelihood of a noticed item."""
    site = replace(any_site, evidence=(item,))

    def probability(particles: Particles) -> Array:
        # where no route is known, as likely as anywhere
        noticed = np.full(particles.listed.size, np.exp(unlisted_log_likelihood(item, site)))
        for main in site.mains:
            mine = particles.on_main(main.id)
            if mine.any():
                vertices = particles.vertices[mine]
                laid = RouteSet(
                    site=site,
                    main=main,
                    vertices=vertices,
                    # dye and sound look at the tap and the length alone
                    inverts_m=np.zeros(vertices.shape[:2]),
                    lengths_m=polyline.length(vertices),
                    stations_m=particles.stations_m[mine],
                    turns_rad=np.zeros((len(vertices), 1)),
                    tie=None,
                )
                noticed[mine] = np.exp(log_likelihoods(laid)[item.kind])
        return noticed

    return probability


# ------------------------------------------------------------------------------- the records


def _record(context: CheckContext) -> Iterator[Check]:
    """Ask the city for the connection record: none, or a main and a place along it."""
    if any(isinstance(item, TapRecord) for _, item in context.weighed.items):
        return
    mains, standard = context.survey.site.mains, tap_record.DEFAULT
    # P(a record, but of another lot) shared evenly over the mains
    anywhere = RECORD_EXISTS * (1.0 - standard.reliability) / len(mains)
    right, words = RECORD_EXISTS * standard.reliability, ["no record"]
    edges = {}
    for main in mains:
        stations = context.particles.stations_m[context.particles.on_main(main.id)]
        edges[main.id] = _station_edges(stations)
        name = name_main(main.id, context.survey.site)
        words += [f"a record in {name}"] * (edges[main.id].size - 1)

    def likelihood(particles: Particles) -> Array:
        columns = [np.zeros((particles.listed.size, 1))]
        for main in mains:
            mine, cuts = particles.on_main(main.id), edges[main.id]
            there = np.full((particles.listed.size, cuts.size - 1), anywhere / (cuts.size - 1))
            below = ndtr((cuts - particles.stations_m[mine, None]) / standard.sd_m)
            # the outer bins are open: every tap falls in one
            below[:, [0, -1]] = [0.0, 1.0]
            there[mine] += right * np.diff(below, axis=1)
            columns.append(there)
        table = np.concatenate(columns, axis=1)
        # what is left is that no record exists
        table[:, 0] = 1.0 - table.sum(axis=1)
        return table

    yield Check(
        "connection-record",
        "Ask the city for the connection record (sewer card)",
        RECORD_COST,
        tuple(words),
        likelihood,
    )


def _station_edges(stations_m: Array) -> Array:
    """Cut the stretch of main where taps may be into bins, the outer ones open."""
    if stations_m.size == 0:
        return np.array([0.0, 1.0])
    low, high = float(stations_m.min()), float(stations_m.max())
    count = int(np.clip(np.ceil((high - low) / STATION_BIN_M - MATTERS_P), 1, 16))
    return np.linspace(low, high, count + 1)


def _neighbors(context: CheckContext) -> Iterator[Check]:
    """Ask two neighbors where they drain, about the leading main."""
    if any(isinstance(item, Neighbors) for _, item in context.weighed.items):
        return
    scored = context.particles.scored
    leader = next((s.hypothesis.main for s in scored if s.hypothesis.main is not None), None)
    if leader is None:
        return
    by_count = np.array(
        [
            [neighbors.likelihood(k, 2, follows=follows) for k in range(3)]
            for follows in (False, True)
        ]
    )
    rows = np.array([_share(s.hypothesis, leader, context.weighed) for s in scored])
    # the leading main is the block's practice, or is not
    table = (1.0 - rows)[:, None] * by_count[0] + rows[:, None] * by_count[1]
    name = name_main(leader, context.survey.site)
    yield Check(
        "neighbors",
        f"Ask two neighbors whether they drain to {name}",
        NEIGHBORS_COST,
        ("neither does", "one of the two does", "both do"),
        lambda particles: table[particles.hypothesis],
    )


def _share(hypothesis: Hypothesis, leader: str, weighed: WeighedSite) -> float:
    """Return P(the leading main is the practice | hypothesis)."""
    return prior_given(hypothesis, weighed.practice).get(leader, 0.0)
