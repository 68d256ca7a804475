"""Front against rear: probabilities, lengths, depths and the pit that tells."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from sitegis.dig import plan_dig
from sitegis.dig.cloud import RouteCloud, gather_cloud, searched_cloud
from sitegis.dig.compare import _depth_at_lot_line, _telling_pit, undecided_direction
from sitegis.dig.hits import accumulate
from sitegis.dig.pits import lay_field
from sitegis.model.results import Routes
from sitegis.model.site import DigSettings, KeepOut
from sitegis.model.survey import Survey
from tests.dig_clouds import RULES, alley_routes, front_routes, survey_of, two_way_survey
from tests.invented import corner_site


def planned() -> Survey:
    """Front 0.7, alley 0.28."""
    return plan_dig(two_way_survey(0.7, 0.28))


def test_directions_stand_in_order_with_their_probabilities() -> None:
    """Front first with 0.70, rear with 0.28; no side main has routes."""
    ways = planned().dig.ways

    assert [way.toward for way in ways] == ["front", "rear"]
    assert [way.probability for way in ways] == pytest.approx([0.7, 0.28])


def test_lengths_are_the_routes_mean_lengths() -> None:
    """Weighted mean of shapely's own lengths."""
    survey = planned()
    cloud = gather_cloud(survey)
    front = cloud.owner == 0
    lengths = shapely.length(shapely.linestrings(cloud.vertices[front]))

    assert survey.dig.ways[0].length_m == pytest.approx(
        np.average(lengths, weights=cloud.weights[front])
    )


def test_the_telling_pit_says_yes_to_one_way_and_no_to_the_other() -> None:
    """The ring's share of each way's routes, by shapely, is what the record says."""
    survey = planned()
    cloud = searched_cloud(survey, gather_cloud(survey))
    lines = shapely.linestrings(cloud.vertices)

    for index, way in enumerate(survey.dig.ways):
        assert way.ring is not None
        hit = shapely.intersects(shapely.Polygon(way.ring), lines)
        mine = cloud.owner == index
        yes = cloud.weights[hit & mine].sum() / cloud.weights[mine].sum()
        no = cloud.weights[hit & ~mine].sum() / cloud.weights[~mine].sum()
        assert (way.p_if_so, way.p_otherwise) == pytest.approx((yes, no), abs=1e-6)
        assert yes - no > 0.5


def test_a_telling_pit_is_not_where_both_ways_begin() -> None:
    """Two fans that overlap: all is exposed at the apex, but only a pit further out tells.

    What it shows of the other way is counted by shapely.
    """
    generator = np.random.default_rng(2)

    def fan(routes: Routes, low: float, high: float) -> Routes:
        vertices = np.empty((len(routes.vertices), 2, 2))
        vertices[:, 0] = 7.0, 7.6
        vertices[:, 1, 0] = generator.uniform(low, high, len(vertices))
        vertices[:, 1, 1] = -10.0
        return replace(routes, vertices=vertices, inverts_m=routes.inverts_m[:, :2])

    survey = survey_of((fan(front_routes(), 4, 10), 0.6), (fan(alley_routes(), 6, 12), 0.4))

    cloud = gather_cloud(survey)
    lines = shapely.linestrings(cloud.vertices)
    for index, way in enumerate(plan_dig(survey).dig.ways):
        others = cloud.owner != index
        hit = shapely.intersects(shapely.Polygon(way.ring), lines)
        share = cloud.weights[hit & others].sum() / cloud.weights[others].sum()
        assert way.p_otherwise == pytest.approx(share, abs=1e-6)
        assert way.p_if_so - way.p_otherwise > 0.3
        assert way.y_m < 5.0


def test_a_pit_on_the_lot_is_preferred_to_one_in_the_street() -> None:
    """Routes that start spread and meet at the tap are told on the lot, though less surely."""
    routes = front_routes()
    vertices = routes.vertices.copy()
    vertices[:, 0, 0] += np.random.default_rng(5).normal(0, 1.5, len(vertices))
    vertices[:, 1, 0] = 6.6
    survey = survey_of((replace(routes, vertices=vertices), 0.6), (alley_routes(), 0.4))

    front = next(way for way in plan_dig(survey).dig.ways if way.toward == "front")

    assert front.y_m > 0
    assert front.p_if_so < 0.99


def test_depth_at_the_lot_line_is_that_of_level_routes() -> None:
    """Routes level at −0.7 m leave the lot 2.7 m below ground of 2.0 m."""
    routes = front_routes(500)
    site = corner_site()
    flat = replace(site.ground, elevations_m=np.full(3, 2.0), sds_m=np.full(3, 0.0))
    level = replace(routes, inverts_m=np.full_like(routes.inverts_m, -0.7))

    ways = plan_dig(survey_of((level, 1.0), site=replace(site, ground=flat))).dig.ways

    assert ways[0].depth_m == pytest.approx(2.7)
    assert ways[0].p_otherwise == 0.0


def test_a_pit_at_the_wall_is_said_not_to_tell() -> None:
    """Pit 1 stands where both ways begin: a notice says so."""
    plan = planned().dig

    assert len(plan.pits[0].hypotheses) == 2
    notice = next(one for one in plan.notices if one.code == "pit-does-not-tell-the-way")
    assert "front or rear" in notice.message
    assert not notice.needs_person


