"""Reading the head: against an independent library's field, and the noise rules."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import magpylib
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from uncertainties import ufloat

from sitegis.evidence.kind import RouteSet
from sitegis.evidence.outdoor_locate import OutdoorLocate
from sitegis.evidence.outdoor_locate import likelihood as outdoor_likelihood
from sitegis.finds.kinds import measured_invert_m
from sitegis.finds.records import Found
from sitegis.model.site import Noise
from sitegis.numerics.poles import (
    ANTENNAS_M,
    IRON_POLES_M,
    depth_of_nulls_m,
    depth_of_poles_m,
    reading_of_poles_m,
    share_of_doubt,
)
from sitegis.place.head import read_head
from sitegis.read.site_folder import read_site

from .invented import corner_site
from .read_folder import SITE, write_folder

NOISE = Noise()


def read_between_antennas(source: object, depth_m: float, antennas_m: float) -> float:
    """Return what two antennas above a source read if it is a point: B falls off as 1/d³."""
    near, far = (
        abs(float(np.asarray(source.getB((0.0, 0.0, height)))[0]))  # type: ignore[attr-defined]
        for height in (0.0, antennas_m)
    )
    return antennas_m / (float(np.cbrt(near / far)) - 1.0)


@pytest.mark.parametrize("depth", [0.35, 0.5, 0.8, 2.0])
@pytest.mark.parametrize("poles", [0.05, 0.1, 0.3])
def test_two_poles_read_as_a_thin_magnet_does(depth: float, poles: float) -> None:
    """magpylib's lengthwise magnet is two poles its length apart; its depth comes back from it."""
    magnet = magpylib.magnet.Cylinder(
        polarization=(0, 0, 1.0), dimension=(0.001, poles), position=(0, 0, -depth)
    ).rotate_from_angax(90, "y")
    read = read_between_antennas(magnet, depth, ANTENNAS_M)
    assert reading_of_poles_m(depth, poles) == pytest.approx(read, rel=1e-4)
    assert depth_of_poles_m(read, poles) == pytest.approx(depth, rel=1e-4)
    head = read_head(read, NOISE, poles_m=poles)
    assert head is not None
    assert head.depth_m == pytest.approx(depth, rel=1e-4)


@pytest.mark.parametrize("reading", [0.6, 1.2])
def test_what_is_not_known_of_the_poles_is_carried_to_the_depth(reading: float) -> None:
    """Propagation of error: sd(depth) = sd ∂r/∂poles / ∂r/∂depth of the reading r above."""
    poles, sd, step = 0.3, 0.005, 1e-5
    depth = optimize.brentq(lambda d: reading_of_poles_m(d, poles) - reading, 0.1, 2.0)
    by_poles = reading_of_poles_m(depth, poles + step) - reading_of_poles_m(depth, poles - step)
    by_depth = reading_of_poles_m(depth + step, poles) - reading_of_poles_m(depth - step, poles)
    expected = sd * by_poles / by_depth / reading
    assert share_of_doubt(reading, poles, sd) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("depth", [0.35, 0.5, 0.8, 2.0])
@pytest.mark.parametrize("poles", [0.05, 0.1, 0.3])
def test_nulls_of_two_poles_are_those_of_a_thin_magnet(depth: float, poles: float) -> None:
    """Where magpylib's lengthwise magnet has no field along its axis, found by bisection."""
    magnet = magpylib.magnet.Cylinder(
        polarization=(0, 0, 1.0), dimension=(0.001, poles), position=(0, 0, -depth)
    ).rotate_from_angax(90, "y")

    def along(x: float) -> float:
        return float(1e9 * magnet.getB((x, 0.0, 0.0))[0])

    null = optimize.brentq(along, 0.3 * depth, 2.0 * depth + poles, xtol=1e-9)
    assert depth_of_nulls_m(2.0 * null, poles) == pytest.approx(depth, rel=1e-4)
    head = read_head(None, NOISE, null_spacing_m=2.0 * null, poles_m=poles)
    assert head is not None
    assert head.depth_m == pytest.approx(depth, rel=1e-4)


