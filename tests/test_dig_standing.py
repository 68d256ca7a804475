"""A plan after a miss against going on with the plan before, walked route by route."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sitegis.dig import plan_dig
from sitegis.dig.cloud import gather_cloud, likely_part, searched_cloud, weighed_by_exposure
from sitegis.dig.pits import Field, lay_field
from sitegis.dig.standing import never_worse, still_standing, weigh_standing
from sitegis.finds.records import Missed
from sitegis.model.revisions import KeptPit, Revision
from sitegis.model.survey import Survey
from sitegis.pits.exposure import Candidate
from tests.dig_clouds import RULES, two_way_survey
from tests.invented import corner_site

MISS = Missed(
    "F1",
    "test-pit",
    6.6,
    1.2,
    0.02,
    "lot coordinates",
    "no",
    length_m=1.2,
    width_m=0.9,
    dug_to_m=2.5,
    at_pit="R1-P1",
)
FIRST = KeptPit("R1-P1", 6.6, 1.2, 0.0, 1.2, 0.9, 2.5, 0.5)


def survey_after(*kept: KeptPit) -> Survey:
    """Miss the pipe at the first pit of a kept plan."""
    last = Revision("R1", "", "", "proposed", (), 0.0, 0.0, 0.0, 0.0, "", None, (), (FIRST, *kept))
    site = corner_site()
    site = replace(site, evidence=(MISS,), revisions=(last,))
    survey = two_way_survey(0.7, 0.28, site=site)
    # a fifth of the routes cross the hole, which showed none of them
    lays = np.random.default_rng(7)
    sampled = tuple(
        replace(one, log_likelihoods={"F1": np.log(np.where(lays.random(n) < 0.2, 0.05, 1.0))})
        for one in survey.routes
        for n in (len(one.lengths_m),)
    )
    return replace(survey, sampled=sampled)


def field_of(survey: Survey) -> Field:
    """Lay the field as the plan does: what still shows, and no more than matters."""
    every = searched_cloud(survey, gather_cloud(survey))
    return lay_field(survey.site, RULES, weighed_by_exposure(likely_part(every)))


def walked(pits: tuple[Candidate, ...], field: Field, way_out: float) -> float:
    """Dig for every route in turn, with every number of pits before the way out; the cheapest."""
    cheapest = way_out
    for count in range(1, len(pits) + 1):
        total = 0.0
        for route, weight in enumerate(field.cloud.weights):
            for pit in pits[:count]:
                total += weight * pit.cost
                if pit.exposed[route]:
                    break
            else:
                total += weight * way_out
        # what has no route finds nothing in any pit
        left = 1.0 - field.cloud.weights.sum()
        cheapest = min(cheapest, total + left * (sum(p.cost for p in pits[:count]) + way_out))
    return cheapest


def thrown(generator: np.random.Generator) -> list[KeptPit]:
    """Throw three pits of any size before the house."""
    return [
        KeptPit(
            f"R1-P{i}",
            float(generator.uniform(4.0, 9.0)),
            float(generator.uniform(-8.0, 3.0)),
            float(generator.uniform(0.0, 3.0)),
            float(generator.uniform(0.6, 5.0)),
            0.9,
            2.0,
            0.1,
        )
        for i in range(2, 5)
    ]


def test_no_plan_costs_more_than_going_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two plans thrown anywhere the cheaper one is dug, by whatever the way out costs."""
    generator, taken = np.random.default_rng(5), []
    survey = survey_after(*thrown(generator))
    field = field_of(survey)
    for _ in range(12):
        kept, other = thrown(generator), weigh_standing(field, tuple(thrown(generator)))
        way_out = float(generator.uniform(500.0, 60_000.0))
        going_on = weigh_standing(field, tuple(kept))
        made = never_worse(field, other, tuple(kept), way_out, 0)
        prices = [walked(one, field, way_out) for one in (made, other, going_on)]
        assert prices[0] == pytest.approx(min(prices[1:]), abs=0.02)
        taken.append(prices[2] < prices[1])
    assert 0 < sum(taken) < 12
    # through the plan itself, where the new search finds nothing at all
    monkeypatch.setattr("sitegis.dig.plan.rank_pits", lambda *_: ())
    survey = survey_after(replace(FIRST, id="R1-P2", y_m=3.0, length_m=2.4))
    plan = plan_dig(survey).dig
    standing = weigh_standing(field, still_standing(survey.site))
    assert plan.expected_cost == pytest.approx(
        walked(standing, field, plan.expected_cost_straight), abs=0.02
    )
    assert plan.expected_cost < plan.expected_cost_straight


def test_a_pit_that_touches_the_hole_widens_it() -> None:
    """A quarter of the set-up, as for what is proposed anew; and so for one after another."""
    survey = survey_after(
        replace(FIRST, id="R1-P2", x_m=7.8),
        replace(FIRST, id="R1-P3", x_m=6.6, y_m=-3.0),
        replace(FIRST, id="R1-P4", x_m=7.8, y_m=-3.0),
    )
    field = field_of(survey)
    beside, apart, longer = weigh_standing(field, still_standing(survey.site))
    alone = weigh_standing(field, (replace(FIRST, x_m=7.8, y_m=-3.0),))[0]
    assert beside.extends == "F1"
    assert apart.parts() == (apart,)
    assert longer.parts() == (apart, longer)
    assert longer.cost == pytest.approx(alone.cost - 0.75 * survey.site.dig.setup)


def test_what_was_dug_or_is_known_does_not_stand() -> None:
    """By its id, by its place, and of the last answer that knew less; without one, nothing."""
    second = replace(FIRST, id="R1-P2", x_m=3.0)
    site = survey_after(second).site
    assert still_standing(site) == (second,)
    moved = replace(MISS, at_pit="", x_m=3.2)
    assert still_standing(replace(site, evidence=(moved,))) == (FIRST,)
    knew = replace(site.revisions[0], id="R2", findings=("F1",), pits=())
    assert still_standing(replace(site, revisions=(*site.revisions, knew))) == (second,)
    assert still_standing(replace(site, revisions=(knew,))) == ()
