"""Names on the record's drawings: where they stand."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.write.fonts import register_fonts
from sitegis.write.record.names import Name, place_names

FRAME = (0.0, 0.0, 400.0, 400.0)


def _boxes(names: list[Name], **options: object) -> list[shapely.Polygon]:
    register_fonts()
    found = place_names(names, FRAME, **options)  # type: ignore[arg-type]
    return [shapely.box(*box) for box in found]


def test_marks_six_inches_apart_keep_their_names_apart() -> None:
    """At 1 in = 10 ft, 6 in are 3.6 points: both names are readable."""
    names = [Name(np.array([200.0, 200.0]), "CO1"), Name(np.array([200.0, 203.6]), "ST1")]
    first, second = _boxes(names)
    assert first.disjoint(second)


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.floats(60, 340), st.floats(60, 340)), min_size=2, max_size=5))
def test_a_few_names_never_cover_each_other(points: list[tuple[float, float]]) -> None:
    """Up to five names find free places wherever their points are, and stay in the frame."""
    names = [Name(np.array(point), f'P{i} 22 1/2"') for i, point in enumerate(points)]
    boxes = _boxes(names)
    assert all(a.intersection(b).area < 1e-6 for a, b in combinations(boxes, 2))
    assert all(shapely.box(*FRAME).covers(box) for box in boxes)


def test_a_name_leaves_what_is_taken_and_what_is_drawn() -> None:
    """With the right side taken and a line on the left, the name goes above or below."""
    at = np.array([200.0, 200.0])
    taken = [(203.0, 150.0, 400.0, 250.0)]
    line = [np.array([(190.0, 100.0), (190.0, 300.0)])]
    (box,) = _boxes([Name(at, "exit (inferred)")], taken=taken, lines=line)
    assert not box.intersects(shapely.box(*taken[0]))


def test_a_street_name_stands_upright_over_its_street() -> None:
    """An upright name is taller than wide and centered on its point where nothing is in the way."""
    (box,) = _boxes([Name(np.array([200.0, 200.0]), "Side Street", over=True, upright=True)])
    left, bottom, right, top = box.bounds
    assert top - bottom > right - left
    assert ((left + right) / 2, (bottom + top) / 2) == (200.0, 200.0)


def test_a_name_stands_nearest_to_its_own_point() -> None:
    """Five marks in a row, closer than their names are long: none is read for its neighbor."""
    points = [np.array([150.0 + 14.0 * i, 200.0 - 2.0 * (i % 2)]) for i in range(5)]
    boxes = _boxes([Name(at, f'L{i} 19 1/2"') for i, at in enumerate(points)])
    for i, box in enumerate(boxes):
        assert int(np.argmin([box.distance(shapely.Point(at)) for at in points])) == i