@pytest.mark.parametrize(
    ("material", "under_slab_m", "poles"),
    [("", 0.3, 0.3), ("cast iron", 0.0, 0.3), ("vitrified clay", 0.3, None), ("", 0.0, None)],
)
def test_a_find_by_locate_outdoors_is_read_as_in_its_pipe(
    material: str, under_slab_m: float, poles: float | None
) -> None:
    """In iron the depth of magpylib's magnet comes back from its reading, in clay the reading."""
    depth = 1.2
    reading = depth
    if poles is not None:
        magnet = magpylib.magnet.Cylinder(
            polarization=(0, 0, 1.0), dimension=(0.001, poles), position=(0, 0, -depth)
        ).rotate_from_angax(90, "y")
        reading = read_between_antennas(magnet, depth, ANTENNAS_M)
        assert reading > depth + 0.005
    site = replace(corner_site(), poles_m=under_slab_m)
    find = Found(
        "F1",
        "locate",
        6.0,
        2.0,
        0.1,
        "lot coordinates",
        "yes",
        depth_to_invert_m=reading,
        material=material,
    )
    measured = measured_invert_m(find, site)
    assert measured is not None
    ground = float(site.ground.elevation_m(np.array([6.0, 2.0])))
    assert ground - measured[0] == pytest.approx(depth, rel=1e-4)
    dug = measured_invert_m(replace(find, work="test-pit"), site)
    assert dug is not None
    assert ground - dug[0] == pytest.approx(reading)


def test_a_locate_outdoors_in_iron_fits_the_route_at_its_true_depth() -> None:
    """A reading above two poles is as likely as the true depth above none."""
    site, depth = corner_site(), 0.9
    ground = float(site.ground.elevation_m(np.array([6.6, 2.0])))
    inverts = ground - depth - site.head_above_invert_m + np.linspace(-0.3, 0.3, 9)
    vertices = np.tile(np.array([[6.6, 7.6], [6.6, -10.0]]), (9, 1, 1))
    laid = RouteSet(
        site,
        site.mains[0],
        vertices,
        np.repeat(inverts[:, None], 2, axis=1),
        np.full(9, 17.6),
        np.zeros(9),
        np.zeros((9, 3)),
        None,
    )
    plain = outdoor_likelihood(OutdoorLocate(x_m=6.6, y_m=2.0, depth_m=depth), laid)
    iron = replace(laid, site=replace(site, poles_m=0.3))
    reading = reading_of_poles_m(depth, 0.3)
    assert outdoor_likelihood(
        OutdoorLocate(x_m=6.6, y_m=2.0, depth_m=reading), iron
    ) == pytest.approx(plain)


def test_a_point_reads_its_own_depth() -> None:
    """magpylib's dipole: no correction where the sonde counts as a point."""
    dipole = magpylib.misc.Dipole(moment=(1e6, 0, 0), position=(0, 0, -0.6))
    read = read_between_antennas(dipole, 0.6, ANTENNAS_M)
    assert read == pytest.approx(0.6, rel=1e-9)
    assert depth_of_poles_m(read, 0.0) == read


def test_the_lift_test_hardly_shows_two_poles() -> None:
    """Poles 0.3 m apart at 0.5 m read 7 % more; lifted by 0.3 m the reading falls 11 mm short."""
    read, lifted = reading_of_poles_m(0.5, 0.3), reading_of_poles_m(0.8, 0.3)
    assert read / 0.5 == pytest.approx(1.07, abs=0.002)
    assert lifted - read == pytest.approx(0.3 - 0.0115, abs=0.001)
    taken = read_head(read, NOISE, depth_lifted_m=lifted, lift_m=0.3)
    assert taken is not None
    assert not taken.distorted


@pytest.mark.parametrize(
    ("line", "poles", "scale"),
    [
        ('drain_material = "PVC"', 0.0, 0.05),
        ('drain_material = "clay, cast iron past 28 ft"', 0.0, 0.05),
        ('drain_material = "cast iron"', IRON_POLES_M, None),
        ('sonde_length = "4 in"', 4 * 0.0254, None),
    ],
)
def test_iron_and_a_stated_length_enter_the_depths(
    tmp_path: Path, line: str, poles: float, scale: float | None
) -> None:
    """Only they do, once for all depths: the session's scale widens by what is not known of it."""
    text = re.sub(r"drain_material.*\n", "", SITE).replace("[site]", f"[site]\n{line}", 1)
    write_folder(tmp_path, site=text)
    site = read_site(tmp_path).site
    codes = {notice.code for notice in site.notices}
    assert site.poles_m == pytest.approx(poles)
    assert ("sonde-reads-deep" in codes) == (poles > 0.0)
    if scale is not None:
        assert site.noise.session_depth_scale == scale
    else:
        assert 0.05 < site.noise.session_depth_scale < 0.12


