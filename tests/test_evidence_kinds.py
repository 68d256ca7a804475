"""Every kind of evidence is whole: what it holds counts, and what it places is drawn and aimed at.

The parts of a kind are tried on routes of the invented corner lot. A field that may be changed
without anything else changing is one that somebody filled in for nothing.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Annotated, Any, Literal, cast

import numpy as np
import pytest

from sitegis import evidence
from sitegis.evidence import (
    KINDS,
    AtManhole,
    CountTie,
    EvidenceKind,
    FromArchive,
    OfPractice,
    RouteSet,
)
from sitegis.evidence.kind import (
    Default,
    OnRoute,
    as_it_is,
    near_route,
    nowhere,
    stray_place,
)
from sitegis.model.fields import Ask, Depth, Length, inputs_of
from sitegis.model.site import Evidence, Site
from sitegis.score.tables import is_tabled

from .invented import corner_site

EXAMPLES: dict[str, dict[str, Any]] = {
    "cable_to_main": {"footage_m": 27.0, "sd_m": 0.2},
    "outdoor_locate": {"x_m": 7.0, "y_m": 0.0, "depth_m": 2.0, "sd_m": 0.2, "footage_m": 17.6,
                       "point": "P"},
    "dye": {"manhole": "front-main-MH1", "seen": True, "waited_min": 3.0, "reliability": 0.8},
    "sound": {"manhole": "front-main-MH1", "heard": True, "reliability": 0.7},
    "tap_record": {"main": "front-main", "manhole": "front-main-MH0", "distance_m": 26.0,
                   "sd_m": 0.5, "reliability": 0.7},
    "permit_drawing": {"main": "front-main", "reliability": 0.7},
    "neighbors": {"main": "front-main", "draining": 3, "asked": 4},
    "era": {"year_built": 1924},
    "cleanout_outside": {"x_m": 7.0, "y_m": 3.0, "sd_m": 0.4, "reliability": 0.7},
    "surface_sign": {"x_m": 7.1, "y_m": -5.0, "radius_m": 0.5, "reliability": 0.7},
    "camera_note": {"footage_m": 15.0, "saw": "turn-left", "reliability": 0.7},
    "main_inspection": {"main": "front-main", "manhole": "front-main-MH0", "taps_m": (26.0,),
                        "complete": True, "sd_m": 0.4, "reliability": 0.7},
}  # fmt: skip
OTHER = {
    "manhole": "front-main-MH2",
    "main": "alley-main",
    "saw": "turn-right",
    "point": "Q",
    "year_built": 1990,
}


def changed(name: str, value: Any) -> Any:
    """Return another value for a field."""
    if name in OTHER:
        return OTHER[name]
    if isinstance(value, bool):
        return not value
    if isinstance(value, tuple):
        return (*value, 3.0)
    return value + 1 if isinstance(value, int) else value * 1.1 + 0.01


def routes(site: Site, main: int) -> RouteSet:
    """Return two routes: straight down x = 7, and one with a left bend."""
    straight = np.array([[7.0, 7.6], *[[7.0, -10.06]] * 4])
    bent = np.array([[7.0, 7.6], [7.0, 2.6], *[[19.66, -10.06]] * 3])
    vertices = np.stack([straight, bent])
    lengths = np.array([17.66, 5.0 + 12.66 * np.sqrt(2)])
    steps = np.hypot(*np.moveaxis(np.diff(vertices, axis=1), -1, 0))
    run = np.pad(np.cumsum(steps, axis=1), ((0, 0), (1, 0)))
    turns = np.array([[0.0, 0.0, 0.0], [np.pi / 4, 0.0, 0.0]])
    return RouteSet(
        site,
        site.mains[main],
        vertices,
        -0.8 - 0.02 * run,
        lengths,
        40.0 - vertices[:, -1, 0],
        turns,
        CountTie(10.0, 0.1),
    )


def effects(kind: EvidenceKind[Any], item: Any) -> Iterator[Any]:
    """Yield all that an item does, without what is said of it."""
    site = replace(corner_site(evidence=(item,)), year_built=None)
    if kind.on_route is not None:
        yield [np.round(kind.on_route.likelihood(item, routes(site, m)), 12) for m in (0, 2)]
        yield kind.on_route.unlisted(item, site)
    cause = kind.cause
    if isinstance(cause, OfPractice):
        yield [cause.likelihood(item, main, site) for main in site.mains]
        yield [cause.of_alternative(item, way, site) for way in ("direct", "side-yard")]
    elif isinstance(cause, FromArchive):
        yield [cause.if_wrong(item, main.id, site) for main in site.mains]
        yield item.reliability
        yield item.main
    elif isinstance(cause, AtManhole):
        yield cause.was_noticed(item), item.manhole
    yield None if kind.mark is None else kind.mark(item)
    yield [[(*aim.point, aim.sd_m) for aim in kind.aims(item, site, m)] for m in site.mains]


def faults_of(kind: EvidenceKind[Any], example: dict[str, Any]) -> list[str]:
    """List what a kind lacks."""
    item = kind.record(**example)
    site = corner_site(evidence=(item,))
    found = []
    if not kind.words:
        found.append("no words say what it is")
    names = [field.name for field in fields(cast("Any", kind.record)) if field.name != "kind"]
    found += [f"no example has {name}" for name in names if name not in example]
    before = repr(list(effects(kind, item)))
    for name in (name for name in names if name in example):
        other = replace(item, **{name: changed(name, example[name])})
        if repr(list(effects(kind, other))) == before:
            found.append(f"{name} changes nothing")
    if "x_m" in names:
        place = (item.x_m, item.y_m)
        mark = None if kind.mark is None else kind.mark(item)
        if mark is None or (mark.x_m, mark.y_m) != place:
            found.append("it has a place and is not drawn there")
        if not any(tuple(a.point) == place for a in kind.aims(item, site, site.mains[0])):
            found.append("it has a place and no route is aimed there")
    if {"distance_m", "taps_m"} & set(names) and not list(kind.aims(item, site, site.mains[0])):
        found.append("it has a place along a main and no route is aimed there")
    if not kind.assumption(item, site, "the alley").endswith("."):
        found.append("no sentence says what was assumed")
    asked = {
        key
        for key, annotation in inputs_of(kind.record).items()
        if any(isinstance(part, Ask) for part in getattr(annotation, "__metadata__", ()))
    }
    unasked = set(inputs_of(kind.record)) - asked - {"kind"}
    found += [f"{key} is not asked for" for key in sorted(unasked)]
    return found


@pytest.mark.parametrize("name", KINDS)
def test_a_kind_is_whole(name: str) -> None:
    """Every field counts; a place is drawn and aimed at; words, examples and hints are there."""
    assert faults_of(KINDS[name], EXAMPLES[name]) == []


def test_every_module_is_listed() -> None:
    """A kind that is written is a kind that is read."""
    modules = [m.name for m in pkgutil.iter_modules(evidence.__path__) if m.name != "kind"]
    kinds = [importlib.import_module(f"sitegis.evidence.{name}").KIND for name in modules]
    assert {kind.name for kind in kinds} == set(KINDS)
    assert modules == [kind.name for kind in kinds]


@dataclass(frozen=True, slots=True)
class Trial(Evidence):
    """A kind that is read and then ignored: its depth is never looked at, nothing is drawn."""

    x_m: Annotated[Length, Ask("20 ft")]
    y_m: Annotated[Length, Ask("10 ft")]
    depth_m: Annotated[Depth, Ask("70 in")]
    reliability: float = 0.8
    kind: Literal["trial"] = "trial"


def trial(**changes: Any) -> EvidenceKind[Any]:
    """Return the trial kind, some of its parts mended."""
    parts: dict[str, Any] = {
        "record": Trial, "label": "trial", "words": "a trial",
        "on_route": OnRoute(
            Default(0.8, 0.3, "a trial is right 4 times in 5"),
            lambda item, laid: near_route(laid, item, item.reliability, 0.3), stray_place,
        ),
        "cause": None, "check": as_it_is, "aims": nowhere, "mark": None, "assumed": None,
    }  # fmt: skip
    return EvidenceKind(**(parts | changes))


def test_a_kind_that_ignores_its_depth_and_draws_nothing_is_found_out() -> None:
    """The check above has teeth."""
    example = {"x_m": 7.1, "y_m": 7.9, "depth_m": 2.0, "reliability": 0.7}
    assert faults_of(trial(), example) == [
        "depth_m changes nothing",
        "it has a place and is not drawn there",
        "it has a place and no route is aimed there",
        "reliability is not asked for",
    ]
    assert "no words say what it is" in faults_of(trial(words=""), example)
    with pytest.raises(ValueError, match="no likelihood"):
        trial(on_route=None)
    with pytest.raises(TypeError, match="missing"):
        EvidenceKind(record=Trial, words="a trial")  # type: ignore[call-arg]


def test_only_kinds_with_a_cause_are_tabled() -> None:
    """An item is weighed once: on its route, or with those that share its cause."""
    for name, kind in KINDS.items():
        assert is_tabled(kind.record(**EXAMPLES[name])) == (kind.cause is not None)
