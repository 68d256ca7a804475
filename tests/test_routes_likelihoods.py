"""Likelihoods of route-dependent evidence, against scipy's densities and plain reasoning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from sitegis.evidence import (
    KINDS,
    CableToMain,
    CameraNote,
    CleanoutOutside,
    CountTie,
    Dye,
    Era,
    Evidence,
    MainInspection,
    OutdoorLocate,
    RouteSet,
    Sound,
    SurfaceSign,
    TapRecord,
)
from sitegis.geometry.frames import Array
from sitegis.model.results import Drain, PlacedPoint, Placement
from sitegis.model.survey import Survey
from sitegis.routes.likelihoods import (
    aims_for,
    count_tie,
    item_names,
    log_likelihoods,
    unlisted_log_likelihood,
)
from sitegis.rules.rule_set import load_rules

from .invented import corner_site, front_exit

TIE = CountTie(10.0, 0.1)
EVERY_KIND: tuple[Evidence, ...] = (
    CableToMain(27.0),
    OutdoorLocate(7.0, 0.0, 2.0),
    Dye("front-main-MH1", True, 20.0),
    Sound("front-main-MH1", True),
    TapRecord("front-main", "front-main-MH0", 26.0),
    CleanoutOutside(7.0, 3.0),
    SurfaceSign(7.0, -5.0, 0.5),
    CameraNote(15.0, "turn-left"),
    MainInspection("front-main", "front-main-MH0", (26.0,)),
)


def laid(*evidence: Evidence, tie: CountTie | None = TIE, main: int = 0) -> RouteSet:
    """Return two routes: straight down x = 7 to the main at y = −10.06; one with a left bend."""
    site = corner_site(evidence=evidence)
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
        tie,
    )


def likelihood(item: Evidence, *, tie: CountTie | None = TIE, main: int = 0) -> Array:
    return np.exp(log_likelihoods(laid(item, tie=tie, main=main))[item.kind])


def test_names_count_items_of_a_kind() -> None:
    """Items are addressed by kind, then kind-2, in the order of the site."""
    items = (Sound("A", True), Era(1920), Sound("B", True), Sound("C", False))
    assert item_names(items) == ("sound", "era", "sound-2", "sound-3")


def test_only_route_dependent_items_are_weighed_here() -> None:
    """An item that speaks for a main as a whole gets no values here."""
    assert KINDS["era"].on_route is None
    assert log_likelihoods(laid(Era(1920), EVERY_KIND[0])).keys() == {"cable_to_main"}
    assert unlisted_log_likelihood(Era(1920), corner_site()) == 0.0


@pytest.mark.parametrize("item", EVERY_KIND, ids=lambda item: item.kind)
def test_every_kind_has_finite_values_and_a_default_in_words(item: Evidence) -> None:
    """Every kind has a likelihood, one for `unlisted`, and a stated default."""
    assert np.isfinite(np.log(likelihood(item))).all()
    assert np.isfinite(unlisted_log_likelihood(item, corner_site()))
    on_route = KINDS[item.kind].on_route
    assert on_route is not None
    assert on_route.default.words


@pytest.mark.parametrize(
    "item", [e for e in EVERY_KIND if hasattr(e, "reliability")], ids=lambda item: item.kind
)
def test_a_certain_report_rules_nothing_out(item: Evidence) -> None:
    """Even with reliability 1 no way gets probability 0."""
    sure = replace(item, reliability=1.0)  # type: ignore[call-arg]
    assert (likelihood(sure) > 0).all()
    assert np.isfinite(unlisted_log_likelihood(sure, corner_site()))


def test_outdoor_locate_is_student_in_place_and_depth() -> None:
    """Place and depth follow scipy's Student t; 5 % are strays over 20 m × 2 m."""
    item = OutdoorLocate(7.3, 0.0, 2.9, 0.2)
    got = likelihood(item)[0]
    site = corner_site()
    invert = -0.8 - 0.02 * 7.6
    ground = float(site.ground.elevation_m(np.array([7.3, 0.0])))
    expected_depth = ground - (invert + site.head_above_invert_m)
    sd = np.sqrt((0.05 * 2.9) ** 2 + (0.05 * 2.9) ** 2 + 0.15**2)
    right = stats.t.pdf(0.3, 4, scale=0.2) * stats.t.pdf(2.9 - expected_depth, 4, scale=sd)
    assert got == pytest.approx(0.95 * right + 0.05 / 20 / 2)


