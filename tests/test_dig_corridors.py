"""Corridors: nested, holding their share, and as wide as the normal distribution says."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from sitegis._dig_plan import Corridor
from sitegis.dig.cloud import RouteCloud, gather_cloud
from sitegis.dig.corridors import cells_to_shape, densest_cells, draw_corridors
from sitegis.dig.hits import Grid
from tests.dig_clouds import survey_of, two_way_survey, unlisted


def shape_of(corridor: Corridor) -> shapely.MultiPolygon:
    """Join a corridor's rings and holes to one shape."""
    return shapely.MultiPolygon(
        [
            shapely.Polygon(ring, holes)
            for ring, holes in zip(corridor.rings, corridor.holes, strict=True)
        ]
    )


def parallel_cloud(sd_m: float) -> RouteCloud:
    """Routes along y, 30 m long, offsets N(0, sd) at their exact quantiles."""
    offsets = norm.ppf((np.arange(4000) + 0.5) / 4000) * sd_m
    vertices = np.zeros((4000, 2, 2))
    vertices[..., 0] = offsets[:, None]
    vertices[:, 1, 1] = 30.0
    owner = np.zeros(4000, dtype=np.int64)
    return RouteCloud(vertices, np.zeros((4000, 2)), np.full(4000, 1 / 4000), owner, ("one",))


@pytest.mark.parametrize(("level", "z"), [(0.5, 0.6745), (0.8, 1.2816), (0.95, 1.9600)])
def test_corridor_of_parallel_routes_is_as_wide_as_the_normal_interval(
    level: float, z: float
) -> None:
    """Offsets N(0, 2 m): the corridor is 2 z σ wide (z from any normal table)."""
    corridors = {c.level: c for c in draw_corridors(parallel_cloud(2.0)) if c.hypothesis == "one"}

    middle = shapely.LineString([[-30.0, 15.0], [30.0, 15.0]])

    width = shape_of(corridors[level]).intersection(middle).length
    assert width == pytest.approx(2 * z * 2.0, abs=0.8)


def test_corridors_hold_their_share_of_the_routes_length() -> None:
    """At least about the level of each hypothesis's route length lies inside its corridor."""
    cloud = gather_cloud(two_way_survey())

    for corridor in draw_corridors(cloud):
        if corridor.hypothesis == "all":
            chosen = np.ones(cloud.owner.size, bool)
        else:
            chosen = cloud.owner == cloud.hypotheses.index(corridor.hypothesis)
        lines = shapely.linestrings(cloud.vertices[chosen])
        inside = shapely.length(shapely.intersection(lines, shape_of(corridor)))
        weights = cloud.weights[chosen]
        share = weights @ inside / (weights @ shapely.length(lines))
        assert corridor.level - 0.04 < share < corridor.level + 0.25


def test_corridors_nest() -> None:
    """The 50 % corridor lies within the 80 %, and that within the 95 %, but for smoothing."""
    cloud = gather_cloud(two_way_survey())
    shapes = [shape_of(c) for c in draw_corridors(cloud) if c.hypothesis == "all"]

    assert shapes[0].difference(shapes[1].buffer(0.4)).area == 0
    assert shapes[1].difference(shapes[2].buffer(0.4)).area == 0


def test_corridors_are_valid_polygons() -> None:
    """Every corridor is a valid shape with some area."""
    for corridor in draw_corridors(gather_cloud(two_way_survey())):
        assert shapely.is_valid(shape_of(corridor))
        assert shape_of(corridor).area > 1.0


def test_no_routes_no_corridors() -> None:
    """An empty cloud has no corridors."""
    assert draw_corridors(gather_cloud(survey_of((unlisted(), 1.0)))) == ()


def test_densest_cells_are_the_fewest_that_hold_the_share() -> None:
    """Of 4, 3, 2, 1: 70 % is held by the first two, 71 % needs three."""
    density = np.array([[1.0, 4.0], [3.0, 2.0]])

    assert densest_cells(density, 0.7).tolist() == [[False, True], [True, False]]
    assert densest_cells(density, 0.71).sum() == 3


def test_a_hole_in_the_cells_is_a_hole_in_the_shape() -> None:
    """A ring of cells keeps its hole; the area is that of the cells."""
    cells = np.ones((7, 7), bool)
    cells[2:5, 2:5] = False

    shape = cells_to_shape(cells, Grid((0.0, 0.0), 0.5, 7, 7))

    assert shape.area == pytest.approx(40 * 0.25)
    assert len(shape.interiors) == 1
