"""The best next check: gain, saving and outcomes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from scipy.stats import entropy

from sitegis.dig import plan_dig
from sitegis.dig.cloud import gather_cloud, likely_part, weighed_by_exposure
from sitegis.evidence import CleanoutOutside, Dye, Neighbors, Sound, TapRecord
from sitegis.exit import find_exit
from sitegis.line import fit_line
from sitegis.model.results import NextCheck
from sitegis.model.site import KeepOut
from sitegis.model.survey import Survey
from sitegis.pits.cost import dig_area
from sitegis.pits.exposure import Places, weigh_pits
from sitegis.place import place_points
from sitegis.read import read_site
from sitegis.routes import sample_routes
from sitegis.score import score_hypotheses
from sitegis.score.checks import Check, CheckContext, list_checks
from sitegis.score.next_check import (
    ask_checks,
    dig_cost_saved,
    prepare_checks,
    rank_checks,
    telling_checks,
)
from sitegis.score.particles import lot_crossings
from sitegis.score.pits import Pits, exposed_by, position_words
from sitegis.score.weighed_site import NONE_LEFT_OUT, weigh_site

from .hand_routes import ALLEY, FRONT, UNLISTED, hand_survey, straight_routes
from .invented import LOT_WIDTH_M, corner_site

FIXTURES = Path(__file__).parent.parent / "fixtures"


def scene_of(survey: Survey) -> CheckContext:
    scored = score_hypotheses(survey).scores.hypotheses
    case = weigh_site(survey.site, survey.routes, NONE_LEFT_OUT)
    return prepare_checks(survey, case, scored, survey.routes)


def find(survey: Survey, words: str) -> NextCheck:
    return next(c for c in score_hypotheses(survey).scores.next_checks if words in c.check)


def listed_checks(survey: Survey) -> list[Check]:
    return list(list_checks(scene_of(survey)))


def test_every_check_of_the_catalog_is_there() -> None:
    """Head, spot, dye and sound at each manhole, record, neighbors and test pit are ranked."""
    checks = score_hypotheses(hand_survey()).scores.next_checks
    names = " | ".join(check.check for check in checks)
    for words in (
        "Push the camera head",
        "the spot",
        "connection record",
        "two neighbors",
        "a test pit",
    ):
        assert words in names
    manholes = [m.id for main in corner_site().mains for m in main.manholes]
    for manhole in manholes:
        assert sum(f"manhole {manhole} " in check.check for check in checks) == 2


def test_ranked_by_saving() -> None:
    """The check that saves most comes first."""
    savings = [c.saving for c in score_hypotheses(hand_survey()).scores.next_checks]
    assert savings == sorted(savings, reverse=True)


def test_outcomes_are_probabilities() -> None:
    """Each check's outcomes sum to 1 for every route, and in the table."""
    survey = hand_survey(CleanoutOutside(6.8, 5.0))
    particles = scene_of(survey).particles
    for check in listed_checks(survey):
        table = check.likelihood(particles)
        assert table.sum(axis=1) == pytest.approx(1.0, abs=1e-9)
        assert table.min() >= 0.0
    for ranked in score_hypotheses(survey).scores.next_checks:
        assert sum(row[1] for row in ranked.outcome_table) == pytest.approx(1.0, abs=1e-12)


def test_gain_is_the_drop_of_entropy_between_hypotheses() -> None:
    """The gain of dye at the alley agrees with scipy's entropy before and after."""
    survey = hand_survey()
    context = scene_of(survey)
    check = next(c for c in list_checks(context) if "dye" in c.name and "alley-main-MH1" in c.name)
    joint = context.particles.by_hypothesis(
        context.particles.weights[:, None] * check.likelihood(context.particles)
    )
    outcome = joint.sum(axis=0)
    after = sum(p * entropy(joint[:, o] / p, base=2) for o, p in enumerate(outcome))
    before = entropy(joint.sum(axis=1), base=2)
    found = find(survey, "watch manhole alley-main-MH1")
    assert found.gain_bits == pytest.approx(before - after, abs=1e-12)
    assert found.gain_bits > 0.5


def test_the_telling_check_is_the_one_of_most_information_on_this_main_or_another() -> None:
    """Mutual information of "this main" and the outcome, by scipy's relative entropy."""
    survey = hand_survey()
    context = scene_of(survey)
    asked = ask_checks(context)
    told = telling_checks(context, asked)
    for main in survey.site.mains:
        mine = context.particles.on_main(main.id)
        gains = {}
        for check, joint in asked:
            table = np.array([joint[mine].sum(axis=0), joint[~mine].sum(axis=0)])
            apart = table.sum(axis=1)[:, None] * table.sum(axis=0) / table.sum()
            gains[check.name] = entropy(table.ravel(), apart.ravel(), base=2)
        most = max(gains.values())
        assert gains[told[main.id]] == pytest.approx(most, abs=2e-6) if mine.any() else most < 1e-6
    assert len(told) >= 2


