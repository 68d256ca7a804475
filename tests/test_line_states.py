"""One step of the walk from mark to mark, against quadrature and plain geometry.

Spreads are those of the geometry itself, written with complex numbers and differentiated
numerically; what a reading tells is integrated by scipy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from sitegis.geometry.frames import Array
from sitegis.line import follow
from sitegis.line.bend_catalog import (
    BENDS_PER_M,
    SIGNED_RAD,
    SIGNED_SD_RAD,
    SIGNED_WEIGHTS,
    turns_of_two,
)
from sitegis.line.follow import (
    STRAY_SHARES,
    STRAY_VARIANCES,
    _across_update,
    _count_update,
    _heading_update,
    _Options,
    _own_noise,
    _Walk,
    follow_drain,
    shared_covariance,
)
from sitegis.line.states import (
    MOST_BENDS,
    State,
    advance,
    ahead_and_left,
    bend_states,
    log_density,
    tail_nodes,
    weigh,
)
from sitegis.line.straights import HALF_NORMAL_MEAN, HALF_NORMAL_SD, HEADING_SD_RAD
from sitegis.numerics.noise_scale import PRIOR_MEAN_SQUARE, SCALES
from tests.test_line_straights import marks_of


def state_of(seed: int, rows: int = 1) -> State:
    """Make rows anywhere on the lot, going anyhow, with full spreads."""
    generator = np.random.default_rng(seed)
    factor = generator.normal(size=(rows, 3, 3)) * np.array([0.1, 0.03, 0.2])[:, None]
    return State(
        generator.uniform(-9, 9, (rows, 2)),
        generator.uniform(-3, 3, rows),
        generator.uniform(0, 20, rows),
        factor @ factor.transpose(0, 2, 1) + 1e-4 * np.eye(3),
        generator.normal(size=rows),
        np.zeros(rows, np.int64),
        np.full((rows, MOST_BENDS), -1),
        np.full((rows, MOST_BENDS), -1),
        np.zeros((rows, MOST_BENDS, 2)),
    )


def jacobian(function: Callable[[Array], Array], count: int, step: float = 1e-6) -> Array:
    """Differentiate a function of errors at no error, by central differences."""
    return np.column_stack(
        [(function(step * e) - function(-step * e)) / (2 * step) for e in np.eye(count)]
    )


def gone_on(angle: float, turn: float, ahead: float) -> Callable[[Array], Array]:
    """Return place left, angle and count abreast of the next foot, from errors before the bend.

    Errors: place left, angle, count, place of the bend along the drain, turn.
    """

    def errors(e: Array) -> Array:
        start = 1j * np.exp(1j * angle) * e[0]
        bend = start + e[3] * np.exp(1j * (angle + e[1]))
        way = np.exp(1j * (angle + e[1] + turn + e[4]))
        foot = ahead * np.exp(1j * (angle + turn))
        right = np.exp(1j * (angle + turn))
        # the new straight crosses the normal of its expected way at the foot
        along = (np.conj(right) * (foot - bend)).real / (np.conj(right) * way).real
        left = (np.conj(right) * (bend + along * way - foot)).imag
        return np.array([left, e[1] + e[4], e[2] + e[3] + along])

    return errors


@pytest.mark.parametrize("index", [-1, 0, 3, 8, 13])
def test_a_bend_and_a_straight_carry_errors_as_their_geometry_does(index: int) -> None:
    """Foot, way and count by hand; J C Jᵀ with J by differences, the bend's own errors in C."""
    state = state_of(index + 5)
    turn, made = (0.0, 0.0) if index < 0 else (SIGNED_RAD[index], SIGNED_SD_RAD[index])
    sd, ahead = 0.2, 1.7
    bent = bend_states(state, np.array([index]), np.array([sd if index >= 0 else 0.0]), 4)
    after = advance(bent, np.array([ahead]))
    angle = float(state.angle[0])
    errors = jacobian(gone_on(angle, turn, ahead), 5)
    spread = np.zeros((5, 5))
    spread[:3, :3] = state.spread[0]
    spread[3, 3], spread[4, 4] = (sd**2 if index >= 0 else 0.0), made**2
    assert after.spread[0] == pytest.approx(errors @ spread @ errors.T, rel=1e-6, abs=1e-9)
    foot = complex(*state.foot[0]) + ahead * np.exp(1j * (angle + turn))
    assert after.foot[0] == pytest.approx([foot.real, foot.imag])
    assert after.angle[0] == pytest.approx(angle + turn)
    assert after.count[0] == pytest.approx(state.count[0] + ahead)
    # no bend on the way: exp(−rate · length), of a Poisson process
    none = stats.poisson.logpmf(0, BENDS_PER_M * ahead)
    assert after.log_weight[0] - state.log_weight[0] == pytest.approx(none)
    if index >= 0:
        assert (bent.spans[0, 0], bent.turns[0, 0]) == (4, index)
        assert bent.at[0, 0] == pytest.approx(state.foot[0])