@pytest.mark.parametrize(
    ("first", "last", "p_rear", "told"),
    [("ab", "a", 0.051, True), ("a", "ab", 0.28, False), ("ab", "ab", 0.049, False)],
)
def test_the_first_pit_alone_is_said_not_to_tell(
    first: str, last: str, p_rear: float, told: bool
) -> None:
    """What a later pit meets, and a way under one in twenty, is no matter of the first."""
    survey = two_way_survey(0.7, p_rear)
    ids = {"a": "front-main:direct", "b": "alley-main:side-yard-left"}
    pits = tuple(SimpleNamespace(hypotheses=tuple(map(ids.get, met))) for met in (first, last))
    ways = tuple(
        SimpleNamespace(toward=toward, probability=p)
        for toward, p in (("front", 0.7), ("rear", p_rear))
    )
    notices = undecided_direction(survey, pits, ways)  # type: ignore[arg-type]  # as much as asked
    assert [one.code for one in notices] == ["pit-does-not-tell-the-way"] * told
    assert undecided_direction(survey, (), ways) == ()  # type: ignore[arg-type]


def test_one_way_alone_needs_no_telling() -> None:
    """With one direction the notice does not come."""
    plan = plan_dig(survey_of((front_routes(), 1.0))).dig

    assert "pit-does-not-tell-the-way" not in {one.code for one in plan.notices}


def test_where_no_pit_may_be_dug_none_tells() -> None:
    """A keep-out over the lot leaves the ring empty."""
    all_over = KeepOut(
        "x", "other", np.array([[-90.0, -90], [90, -90], [90, 90], [-90, 90]]), 0.0, "", True
    )
    site = replace(corner_site(), keep_outs=(all_over,), dig=DigSettings())

    ways = plan_dig(two_way_survey(site=site)).dig.ways

    assert all(way.ring is None for way in ways)


def test_a_route_that_never_leaves_the_lot_is_as_deep_as_at_its_main() -> None:
    """Ground 2 m above the slab, as it is taped; inverts at the bends are not the main's."""
    survey = two_way_survey()
    vertices = np.array([[[7.0, 20.0], [8.0, 22.0], [9.0, 25.0]]])
    inverts = np.array([[-0.5, -0.7, -1.4]])
    cloud = RouteCloud(vertices, inverts, np.ones(1), np.zeros(1, np.int64), ("only",))
    ground = float(survey.site.ground.elevation_m(vertices[0, -1]))
    assert _depth_at_lot_line(survey, cloud, np.ones(1)) == pytest.approx(ground + 1.4)


@pytest.mark.parametrize("seed", range(3))
def test_the_telling_pit_is_the_one_of_all_cells_that_shapely_has_part_the_ways(seed: int) -> None:
    """P(met | this way) − P(met | another), half as much off the lot: every open cell and size."""
    generator = np.random.default_rng(seed)
    whole = gather_cloud(two_way_survey())
    chosen = generator.choice(whole.weights.size, 50, replace=False)
    cloud = replace(
        whole,
        vertices=whole.vertices[chosen] + generator.normal(0.0, 0.5, (50, 1, 2)),
        inverts_m=whole.inverts_m[chosen],
        weights=generator.dirichlet(np.ones(50)),
        owner=whole.owner[chosen],
    )
    site = replace(corner_site(), dig=replace(corner_site().dig, cell_m=0.8))
    field = lay_field(site, RULES, cloud)
    mine = generator.random(50) < (0.3, 0.7, 0.5)[seed]
    every = [accumulate(kind.spans, cloud.weights) for kind in field.kinds]
    x, y, ring, yes, no = _telling_pit(field, mine, every)
    lines, lot = shapely.linestrings(cloud.vertices), shapely.Polygon(site.lot.vertices)
    centers = field.grid.centers().reshape(-1, 2)
    best, found = 0.0, None
    for kind in field.kinds:
        half = 0.5 * np.array(kind.size_m)
        boxes = shapely.box(*(centers - half).T, *(centers + half).T)
        met = shapely.intersects(boxes[:, None], lines[None])
        one = met[:, mine] @ cloud.weights[mine] / cloud.weights[mine].sum()
        other = met[:, ~mine] @ cloud.weights[~mine] / cloud.weights[~mine].sum()
        on_lot = shapely.intersects_xy(lot.buffer(1e-6), *centers.T)
        tells = np.where(kind.open_cells.ravel(), (one - other) * np.where(on_lot, 1.0, 0.5), 0.0)
        at = int(np.flatnonzero(tells >= tells.max() - 1e-7)[0])
        if tells[at] > best + 1e-6:
            best, found = float(tells[at]), (*centers[at], one[at], other[at], kind.size_m)
    assert found is not None
    assert (x, y, yes, no) == pytest.approx(found[:4], abs=1e-6)
    assert shapely.Polygon(ring).bounds == pytest.approx(
        (
            *(np.array(found[:2]) - 0.5 * np.array(found[4])),
            *(np.array(found[:2]) + 0.5 * np.array(found[4])),
        )
    )