def test_check_that_cannot_change_the_dig_is_worth_nothing() -> None:
    """One main, one narrow place: telling 'unlisted' apart gains bits, but saves no digging."""
    site = corner_site()
    front = straight_routes(replace(FRONT, prior=0.8), site, spread_m=0.05)
    unlisted = replace(straight_routes(UNLISTED, site), hypothesis=replace(UNLISTED, prior=0.2))
    survey = hand_survey(sampled=(front, unlisted))
    dye = find(survey, "watch manhole front-main-MH1")
    assert dye.gain_bits > 1e-4
    assert dye.saving == -dye.cost


def test_dye_between_two_equal_mains_saves_digging() -> None:
    """Where a gas line closes the wall, dye that tells two equal mains apart saves digging."""
    survey = hand_survey()
    gas = KeepOut("gas", "gas", np.array([[0.0, 6.0], [15.0, 6.0]]), 1.5, "")
    survey = replace(survey, site=replace(survey.site, keep_outs=(gas,)))
    dye = find(survey, "watch manhole alley-main-MH1")
    assert dye.saving > 0
    seen = next(row for row in dye.outcome_table if row[0] == "dye seen")
    assert "the alley by the left side yard" in seen[2]


def test_pit_at_the_wall_makes_checks_idle() -> None:
    """All ways share the exit: with open ground at the wall dye saves nothing of the dig."""
    dye = find(hand_survey(), "watch manhole alley-main-MH1")
    assert dye.gain_bits > 0.5
    assert dye.saving == -dye.cost


def test_test_pit_saves_just_its_own_cost() -> None:
    """The first pit of today's plan is the dig itself: as a check it neither gains nor loses."""
    pit = find(hand_survey(), "a test pit")
    assert pit.saving == pytest.approx(0.0, abs=1e-6)
    # found, nothing is left to search for; else the search goes on
    over = ["the search is over" in then for _, _, then in pit.outcome_table]
    assert over == [True, *[False] * (len(over) - 1)]
    assert len(over) > 1


def test_value_of_perfect_knowledge_by_hand() -> None:
    """Two pits, equal odds and costs: knowing which saves half a pit, exactly."""
    site = corner_site()
    front = straight_routes(replace(FRONT, prior=0.5), site)
    alley = straight_routes(replace(ALLEY, prior=0.5), site)
    context = scene_of(hand_survey(sampled=(front, alley)))
    mine = context.particles.on_main("front-main")
    pits = Pits((), np.eye(2, dtype=bool), mine.astype(np.intp), np.full(2, 800.0), 5e3)
    joint = context.particles.weights[:, None] * np.stack([mine, ~mine], axis=1)
    assert dig_cost_saved(joint, context.particles, pits) == pytest.approx(400.0, rel=1e-9)


def test_a_lucky_fit_to_few_particles_is_not_stated_in_full() -> None:
    """Answers that tell nothing save nothing, though for any few particles some pit looks better.

    Forty pits, each of which exposes a half of the particles at random, and an answer by the roll
    of a die for each particle: planned and priced on the same particles that saves a lot.
    """
    generator = np.random.default_rng(6)
    context = scene_of(hand_survey())
    count = context.particles.weights.size
    hits = generator.random((40, count)) < 0.5
    pits = Pits((), hits, np.arange(count), np.full(40, 800.0), 5e3)
    table = generator.integers(9, size=count)[:, None] == np.arange(9)
    joint = context.particles.weights[:, None] * table
    same = sum(
        float(column.sum())
        * (
            pits.cost_of(pits.plan(context.particles.weights).order, column / column.sum())
            - pits.plan(column / column.sum()).cost
        )
        for column in joint.T
    )
    assert same > 100.0
    assert dig_cost_saved(joint, context.particles, pits) < 0.6 * same


def test_checks_already_made_are_not_proposed() -> None:
    """Dye and sound at a manhole, a tap record and neighbors on file are not asked for again."""
    survey = hand_survey(
        Dye("alley-main-MH1", False, 30.0),
        Sound("front-main-MH0", False),
        TapRecord("front-main", "front-main-MH0", 26.0),
        Neighbors("alley-main", 1, 2),
    )
    names = " | ".join(c.check for c in score_hypotheses(survey).scores.next_checks)
    assert "watch manhole alley-main-MH1" not in names
    assert "listen at manhole front-main-MH0" not in names
    assert "tap record" not in names
    assert "neighbors" not in names
    assert "listen at manhole alley-main-MH1" in names


def test_known_cleanout_is_offered() -> None:
    """A cleanout in the yard can be opened, and finding the water there is likely on the line."""
    check = find(hand_survey(CleanoutOutside(6.9, 3.0)), "Open the cleanout")
    table = {row[0]: row[1] for row in check.outcome_table}
    assert table["the water runs through it"] > 0.3