def test_a_bend_anywhere_in_its_cell_lies_there_by_an_even_law() -> None:
    """The mean square of what a bend at each of 2000 places of its cell adds to every variance."""
    state, index, cell_m = state_of(4), np.array([3]), 0.8
    none = _Options(np.array([0]), index, np.array([1.0]), np.zeros(1), np.zeros(1), np.zeros(1))
    there = replace(none, cell_m=np.array([cell_m]))
    added = there.go(state, 2).spread[0] - none.go(state, 2).spread[0]
    one = none.go(state, 2)
    moved = (np.arange(2000) + 0.5) / 2000 * cell_m - 0.5 * cell_m
    angle = float(state.angle[0])
    # the bend moves on along the old straight: off the new one, and the footage with it
    off = moved * -np.sin(float(one.angle[0]) - angle)
    assert added[0, 0] == pytest.approx(np.mean(off**2), rel=1e-5)


def test_a_way_is_weighed_by_the_scatter_of_the_mark_off_it() -> None:
    """Each way to a mark: its offset, and the variance of that by numerical differentiation."""
    marks = marks_of(np.array([[0.0, 0.0], [1.0, 0.0], [3.0, 1.2]]), np.full(2, 0.02**2))
    walk = follow._Walk(marks, _own_noise(marks), tail_nodes(np.inf))
    state = replace(state_of(9), foot=np.array([[1.0, 0.1]]), angle=np.array([0.2]))
    found = follow._options(walk, state, 2)
    tape, receiver = (float(one[0]) for one in walk.across(state, 2))
    start, angle, mark = 1.0 + 0.1j, 0.2, 3.0 + 1.2j
    assert len(found.rows) > 20
    for index, before, cell, prior, log_weight in zip(
        found.index, found.before, found.cell_m, found.log_prior, found.log_weight, strict=True
    ):
        turn = SIGNED_RAD[index] if index >= 0 else 0.0

        def parts(e: Array, turn: float = turn, before: float = before) -> complex:
            bend = start + 1j * np.exp(1j * angle) * e[0]
            bend += (before + e[2]) * np.exp(1j * (angle + e[1]))
            return complex(np.exp(-1j * (angle + e[1] + turn + e[3])) * (mark - bend))

        slopes = jacobian(lambda e: np.array([parts(e).imag]), 4)[0]
        bent = (cell**2 / 12.0, SIGNED_SD_RAD[index] ** 2) if index >= 0 else (0.0, 0.0)
        variance = slopes[:2] @ state.spread[0, :2, :2] @ slopes[:2] + slopes[2:] ** 2 @ bent
        way = parts(np.zeros(4))
        expected = log_density(
            np.array([way.imag]), np.array([variance + tape]), np.array([receiver]), walk.tails
        )[0]
        expected += state.log_weight[0] + prior - BENDS_PER_M * (before + way.real)
        assert log_weight == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("part", [0, 1, 2])
