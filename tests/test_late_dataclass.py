"""Records whose methods are written late, against what ``dataclasses`` makes of the same class."""

from __future__ import annotations

import copy
import dataclasses
import inspect
import pickle
from collections.abc import Callable
from typing import Any

import pytest

from sitegis.late_dataclass import dataclass as late


@late(frozen=True, slots=True)
class Point:
    """A place."""

    x_m: float
    names: list[str] = dataclasses.field(default_factory=list, compare=False)


@late(frozen=True, slots=True)
class Deep(Point):
    """A place with a depth."""

    depth_m: float = 1.0


def of_the_library() -> type:
    """Make both classes anew by ``dataclasses`` alone; give the second."""

    @dataclasses.dataclass(frozen=True, slots=True)
    class Point:
        """A place."""

        x_m: float
        names: list[str] = dataclasses.field(default_factory=list, compare=False)

    @dataclasses.dataclass(frozen=True, slots=True)
    class Deep(Point):
        """A place with a depth."""

        depth_m: float = 1.0

    return Deep


def told(cls: Any, spoil: Callable[[Any], object]) -> list[str]:
    """Say what a class and its records do, in words without the place of the class."""
    one = cls(2.0, ["a"])
    try:
        spoil(one)
        raised = "nothing"
    except (AttributeError, TypeError) as error:
        raised = f"{type(error).__name__}: {error}"
    return [
        repr(one).split(".")[-1],
        f"{one == cls(2.0, [])} {one == cls(3.0)} {one == 2.0} {hash(one) == hash(cls(2.0))}",
        str(inspect.signature(cls)),
        f"{cls.__match_args__} {cls.__slots__} {cls.__doc__} {cls.__dataclass_params__}",
        repr(dataclasses.asdict(dataclasses.replace(one, depth_m=5.0))),
        repr(dataclasses.asdict(copy.deepcopy(one))),
        raised.split(".")[-1],
    ]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda one: setattr(one, "x_m", 1.0),
        lambda one: setattr(one, "depth_m", 1.0),
        lambda one: delattr(one, "x_m"),
        lambda one: type(one)(),
        lambda one: type(one)(1.0, breadth_m=2.0),
        lambda one: type(one)(1.0, x_m=2.0),
        lambda one: type(one)(1.0, [], 2.0, 3.0),
    ],
)
def test_is_what_the_library_makes(spoil: Callable[[Any], object]) -> None:
    want, have = told(of_the_library(), spoil), told(Deep, spoil)
    for row in (want, have):  # what the library itself compiled stands in its parameters
        row[3] = row[3].split("_DataclassParams")[0]
    assert have == want


def test_one_with_a_field_that_is_not_given_is_what_the_library_makes() -> None:
    @late(frozen=True, slots=True)
    class Marked:
        """A record with a field that is not given, and one given by name."""

        number: int = dataclasses.field(kw_only=True)
        mark: str = dataclasses.field(default="x", init=False)

    assert str(inspect.signature(Marked)) == "(*, number: 'int') -> None"
    assert repr(Marked(number=1)).endswith("Marked(number=1, mark='x')")


def test_looks_at_itself_once_it_is_made() -> None:
    @late(frozen=True, slots=True)
    class Even:
        """A record that refuses odd numbers."""

        number: int

        def __post_init__(self) -> None:
            if self.number % 2:
                raise ValueError("odd")

    assert Even(2).number == 2
    with pytest.raises(ValueError, match="odd"):
        Even(3)


def test_goes_through_a_pickle() -> None:
    one = Deep(2.0, ["a"], 3.0)
    assert dataclasses.asdict(pickle.loads(pickle.dumps(one))) == dataclasses.asdict(one)


def test_a_method_waits_until_it_is_asked_for() -> None:
    @late(frozen=True, slots=True)
    class Alone:
        """A record that nobody has made yet."""

        number: int

    assert not inspect.isfunction(vars(Alone)["__init__"])
    assert Alone(1).number == 1
    assert inspect.isfunction(vars(Alone)["__init__"])
    assert not inspect.isfunction(vars(Alone)["__repr__"])