def test_a_crew_twice_as_noisy_finds_the_head_as_one_that_says_so() -> None:
    """Learned noise of twice the stated blurs push and spot as twice the stated noise would."""
    plain = hand_survey()
    placed = place_points(plain).placement
    learned = replace(plain, placed=replace(placed, locator_square=4.0))
    noise = plain.site.noise
    said = replace(
        noise,
        horizontal_floor_m=2 * noise.horizontal_floor_m,
        horizontal_share=2 * noise.horizontal_share,
        session_horizontal_m=2 * noise.session_horizontal_m,
    )
    stated = replace(plain, site=replace(plain.site, noise=said))
    particles = scene_of(plain).particles
    tables = [
        [c.likelihood(particles) for c in listed_checks(s) if c.kind in ("push-on", "spot")]
        for s in (learned, stated, plain)
    ]
    for one, other, unlike in zip(*tables, strict=True):
        assert one == pytest.approx(other, abs=1e-12)
        assert np.abs(one - unlike).max() > 1e-6


def test_no_route_still_gives_checks() -> None:
    """Where nothing listed fits, what needs no route remains, and what the first straights show."""
    empty = straight_routes(FRONT, corner_site(), count=0, drawn=512)
    sampled = (empty, straight_routes(UNLISTED, corner_site()))
    survey = hand_survey(sampled=sampled)
    checks = score_hypotheses(survey).scores.next_checks
    assert any("Push" in check.check for check in checks)
    assert any("sewer card" in check.check for check in checks)
    assert not any("spot" in check.check for check in checks)
    case = weigh_site(survey.site, survey.routes, NONE_LEFT_OUT)
    scored = score_hypotheses(survey).scores.hypotheses
    again = prepare_checks(survey, case, scored, survey.routes)
    assert rank_checks(again, ask_checks(again)) == checks


def test_leaving_the_lot_by_hand() -> None:
    """A route that bends leaves where it crosses the lot line, with its invert there."""
    lot = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 20.0], [0.0, 20.0]])
    vertices = np.array(
        [[[5.0, 5.0], [5.0, 2.0], [8.0, -4.0]], [[5.0, 5.0], [5.0, 6.0], [5.0, 7.0]]]
    )
    inverts = np.array([[-1.0, -1.3, -1.9], [-1.0, -1.0, -1.0]])
    found = lot_crossings(vertices, inverts, lot)
    assert found.places[0] == pytest.approx([6.0, 0.0])
    assert found.along_m[0] == pytest.approx(6.0)
    assert found.inverts_m[0] == pytest.approx(-1.5)
    assert found.run_m[0] == pytest.approx(3.0 + np.hypot(1.0, 2.0))
    assert np.isnan(found.along_m[1])
    # it turns off just before the front line and leaves on the right
    turning = np.array([[[2.0, 3.0], [8.0, 3.0], [8.0, 1.0], [14.0, 1.0]]])
    (place,) = lot_crossings(turning, np.zeros((1, 4)), lot).places
    assert place == pytest.approx([10.0, 1.0])


@pytest.mark.parametrize(
    ("point", "words"),
    [
        ((3.048, 0.0), "at the front lot line, 10' 0\" from its left end"),
        ((LOT_WIDTH_M, 6.096), "at the right lot line, 20' 0\" from its front end"),
        ((6.096, 38.1), "at the rear lot line, 20' 0\" from its left end"),
        ((5.4864, 6.7056), "3' 0\" outside the front wall, 10' 0\" from its left end"),
        ((6.096, 27.432), "20' 0\" from the left lot line and 90' 0\" from the front lot line"),
    ],
)
def test_places_in_words(point: tuple[float, float], words: str) -> None:
    """A place is said by wall or lot line and a tape from its end, in the site's units."""
    assert position_words(np.array(point), corner_site()) == words