def test_footage_of_an_outdoor_locate_counts_along_the_route() -> None:
    """Count at the exit plus the length to the point, by scipy's normal law; 1 in 10 noted wrong.

    Where no drain point has a count it says nothing.
    """
    item = OutdoorLocate(7.3, 0.0, None, 0.2, footage_m=17.9)
    sd = np.sqrt(0.1**2 + 0.1**2 + 0.2**2 + (0.02 * 17.6) ** 2)
    right = 0.9 * stats.norm.pdf(0.3, scale=sd) + 0.1 / 30
    across = stats.t.pdf(0.3, 4, scale=0.2)
    assert likelihood(item)[0] == pytest.approx(0.95 * across * right + 0.05 / 20 / 30)
    untied = likelihood(replace(item, footage_m=None), tie=None) / 30
    assert likelihood(item, tie=None) == pytest.approx(untied)
    detour = replace(item, footage_m=23.0)
    assert likelihood(detour)[0] < 0.1 * likelihood(item)[0]


def test_cleanout_and_surface_sign_are_gaussian_in_the_distance() -> None:
    """Distance from the route by scipy's normal law; the rest is flat over 20 m."""
    got = likelihood(CleanoutOutside(7.2, 3.0, 0.3, 0.7))[0]
    assert got == pytest.approx(0.7 * stats.norm.pdf(0.2, scale=0.3) + 0.3 / 20)
    got = likelihood(SurfaceSign(7.4, -5.0, 0.8, 0.5))[0]
    assert got == pytest.approx(0.5 * stats.norm.pdf(0.4, scale=0.8) + 0.5 / 20)


def test_cable_count_prefers_the_route_of_that_length() -> None:
    """Count at the exit plus length against the count at the main, by scipy's normal law."""
    got = likelihood(CableToMain(27.66, 0.3))
    sd = np.sqrt(0.1**2 + 0.3**2 + (0.02 * 27.66) ** 2)
    assert got[0] == pytest.approx(0.9 * stats.norm.pdf(0, scale=sd) + 0.1 / 30)
    assert got[0] > 10 * got[1]


def test_counts_say_nothing_without_a_tie() -> None:
    """Where no drain point has a count, counts weigh all ways alike, `unlisted` too."""
    for item in (CableToMain(27.66), CameraNote(15.0, "turn-left")):
        got = np.log(likelihood(item, tie=None))
        assert got == pytest.approx(unlisted_log_likelihood(item, corner_site()))


def test_a_turn_prefers_the_route_with_that_turn_there() -> None:
    """A left turn 5 m past the exit suits the bent route only; a right turn suits neither."""
    left = likelihood(CameraNote(15.0, "turn-left"))
    right = likelihood(CameraNote(15.0, "turn-right"))
    assert left[1] > 10 * left[0]
    assert right[0] == pytest.approx(right[1])


def test_a_flowing_pipe_prefers_the_route_that_ends_there() -> None:
    """Arrival in a flowing pipe tells the length."""
    got = likelihood(CameraNote(10.0 + 17.66, "flowing-pipe"))
    assert got[0] > 10 * got[1]


def test_a_tap_record_points_at_its_station_on_its_main() -> None:
    """Station by scipy's normal law; on another main the record must be wrong."""
    item = TapRecord("front-main", "front-main-MH0", 26.5, 0.5, 0.8)
    got = likelihood(item)
    stray = 0.2 / 3 / 70.0
    sd = np.hypot(0.5, 0.2)
    assert got[0] == pytest.approx(0.8 * stats.norm.pdf(33.0 - 33.5, scale=sd) + stray)
    assert likelihood(item, main=2) == pytest.approx(stray)
    assert np.exp(unlisted_log_likelihood(item, corner_site())) == pytest.approx(stray)


def test_an_inspection_without_a_tap_speaks_against_its_main() -> None:
    """A complete inspection with no tap near leaves 1 − reliability; other mains are untouched."""
    none = MainInspection("front-main", "front-main-MH0", (), reliability=0.9)
    assert likelihood(none) == pytest.approx(0.1)
    assert likelihood(none, main=2) == pytest.approx(1.0)
    assert likelihood(replace(none, complete=False)) == pytest.approx(0.55)