def test_a_reading_moves_the_state_to_the_posteriors_moments(part: int) -> None:
    """Prior times a mixture of two normals: evidence, mean and covariance by scipy's quadrature.

    What hangs together with the part read follows it by regression.
    """
    state = state_of(part + 40)
    own = float(np.sqrt(state.spread[0, part, part]))
    off, shares, variances = 1.3 * own, np.array([0.8, 0.2]), np.array([0.5, 8.0]) * own**2

    def joint(u: float) -> float:
        return float(
            stats.norm.pdf(u, 0.0, own)
            * (shares * stats.norm.pdf(off, u, np.sqrt(variances))).sum()
        )

    moments = [
        integrate.quad(lambda u, k=k: u**k * joint(u), -12 * own, 12 * own)[0] for k in range(3)
    ]
    mean, variance = (
        moments[1] / moments[0],
        moments[2] / moments[0] - (moments[1] / moments[0]) ** 2,
    )
    after = weigh(state, part, np.array([off]), variances, shares)
    slope = state.spread[0, :, part] / own**2
    rest = state.spread[0] - np.outer(slope, slope) * own**2
    assert after.log_weight[0] - state.log_weight[0] == pytest.approx(np.log(moments[0]))
    assert after.spread[0] == pytest.approx(rest + variance * np.outer(slope, slope), rel=1e-6)
    angle = float(state.angle[0])
    moved = complex(*(after.foot - state.foot)[0]) / (1j * np.exp(1j * angle))
    assert moved.imag == pytest.approx(0.0, abs=1e-12)
    found = (moved.real, after.angle[0] - angle, after.count[0] - state.count[0])
    assert found == pytest.approx(tuple(slope * mean), rel=1e-6)


def test_ahead_and_left_are_the_parts_of_a_complex_quotient() -> None:
    """(mark − foot) / e^(i angle) is ahead + i left."""
    state, mark = state_of(3, 20), np.array([2.0, -1.0])
    ahead, left = ahead_and_left(state, mark)
    quotient = (complex(*mark) - state.foot @ [1, 1j]) / np.exp(1j * state.angle)
    assert ahead == pytest.approx(quotient.real)
    assert left == pytest.approx(quotient.imag)


@pytest.mark.parametrize("degrees", [3.0, 4.0, 8.0])
def test_the_tails_nodes_are_a_student_t_of_variance_one(degrees: float) -> None:
    """Their shares and mean sum to 1, and the density is scipy's t within 7 % to 2.5 sd."""
    shares, variances = tail_nodes(degrees)
    assert shares.sum() == pytest.approx(1.0)
    assert shares @ variances == pytest.approx(1.0)
    off = np.linspace(0.0, 2.5, 30)
    scale = np.sqrt((degrees - 2) / degrees)
    found = np.exp(log_density(off, np.zeros(30), np.ones(30), (shares, variances)))
    assert found == pytest.approx(stats.t.pdf(off, degrees, scale=scale), rel=0.07)
    even = np.exp(log_density(off, 0.3 * np.ones(30), np.ones(30), tail_nodes(np.inf)))
    assert even == pytest.approx(stats.norm.pdf(off, 0.0, np.sqrt(1.3)))


def test_the_slacks_moments_are_those_of_a_half_normal() -> None:
    """Scipy's half-normal of scale 1."""
    assert pytest.approx((stats.halfnorm.mean(), stats.halfnorm.std())) == (
        HALF_NORMAL_MEAN,
        HALF_NORMAL_SD,
    )