@pytest.mark.parametrize(
    "name", ["corner-lot-alley", "metric-rear-main", "side-yard-run", "tape-only"]
)
def test_the_checks_pit_is_the_plans_pit(name: str) -> None:
    """Cost, depth and chance of the pit to check with are those that stage ``dig`` finds there.

    The two count the same posterior by different routes, 192 a way against 1500 in all, so that
    the chances may differ by three standard errors of p (1 − p) Σ w² of both. Their searches
    cost about the same (on the side yard, of four seeds by three sizes of the pilot, 1.06 to 1.26
    times after set-ups), and what follows should all pits miss is one trench.
    """
    survey = read_site(FIXTURES / name)
    for stage in (place_points, fit_line, find_exit, sample_routes, score_hypotheses, plan_dig):
        survey = stage(survey)
    context = scene_of(survey)
    found = context.pits.plan(context.particles.weights)
    pit = context.pits.laid[found.order[0]]
    probability = context.particles.weights[exposed_by(pit, context.particles, survey.site)].sum()
    cloud = likely_part(weighed_by_exposure(gather_cloud(survey)))
    there = Places(pit.center[None], np.array([pit.angle_rad]), np.array([pit.size_m]))
    # the pit may stand right at the footing's 45° line, where a centimeter of depth decides
    anyhow = replace(survey.site, dig=replace(survey.site.dig, building_setback_m=9.0))
    (planned,) = weigh_pits(
        anyhow, survey.rules, dig_area(survey.site), cloud.straights, cloud.weights, there
    )
    assert pit.cost == pytest.approx(planned.cost, rel=0.01)
    assert pit.depth_m == pytest.approx(planned.depth_m, abs=0.05)
    share = float(cloud.weights[planned.exposed].sum())
    drawn = (context.particles.weights**2).sum() + (cloud.weights**2).sum()
    assert probability == pytest.approx(share, abs=3.0 * np.sqrt(share * (1.0 - share) * drawn))
    # a pit that only lengthens an earlier one saves most of a set-up, which checks do not count
    missed = [1.0, *(1.0 - one.p_hit_so_far for one in survey.dig.pits)]
    setups = sum(
        before * survey.site.dig.setup
        for before, one in zip(missed, survey.dig.pits, strict=False)
        if one.whole is not None
    )
    dig = survey.dig.expected_cost
    assert 0.85 * dig <= found.cost <= 1.3 * dig + setups
    assert context.pits.way_out == survey.dig.expected_cost_straight


def test_pits_keep_away_from_house_and_keep_outs() -> None:
    """No proposed pit comes nearer to the house or a gas line than the dig settings allow."""
    survey = hand_survey()
    gas = KeepOut("gas", "gas", np.array([[0.0, 3.0], [15.0, 3.0]]), 0.5, "")
    survey = replace(survey, site=replace(survey.site, keep_outs=(gas,)))
    centers = np.array([pit.center for pit in scene_of(survey).pits.laid])
    settings = survey.site.dig
    half = 0.5 * settings.pit_width_m
    house = shapely.Polygon(survey.site.building.vertices)
    to_house = shapely.distance(house, shapely.points(centers))
    to_gas = shapely.distance(shapely.LineString(gas.points), shapely.points(centers))
    assert len(centers) > 3
    assert to_house.min() >= settings.building_setback_m + half - 1e-9
    assert to_gas.min() >= 0.5 + settings.tolerance_m + half - 1e-9


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("ends", [True, False], ids=["pit", "other"])
def test_what_a_check_saves_is_paid_pipe_by_pipe(seed: int, *, ends: bool) -> None:
    """Each pipe's own cost of a plan: pits in their order until one hits it, else the way out.

    A pit that hits saves all of today's plan. Any other answer lets the best plan be dug: planned
    and paid on the same pipes, and on either half paid on the other, the mean of both.
    """
    generator = np.random.default_rng(seed)
    p, b = 14, 5
    hits, costs, way_out = generator.random((b, p)) < 0.4, generator.uniform(300, 900, b), 4000.0
    listed = np.arange(p) != 13
    hits[:, ~listed] = False
    pits = Pits((), hits, np.arange(p), costs, way_out)
    weights = generator.dirichlet(np.ones(p))
    particles = SimpleNamespace(weights=weights, listed=listed)
    yes = np.where(listed, generator.choice([0.05, 0.9], p), 0.0 if ends else 0.4)
    joint = weights[:, None] * np.stack([yes, 1.0 - yes], axis=1)

    def paid(order: tuple[int, ...], pipe: int) -> float:
        total = 0.0
        for pit in order:
            total += costs[pit]
            if hits[pit, pipe]:
                return total
        return total + way_out

    today = pits.plan(weights).order

    def saved(seen: np.ndarray, priced: np.ndarray) -> float:
        total = 0.0
        for known, column in zip(seen.T, priced.T, strict=True):
            best = pits.plan(known / known.sum()).order
            total += sum(w * (paid(today, i) - paid(best, i)) for i, w in enumerate(column))
        return total

    if ends:
        expected = sum(w * paid(today, i) for i, w in enumerate(joint[:, 0]))
        expected += saved(joint[:, 1:], joint[:, 1:])
    else:
        odd = np.where(listed, np.arange(p) % 2, 0.5)[:, None]
        halves = joint * odd, joint * (1.0 - odd)
        apart = saved(*halves) + saved(*halves[::-1])
        expected = max(0.5 * (saved(joint, joint) + apart), 0.0)
    got = dig_cost_saved(joint, particles, pits, ends_search=ends)  # type: ignore[arg-type]
    assert got == pytest.approx(expected, abs=1e-6)