def test_an_inspection_with_a_tap_there_speaks_for_its_main() -> None:
    """A tap where the route joins counts by the block over the taps found."""
    got = likelihood(MainInspection("front-main", "front-main-MH0", (26.0, 53.0), True, 0.5, 0.9))
    density = stats.norm.pdf(0, scale=np.hypot(0.5, 0.2)) / 2
    assert got[0] == pytest.approx(0.9 * 70.0 * density + 0.1)
    assert got[1] < 1.0


def test_dye_tells_whether_the_flow_passes_the_manhole() -> None:
    """Seen downstream speaks for the main, upstream or on another main hardly."""
    down = likelihood(Dye("front-main-MH1", True, 30.0))[0]
    up = likelihood(Dye("front-main-MH0", True, 30.0))[0]
    other = likelihood(Dye("front-main-MH1", True, 30.0), main=2)[0]
    assert down > 20 * up
    assert up == other == pytest.approx(0.02)
    assert down + likelihood(Dye("front-main-MH1", False, 30.0))[0] == pytest.approx(1.0)


@pytest.mark.parametrize("times", [1.0, 2.0])
def test_dye_arrives_by_a_logistic_of_the_wait(times: float) -> None:
    """At n times the travel time the logistic's share is 1 / (1 + exp(−3 (n − 1))): ½ and 95 %.

    17.66 m of lateral and 30 m of main at 18 m/min; 0.9 seen, fading with exp(−30 m / 300 m).
    """
    item = Dye("front-main-MH1", True, times * (17.66 + 30.0) / 18.0)
    expected = 0.9 * np.exp(-0.1) / (1.0 + np.exp(-3.0 * (times - 1.0)))
    assert likelihood(item)[0] == pytest.approx(expected)


def test_dye_not_seen_after_a_short_wait_says_little() -> None:
    """The longer the wait, the more an unseen dye speaks against the main."""
    short, long = (likelihood(Dye("front-main-MH1", False, t))[0] for t in (0.5, 60.0))
    assert short > 0.8
    assert long < 0.3


def test_sound_fades_with_the_distance() -> None:
    """A manhole nearer downstream hears more."""
    near = likelihood(Sound("front-main-MH1", True))
    assert near[0] > near[1] * 0.1
    assert near[0] == pytest.approx(0.8 * np.exp(-(63.0 - 33.0) / 80.0))


def test_an_unknown_manhole_is_passed_by_nothing() -> None:
    """A manhole that is on no main gives the false rate."""
    assert likelihood(Dye("nowhere", True, 30.0)) == pytest.approx(0.02)


def test_aims_are_only_for_the_items_own_main() -> None:
    """Taps are aimed at on their main; points outdoors on every main."""
    site = corner_site(evidence=EVERY_KIND)
    assert len(aims_for(site, site.mains[0])) == 5
    assert len(aims_for(site, site.mains[2])) == 3
    tap = aims_for(site, site.mains[0])[1]
    assert tap.point == pytest.approx([7.0, -10.06])


def test_the_count_is_tied_to_the_exit() -> None:
    """Counts less stations, plus drain and unseen length, give the count at the exit."""
    points = tuple(
        PlacedPoint(f"P{i}", "locate", "R1", 7.0, 17.0 - s, 0.1, 0.1, 0.0, 0.0, 0.5, 0.05,
                    s + 1.5 if i else None, "slab", i)
        for i, s in enumerate((0.0, 3.0, 6.0))
    )  # fmt: skip
    zeros = np.zeros((6, 6))
    placed = Placement(points, zeros, zeros, None, {})  # type: ignore[arg-type]
    drain = Drain(
        np.array([[7.0, 17.0], [7.0, 9.0]]), ("P0", "P1", "P2"), np.array([0.0, 3.0, 6.0]),
        np.zeros(3), (), -np.pi / 2, np.zeros((3, 3)), (), 0.02, 0.01, 1.0, {},
    )  # fmt: skip
    site = corner_site()
    survey = Survey(site, load_rules("us-ipc"), placed, drain, front_exit())
    tie = count_tie(survey)
    assert tie is not None
    assert tie.exit_count_m == pytest.approx(1.5 + 8.0 + 0.7)
    assert count_tie(replace(survey, fitted=None)) is None