def test_noise_has_a_floor_and_grows_with_depth() -> None:
    """Spreads are the larger of the floor and the share of the depth."""
    assert NOISE.horizontal_sd_m(0.5) == pytest.approx(0.10)
    assert NOISE.horizontal_sd_m(4.0) == pytest.approx(0.20)
    assert NOISE.horizontal_sd_m(0.0) == pytest.approx(0.10)
    assert NOISE.depth_sd_m(0.5) == pytest.approx(0.05)
    assert NOISE.depth_sd_m(3.0) == pytest.approx(0.15)


def test_no_reading_gives_no_depth() -> None:
    """A point without depth and nulls has no depth."""
    assert read_head(None, NOISE) is None


def test_a_single_reading_is_taken_as_it_is() -> None:
    """One reading gives its own depth and the repeatability there."""
    head = read_head(0.8, NOISE)
    assert head is not None
    assert (head.depth_m, head.depth_sd_m) == pytest.approx((0.8, 0.05))
    assert not head.distorted


def test_a_second_reading_narrows_the_depth_and_lies_between() -> None:
    """Lifted reading and nulls that agree lie between and narrow the spread."""
    head = read_head(0.80, NOISE, depth_lifted_m=1.14, lift_m=0.30)
    both = read_head(0.80, NOISE, depth_lifted_m=1.14, lift_m=0.30, null_spacing_m=0.82 * 2**0.5)
    assert head is not None
    assert both is not None
    assert 0.80 < head.depth_m < 0.84
    assert head.depth_sd_m < 0.05
    assert not head.distorted
    assert not both.distorted
    assert 0.80 < both.depth_m < 0.84


def test_a_reading_that_does_not_rise_with_the_receiver_is_distorted() -> None:
    """Lifted by 0.3 m and read 0.0 m deeper: distorted, and both spreads grow."""
    head = read_head(0.80, NOISE, depth_lifted_m=0.80, lift_m=0.30)
    assert head is not None
    assert head.distorted
    assert head.check == "lift"
    assert head.departure_m == pytest.approx(-0.30)
    assert head.depth_sd_m > 0.30
    assert head.horizontal_sd_m > 0.30


def test_nulls_that_contradict_the_reading_are_distortion() -> None:
    """A depth of 0.8 m with nulls of a head at 1.5 m cannot both be."""
    head = read_head(0.80, NOISE, null_spacing_m=1.5 * np.sqrt(2))
    assert head is not None
    assert head.distorted
    assert head.check == "null spacing"


def test_reading_and_lifted_reading_are_weighed_by_their_covariance() -> None:
    """Best linear combination of two correlated values, closed form: w = (b − c)/(a + b − 2c).

    At 2 m, lifted 1 m: own sds 0.10 and 0.15 m, common parts 5 % of 2 and 3 m, so a = 0.02,
    b = 0.045, c = 0.015 m²; the spread is that of the own parts alone.
    """
    head = read_head(2.0, NOISE, depth_lifted_m=3.02, lift_m=1.0)
    first = (0.045 - 0.015) / (0.02 + 0.045 - 2 * 0.015)
    assert head is not None
    assert head.depth_m == pytest.approx(first * 2.0 + (1 - first) * 2.02, abs=1e-4)
    assert head.depth_sd_m == pytest.approx(np.hypot(first * 0.10, (1 - first) * 0.15), rel=5e-3)


@pytest.mark.parametrize(("depth", "lift"), [(0.7, 0.3), (0.5, 2.0)])
def test_false_alarms_of_the_lift_check_stay_near_one_in_a_hundred(
    depth: float, lift: float
) -> None:
    """With Gaussian readings of the stated spreads the lift check rarely cries out."""
    generator = np.random.default_rng(3)
    alarms = 0
    for _ in range(3000):
        scale = 1 + generator.normal(0, NOISE.session_depth_scale)
        low = scale * depth + generator.normal(0, NOISE.depth_sd_m(depth))
        high = scale * (depth + lift) + generator.normal(0, NOISE.depth_sd_m(depth + lift))
        head = read_head(low, NOISE, depth_lifted_m=high, lift_m=lift)
        assert head is not None
        alarms += head.distorted
    assert 0.004 <= alarms / 3000 <= 0.020


@settings(deadline=None, max_examples=50)
@given(st.floats(0.2, 4.0), st.floats(0.1, 1.0))
def test_depth_only_from_nulls(depth: float, lift: float) -> None:
    """Nulls alone give the depth, with the horizontal repeatability; a bare lift says nothing."""
    head = read_head(None, NOISE, null_spacing_m=depth * np.sqrt(2), lift_m=lift)
    assert head is not None
    assert head.depth_m == pytest.approx(depth)
    assert head.depth_sd_m == pytest.approx(NOISE.horizontal_sd_m(depth))