def test_the_first_two_marks_give_every_bend_its_way() -> None:
    """From the first mark to the bend, on to the second: geometry by complex numbers.

    Angle's spread by numerical differences of the angle that a root finder gives: both marks
    off across their straights, the bend anywhere in its cell, its turn as made.
    """
    marks = np.array([[1.0, 2.0], [3.4, 4.1]])
    own = np.array([0.03, 0.02])
    state = follow_drain(marks_of(marks, own[:, None] ** 2 * np.ones((2, 2))))
    first, second = (complex(*one) for one in marks)
    chord = abs(second - first)
    cells = int(np.ceil(chord / 0.5))
    known = np.flatnonzero(np.isclose(np.array(SCALES)[state.scale], min(SCALES)))
    scale = min(SCALES)
    assert state.foot == pytest.approx(np.tile(marks[1], (len(state.angle), 1)))
    bent = 0
    for row in known:
        angle = float(state.angle[row])
        index = int(state.turns[row, 0])
        turn = 0.0 if index < 0 else float(SIGNED_RAD[index])
        place = complex(*state.at[row, 0]) if index >= 0 else first
        before = abs(place - first)
        if index >= 0:
            bent += 1
            # in the middle of a cell, of as many as the chord has
            assert (before / chord * cells) % 1.0 == pytest.approx(0.5, abs=1e-6)
            assert np.angle((place - first) / np.exp(1j * (angle - turn))) == pytest.approx(
                0.0, abs=1e-9
            )
        assert np.angle((second - place) / np.exp(1j * angle)) == pytest.approx(0.0, abs=1e-9)
        # without a first footage the count runs from the first mark
        assert state.count[row] == pytest.approx(before + abs(second - place))

        def solved(
            e: Array, before: float = before, turn: float = turn, angle: float = angle
        ) -> Array:
            def off(a: float) -> float:
                way = np.exp(1j * (a - turn - e[3]))
                bend = first + 1j * way * e[0] + (before + e[2]) * way
                return float(((second - bend) / np.exp(1j * a)).imag + e[1])

            return np.array([e[1], optimize.brentq(off, angle - 0.2, angle + 0.2, xtol=1e-14)])

        errors = jacobian(solved, 4, 1e-4)
        cell = chord / cells if index >= 0 else 0.0
        made = float(SIGNED_SD_RAD[index]) if index >= 0 else 0.0
        spread = np.diag([*(scale * own) ** 2, cell**2 / 12, made**2])
        expected = errors @ spread @ errors.T
        assert state.spread[row, :2, :2] == pytest.approx(expected, rel=1e-3, abs=1e-9)
    assert bent > 10
    # a bend somewhere in a cell, none in the rest: a Poisson process; of k the inverse gamma
    straight = next(row for row in known if state.turns[row, 0] < 0)
    for row in known:
        index = int(state.turns[row, 0])
        if index >= 0:
            longer = state.count[row] - state.count[straight]
            odds = np.log(BENDS_PER_M * chord / cells * SIGNED_WEIGHTS[index])
            found = state.log_weight[row] - state.log_weight[straight]
            assert found == pytest.approx(odds - BENDS_PER_M * longer)
    alone = np.flatnonzero(state.turns[:, 0] < 0)
    squares = np.array(SCALES)[state.scale[alone]] ** 2
    prior = stats.invgamma.logpdf(squares, 4.0, scale=4.0) + np.log(squares)
    found = state.log_weight[alone] - state.log_weight[alone[0]]
    assert found == pytest.approx(prior - prior[0])


@pytest.mark.parametrize("worse", [0, 1])
def test_of_two_marks_too_near_to_show_a_way_the_better_known_one_counts(worse: int) -> None:
    """0.3 m apart: the walk is that of the marks without the one that is known worse."""
    xy = np.array([[1.0, 2.0], [1.2, 2.2], [5.0, 6.0]])
    variances = np.full((3, 2), 0.02**2)
    variances[worse] = 0.05**2
    kept = [i for i in range(3) if i != worse]
    whole = follow_drain(marks_of(xy, variances))
    part = follow_drain(marks_of(xy[kept], variances[kept]))
    assert whole.angle == pytest.approx(part.angle)
    assert whole.log_weight == pytest.approx(part.log_weight)
    assert whole.spread == pytest.approx(part.spread)
    # 0.7 m apart all three count
    xy[1] = [1.5, 2.5]
    far = follow_drain(marks_of(xy, variances))
    apart = follow_drain(marks_of(xy[kept], variances[kept]))
    assert far.log_weight.size != apart.log_weight.size or far.log_weight != pytest.approx(
        apart.log_weight
    )