def scattered(seed: int) -> tuple[Noise, float, float, float, float]:
    """Draw a noise at random, a reading, one lifted, the lift and the spacing of the nulls."""
    generator = np.random.default_rng(seed)
    noise = replace(
        NOISE,
        horizontal_floor_m=generator.uniform(0.02, 0.2),
        depth_floor_m=generator.uniform(0.02, 0.2),
        session_depth_scale=generator.uniform(0.01, 0.06),
    )
    depth, lift = generator.uniform(0.4, 1.2), generator.uniform(0.1, 0.8)
    shown = depth + generator.normal(0.0, 0.06, 3)
    return noise, shown[0], shown[1] + lift, lift, shown[2] * np.sqrt(2.0)


@pytest.mark.parametrize("given_", [(0, 1), (0, 2), (1, 2), (0, 1, 2)])
@pytest.mark.parametrize("seed", range(4))
def test_the_depth_is_statsmodels_generalized_mean(seed: int, given_: tuple[int, ...]) -> None:
    """GLS of a constant on what was read, iterated until the spreads are those at its own depth.

    Its weights are solved for by numpy's finite differences; the spread is that of own parts alone.
    """
    import statsmodels.api as sm

    noise, shown, lifted, lift, nulls = scattered(seed)
    own_depths = np.array([shown, lifted - lift, nulls / np.sqrt(2.0)])
    there = list(given_)
    depth = own_depths[there].mean()
    for _ in range(30):
        at = np.array([depth, depth + lift, 0.0])
        own = np.array(
            [noise.depth_sd_m(at[0]), noise.depth_sd_m(at[1]), noise.horizontal_sd_m(depth)]
        )
        shared = np.outer(at, at) * noise.session_depth_scale**2
        spread = (np.diag(own**2) + shared)[np.ix_(there, there)]
        ones = np.ones(len(there))
        depth = sm.GLS(own_depths[there], ones, spread).fit().params[0]
    weights = np.array([sm.GLS(row, ones, spread).fit().params[0] for row in np.eye(len(there))])
    assert (weights > 0.0).all()
    head = read_head(
        shown if 0 in there else None,
        noise,
        depth_lifted_m=lifted if 1 in there else None,
        lift_m=lift,
        null_spacing_m=nulls if 2 in there else None,
    )
    assert head is not None
    assert not head.distorted
    assert head.depth_m == pytest.approx(depth, rel=1e-4)
    assert head.depth_sd_m == pytest.approx(np.sqrt(weights**2 @ own[there] ** 2), rel=1e-3)


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize("check", ["lift", "null spacing"])
@pytest.mark.parametrize("seed", range(3))
def test_what_departs_by_the_quantile_of_one_in_a_hundred_is_distorted(
    seed: int, check: str, sign: float
) -> None:
    """The spread of a departure is that of uncertainties: one scale for what the receiver shows.

    A hair past scipy's two-sided 1 % the point is distorted and the departure added to its
    spreads, a hair before it is not.
    """
    noise, shown, _, lift, _ = scattered(seed)

    def head_at(departure: float, depth: float) -> tuple[object, float]:
        scale = ufloat(1.0, noise.session_depth_scale)
        low = scale * depth + ufloat(0.0, noise.depth_sd_m(depth))
        high = scale * (depth + lift) + ufloat(0.0, noise.depth_sd_m(depth + lift))
        null = ufloat(depth, noise.horizontal_sd_m(depth))
        other = high - lift if check == "lift" else null
        by = departure * float((other - low).std_dev)
        if check == "lift":
            return read_head(shown, noise, depth_lifted_m=shown + by + lift, lift_m=lift), by
        return read_head(shown, noise, null_spacing_m=(shown + by) * np.sqrt(2.0)), by

    limit = sign * stats.norm.ppf(0.995)
    for departure, distorted in ((0.998 * limit, False), (1.002 * limit, True)):
        depth = shown
        for _ in range(8):
            head, by = head_at(departure, depth)
            depth = head.depth_m  # type: ignore[attr-defined]
        assert head.distorted == distorted  # type: ignore[attr-defined]
        assert head.check == check  # type: ignore[attr-defined]
        assert head.departure_m == pytest.approx(by)  # type: ignore[attr-defined]
        wider = np.hypot(noise.horizontal_sd_m(depth), by if distorted else 0.0)
        assert head.horizontal_sd_m == pytest.approx(wider)  # type: ignore[attr-defined]