def test_what_all_marks_share_is_the_last_marks_tape_and_the_session() -> None:
    """Covariance of tape and building stays as it is; the session's part grows with the scale."""
    marks = marks_of(np.array([[0.0, 0.0], [2.0, 0.0]]), np.full(2, 0.01), session_sd_m=0.2)
    shared = np.array([[0.03, 0.01], [0.01, 0.05]]) + 0.04 * np.eye(2)
    covariance = marks.covariance + np.kron(np.ones((2, 2)), shared)
    marks = marks_of(marks.xy, np.full(2, 0.01), session_sd_m=0.2, covariance=covariance)
    for scale in (1.0, 2.5):
        expected = np.array([[0.03, 0.01], [0.01, 0.05]]) + scale * 0.04 * np.eye(2)
        assert shared_covariance(marks, scale) == pytest.approx(expected)


def test_own_noise_is_each_marks_against_the_last_ones() -> None:
    """Cov(eᵢ − e_last) by a matrix of differences, of what is no receiver's and no session's.

    A fitting's own part stays with the tape, a received mark's is apart; the session's counts
    where one of the two was received and the other not.
    """
    generator = np.random.default_rng(8)
    factor = 0.1 * generator.normal(size=(8, 8))
    tape = factor @ factor.T
    independent = np.array([np.diag(v) for v in generator.uniform(0.01, 0.05, (4, 2))])
    received = np.array([True, False, True, True])
    session = 0.3**2 * np.kron(np.outer(received, received), np.eye(2))
    blocks = np.zeros((8, 8))
    for i in range(4):
        blocks[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = independent[i]
    marks = marks_of(
        generator.uniform(0, 9, (4, 2)),
        np.ones(2),
        covariance=tape + blocks + session,
        independent=independent,
        received=received,
        session_sd_m=0.3,
    )
    own = _own_noise(marks)
    for i in range(4):
        difference = np.zeros((2, 8))
        difference[:, 2 * i : 2 * i + 2] += np.eye(2)
        difference[:, 6:] -= np.eye(2)
        expected = difference @ tape @ difference.T
        if not received[i]:
            expected = expected + independent[i]
        assert own.tape[i] == pytest.approx(expected, abs=1e-12)
        assert own.receiver[i] == pytest.approx(independent[i] * received[i])
        assert own.session[i] == pytest.approx(0.0 if received[i] else 0.3**2)
    assert shared_covariance(marks, 1.0) == pytest.approx(tape[6:, 6:] + 0.3**2 * np.eye(2))


def test_footage_runs_out_by_the_mean_of_its_slack() -> None:
    """On a straight each meter takes 1 + 2 % × the mean of scipy's half normal: all marks agree."""
    along = np.array([0.0, 3.0, 7.0, 12.0])
    more = 1.0 + 0.02 * float(stats.halfnorm.mean())
    xy = np.column_stack([along, np.zeros(4)])
    state = follow_drain(marks_of(xy, np.full(2, 1e-4), counts_m=along * more))
    best = int(np.argmax(state.log_weight))
    assert state.bends[best] == 0
    assert state.count[best] == pytest.approx(12.0, abs=1e-3)


def test_a_turn_of_two_bends_has_the_moments_of_all_pairs() -> None:
    """In every class of 45° share, mean and spread are numpy's of a million drawn pairs."""
    generator = np.random.default_rng(3)
    pairs = generator.choice(SIGNED_RAD.size, (1_000_000, 2), p=SIGNED_WEIGHTS)
    nominal = SIGNED_RAD[pairs].sum(axis=1)
    drawn = nominal + (SIGNED_SD_RAD[pairs] * generator.normal(size=pairs.shape)).sum(axis=1)
    # a half is nearer to 0
    degrees = np.degrees(nominal) / 45.0
    classes = np.sign(degrees) * np.ceil(np.abs(degrees) - 0.5 - 1e-9)
    shares, means, sds = turns_of_two()
    kinds = np.unique(classes)
    assert shares.sum() == pytest.approx(1.0)
    assert len(shares) == kinds.size
    for i, kind in enumerate(kinds):
        own = drawn[classes == kind]
        assert shares[i] == pytest.approx(own.size / 1e6, abs=2e-3)
        assert means[i] == pytest.approx(own.mean(), abs=0.01)
        assert sds[i] == pytest.approx(own.std(), rel=0.03)


def test_a_mark_is_read_by_what_is_off_and_how_well_it_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Across the drain by tape, session and receiver; its footage less the slack's mean; its axis.

    What a normal's own error adds to a footage is its mean over all directions, by a drawn circle.
    """
    generator = np.random.default_rng(6)
    factor = 0.1 * generator.normal(size=(8, 8))
    received = np.array([True, False, True, True])
    marks = marks_of(
        generator.uniform(0, 9, (4, 2)),
        np.ones(2),
        covariance=factor @ factor.T + 0.3 * np.eye(8),
        independent=np.array([np.diag(v) for v in generator.uniform(0.01, 0.05, (4, 2))]),
        received=received,
        session_sd_m=0.1,
        counts_m=np.array([1.0, 4.3, 7.7, np.nan]),
    )
    walk = _Walk(marks, _own_noise(marks), tail_nodes(4.0))
    m = 12
    plain = follow_drain(marks)
    state = State(
        generator.uniform(0, 9, (m, 2)),
        generator.uniform(-3.0, 3.0, m),
        generator.uniform(0, 9, m),
        np.tile(np.eye(3), (m, 1, 1)),
        np.zeros(m),
        np.arange(m) % len(SCALES),
        plain.spans[:m],
        plain.turns[:m],
        plain.at[:m],
    )
    asked: list[tuple[int, np.ndarray, np.ndarray, np.ndarray]] = []
    monkeypatch.setattr(follow, "weigh", lambda state, *given: asked.append(given))
    scales = np.array(SCALES)[state.scale]
    circle = np.exp(2j * np.pi * np.arange(64) / 64)
    for i in range(4):
        own = walk.own
        _across_update(walk, state, i)
        part, off, variances, shares = asked.pop()
        assert part == 0
        assert shares.tolist() == walk.tails[0].tolist()
        for row in range(m):
            ahead = np.exp(1j * state.angle[row])
            left = (complex(*(marks.xy[i] - state.foot[row])) / ahead).imag
            assert off[row] == pytest.approx(left)
            normal = np.array([-ahead.imag, ahead.real])
            tape = normal @ own.tape[i] @ normal + scales[row] ** 2 * own.session[i]
            receiver = scales[row] ** 2 * (normal @ own.receiver[i] @ normal)
            assert variances[row] == pytest.approx(tape + receiver * walk.tails[1])
        _count_update(walk, state, i)
        if np.isnan(marks.counts_m[i]):
            assert not asked
        else:
            part, off, variances, shares = asked.pop()
            assert (part, shares.tolist()) == (2, STRAY_SHARES.tolist())
            slack = 1.0 + float(stats.halfnorm.mean()) * marks.count_share
            assert off == pytest.approx(marks.counts_m[i] / slack - state.count)
            each = own.tape[i] + own.receiver[i]
            ways = [np.array([z.real, z.imag]) for z in circle]
            along = np.mean([way @ each @ way for way in ways])
            variance = (marks.count_floor_m[i] ** 2 + along) * PRIOR_MEAN_SQUARE
            assert variances == pytest.approx(variance * STRAY_VARIANCES)
    _heading_update(state, 0.7)
    part, off, variances, shares = asked.pop()
    assert (part, shares.tolist()) == (1, STRAY_SHARES.tolist())
    assert off == pytest.approx(0.5 * np.angle(np.exp(2j * (0.7 - state.angle))))
    assert variances == pytest.approx(
        (scales * HEADING_SD_RAD)[:, None] ** 2 * np.array(STRAY_VARIANCES)
    )
    assert _heading_update(state, np.nan) is state
