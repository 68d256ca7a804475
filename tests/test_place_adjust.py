"""The adjustment against published numbers and independent libraries."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize

from sitegis.geometry.frames import Array
from sitegis.place.adjust import (
    Reliability,
    assess,
    condition,
    gauss_newton,
    null_space,
    settled,
    solve_network,
)
from sitegis.place.blunders import (
    Cleaned,
    _prefer,
    clean_network,
    huber_suspect,
    predicted_against,
    rival_rows,
)
from sitegis.place.network import (
    Network,
    Observation,
    compile_equations,
    evaluate,
    misclosures,
)
from sitegis.place.starts import rigid_fit, starting_values

FIXED = 1e-6


def control(points: dict[str, tuple[float, float]]) -> tuple[dict[str, int], list[Observation]]:
    """Return nodes that are held where they are."""
    nodes, items = {}, []
    for i, (name, place) in enumerate(points.items()):
        nodes[name] = 2 * i
        for axis in (0, 1):
            items.append(
                Observation(f"{name} {axis}", "value", (2 * i + axis,), place[axis], FIXED)
            )
    return nodes, items


def fix(points: dict[str, tuple[float, float]], lengths: list[float], sd: float) -> Network:
    """Return a network of one unknown point taped from control points."""
    nodes, items = control(points)
    nodes["P"] = 2 * len(points)
    for name, length in zip(points, lengths, strict=True):
        items.append(Observation(f"tie {name}", "distance", (nodes[name], nodes["P"]), length, sd))
    return Network(nodes, {}, 2 * len(points) + 2, tuple(items))


# Ghilani & Wolf, Adjustment Computations, ch. 14 (inputs from memory).
TRILATERATION = fix(
    {"A": (865.40, 4527.15), "B": (2432.55, 2047.25), "C": (2865.22, 27.15)},
    [6049.00, 4736.83, 5446.49],
    0.01,
)
# Four corners of a room of 8 by 6, point (3, 4), tie errors 4, -6, 3, 5 mm and 0.10 on tie 2.
CORNERS = {"1": (0.0, 0.0), "2": (8.0, 0.0), "3": (8.0, 6.0), "4": (0.0, 6.0)}
TRUE_TIES = [float(np.hypot(x - 3.0, y - 4.0)) for x, y in CORNERS.values()]
BLUNDERED = fix(
    CORNERS,
    [t + e for t, e in zip(TRUE_TIES, [0.004, -0.006 + 0.10, 0.003, 0.005], strict=True)],
    0.01,
)


def start_at(network: Network, place: tuple[float, float]) -> Array:
    x = starting_values(network, np.zeros(2))[0]
    x[-2:] = place
    return x


def test_trilateration_gives_the_published_station() -> None:
    """Three distances give the station of Ghilani & Wolf, ch. 14."""
    best = solve_network(TRILATERATION, starting_values(TRILATERATION, np.zeros(2)))[0]
    assert best.x[-2:] == pytest.approx([6861.317, 3727.819], abs=2e-3)


def test_one_start_on_the_wrong_side_is_trapped_and_several_are_not() -> None:
    """A start on the wrong side falls into a false minimum; the starts hold both sides."""
    equations = compile_equations(TRILATERATION.observations, TRILATERATION.size)
    trapped = gauss_newton(equations, start_at(TRILATERATION, (-2000.0, 1500.0)))
    best = solve_network(TRILATERATION, starting_values(TRILATERATION, np.zeros(2)))[0]
    assert trapped.converged
    assert np.hypot(*(trapped.x[-2:] - best.x[-2:])) > 1000.0
    assert trapped.chi_square > 1e6 * max(best.chi_square, 1e-3)


def test_w_statistics_of_a_blundered_fix_match_the_computed_table() -> None:
    """Four ties with 10 cm on the second: the w statistics and chi-square of the table."""
    best = solve_network(BLUNDERED, starting_values(BLUNDERED, np.zeros(2)))[0]
    quality = assess(best, np.array([i.sd for i in BLUNDERED.observations]))
    assert quality.w[-4:] == pytest.approx([-1.706, 6.996, -0.972, 6.334], abs=2e-3)
    assert best.chi_square == pytest.approx(49.385, abs=2e-3)


def test_the_blunder_is_left_out_and_the_point_comes_back() -> None:
    """The largest is named, left out, and the point lies within millimeters."""
    cleaned = clean_network(
        BLUNDERED, solve_network(BLUNDERED, starting_values(BLUNDERED, np.zeros(2)))
    )
    assert [BLUNDERED.observations[r.index].name for r in cleaned.removals] == ["tie 2"]
    assert cleaned.solution.x[-2:] == pytest.approx([3.0023, 3.9986], abs=1e-4)
    error, spread = predicted_against(BLUNDERED, cleaned, cleaned.removals[0].index)
    assert error == pytest.approx(0.094, abs=3 * spread)


def test_a_robust_adjustment_blames_the_same_tie() -> None:
    """Huber's loss through scipy finds the tie that the w-test finds."""
    start = starting_values(BLUNDERED, np.zeros(2))[0]
    assert BLUNDERED.observations[huber_suspect(BLUNDERED, start)].name == "tie 2"


def test_with_one_degree_of_freedom_a_blunder_is_detected_and_not_located() -> None:
    """Three ties to one point: all are suspect, none is left out."""
    three = dict(list(CORNERS.items())[:3])
    network = fix(three, [TRUE_TIES[0], TRUE_TIES[1] + 0.10, TRUE_TIES[2]], 0.01)
    cleaned = clean_network(network, solve_network(network, starting_values(network, np.zeros(2))))
    suspects = {network.observations[i].name for i in cleaned.suspects}
    assert not cleaned.removals
    assert suspects >= {"tie 1", "tie 2", "tie 3"}


def test_a_tie_between_what_is_held_is_left_out_only_where_another_checks_the_rest() -> None:
    """A wrong tie from A to B has no rival, for nothing moves: kept alone, gone beside a second."""
    points = {"A": (0.0, 0.0), "B": (8.0, 0.0), "C": (8.0, 6.0)}
    nodes, held = control(points)
    ties = [
        Observation("AB", "distance", (0, 2), 8.2, 0.01),
        Observation("AC", "distance", (0, 4), 10.0, 0.01),
    ]
    for count, removed, suspects in ((1, [], (6,)), (2, [6], ())):
        network = Network(nodes, {}, 6, (*held, *ties[:count]))
        solved = solve_network(network, starting_values(network, np.zeros(2)))
        cleaned = clean_network(network, solved)
        assert [one.index for one in cleaned.removals] == removed
        assert cleaned.suspects == suspects


def snooped(
    ties: Array, places: Array, sd: float
) -> tuple[list[tuple[int, float, float]], set[int]]:
    """Snoop ties to one point by leaving each out in turn, after Baarda, with scipy's fits.

    Returns what is taken out with chi-square before and after, and which ties are then suspect.
    """

    def residuals(place: Array, kept: list[int]) -> Array:
        return (np.hypot(*(places[kept] - place).T) - ties[kept]) / sd

    def fit(kept: list[int]) -> tuple[float, Array]:
        found = optimize.least_squares(residuals, [3.0, 4.0], args=(kept,), xtol=1e-15, ftol=1e-15)
        return 2.0 * float(found.cost), found.jac

    kept, taken = list(range(len(ties))), []
    while True:
        chi_square, design = fit(kept)
        falls = [chi_square - fit([j for j in kept if j != i])[0] for i in kept]
        row = int(np.argmax(falls))
        if falls[row] <= 3.29**2:
            return taken, set()
        # correlation of the w statistics by the covariance of the residuals (Foerstner 1983)
        covariance = np.eye(len(kept)) - design @ np.linalg.pinv(design)
        sds = np.sqrt(np.diag(covariance))
        alike = np.abs(covariance[row] / (sds[row] * sds))
        rivals = {
            kept[i]
            for i, fall in enumerate(falls)
            if i != row
            and (alike[i] > 0.95 or (alike[i] > 0.5 and fall > max(3.29**2, falls[row] - 4.0)))
        }
        if rivals or len(kept) < 4:
            return taken, rivals | {kept[row]}
        taken.append((kept.pop(row), chi_square, chi_square - falls[row]))


@pytest.mark.parametrize("seed", range(16))
def test_blunders_are_those_of_leaving_out_each_in_turn(seed: int) -> None:
    """Four to seven ties, none to two of them wrong: what goes, and what is suspect, by scipy."""
    generator = np.random.default_rng([53, seed])
    count, sd = 4 + seed % 4, 0.01
    # all around the point, or from one side, where ties are harder to tell apart
    around = 2.0 * np.pi if seed < 8 else 0.7 * np.pi
    angles = around * (np.arange(count) + 0.6 * generator.random(count)) / count
    places = np.array([3.0, 4.0]) + generator.uniform(30.0, 60.0, (count, 1)) * np.column_stack(
        [np.cos(angles), np.sin(angles)]
    )
    ties = np.hypot(*(places - [3.0, 4.0]).T) + sd * generator.standard_normal(count)
    wrong = generator.choice(count, seed % 3, replace=False)
    ties[wrong] += sd * generator.choice([-1.0, 1.0], wrong.size) * generator.uniform(5.0, 12.0)
    names = [chr(ord("A") + i) for i in range(count)]
    network = fix(dict(zip(names, map(tuple, places), strict=True)), list(ties), sd)
    cleaned = clean_network(network, solve_network(network, starting_values(network, np.zeros(2))))
    taken, suspects = snooped(ties, places, sd)
    first = 2 * count  # the control's own rows come before
    assert [r.index - first for r in cleaned.removals] == [index for index, _, _ in taken]
    assert {i - first for i in cleaned.suspects if i >= first} == suspects
    for removal, (_, before, after) in zip(cleaned.removals, taken, strict=True):
        assert removal.chi_square_before == pytest.approx(before, rel=0.01)
        assert removal.chi_square_after == pytest.approx(after, rel=0.01, abs=0.05)
        assert removal.w**2 == pytest.approx(before - after, rel=0.01)


# Ghilani & Wolf, Adjustment Computations, ch. 18: two-dimensional conformal transformation.
HELMERT_LOCAL = np.array([[121.622, -128.066], [141.228, 187.718], [175.802, 135.728]])
HELMERT_GROUND = np.array([[1049422.40, 51089.20], [1049413.95, 49659.30], [1049244.95, 49884.95]])
HELMERT_A, HELMERT_B = -4.51249, -0.25371


def test_a_pose_from_three_points_matches_the_published_transformation() -> None:
    """With the published scale applied first, room pose and new point are the book's (ch. 18)."""
    scale = float(np.hypot(HELMERT_A, HELMERT_B))
    pose, _ = rigid_fit(scale * HELMERT_LOCAL, HELMERT_GROUND)
    assert pose[:2] == pytest.approx([1050003.715, 50542.131], abs=0.03)
    assert pose[2] == pytest.approx(np.arctan2(HELMERT_B, HELMERT_A), abs=1e-5)
    turn = np.array([[np.cos(pose[2]), -np.sin(pose[2])], [np.sin(pose[2]), np.cos(pose[2])]])
    new = pose[:2] + turn @ (scale * np.array([174.148, -120.262]))
    assert new == pytest.approx([1049187.361, 51040.629], abs=0.01)


def test_gauss_newton_ends_where_the_rigid_fit_does() -> None:
    """The network's room pose equals the closed form for the same points."""
    scale = float(np.hypot(HELMERT_A, HELMERT_B))
    shift = HELMERT_GROUND.mean(axis=0)
    ground = {str(i): tuple(p) for i, p in enumerate(HELMERT_GROUND - shift)}
    nodes, items = control(ground)  # type: ignore[arg-type]
    for i, place in enumerate(scale * HELMERT_LOCAL):
        for kind, value in zip(("offset-x", "offset-y"), place, strict=True):
            items.append(Observation(f"{i} {kind}", kind, (2 * i, 6), float(value), 0.05))  # type: ignore[arg-type]
    network = Network(nodes, {"room": 6}, 9, tuple(items))
    solved = solve_network(network, starting_values(network, np.zeros(2)))[0]
    pose, _ = rigid_fit(scale * HELMERT_LOCAL, HELMERT_GROUND - shift)
    assert solved.x[6:8] == pytest.approx(pose[:2], abs=1e-4)
    assert np.exp(1j * solved.x[8]) == pytest.approx(np.exp(1j * pose[2]), abs=1e-7)


def linear_network() -> Network:
    """Return a network of values and differences, all linear, with unequal weights."""
    generator = np.random.default_rng(4)
    true = generator.uniform(-0.4, 0.4, 5)
    items = []
    for i in range(5):
        sd = float(generator.uniform(0.01, 0.05))
        items.append(
            Observation(f"v{i}", "value", (i,), float(true[i] + generator.normal(0, sd)), sd)
        )
    for i in range(5):
        for j in range(i):
            sd = float(generator.uniform(0.01, 0.05))
            value = float(true[i] - true[j] + generator.normal(0, sd))
            items.append(Observation(f"d{i}{j}", "turn", (i, j), value, sd))
    return Network({}, {}, 5, tuple(items))


def test_a_linear_network_agrees_with_statsmodels_wls() -> None:
    """Estimates, covariance, redundancy and w equal those of statsmodels' WLS."""
    import statsmodels.api as sm

    network = linear_network()
    equations = compile_equations(network.observations, network.size)
    solution = gauss_newton(equations, np.zeros(5))
    quality = assess(solution, equations.sds)
    design = evaluate(equations, np.zeros(5))[1]
    fitted = sm.WLS(equations.values, design, weights=1.0 / equations.sds**2).fit()
    whitened = sm.OLS(equations.values / equations.sds, design / equations.sds[:, None]).fit()
    influence = whitened.get_influence()
    assert solution.x == pytest.approx(fitted.params, abs=1e-10)
    assert quality.covariance == pytest.approx(fitted.cov_params() / fitted.scale, rel=1e-8)
    assert quality.redundancy == pytest.approx(1.0 - influence.hat_matrix_diag, abs=1e-10)
    assert quality.w == pytest.approx(
        influence.resid_studentized_internal * np.sqrt(whitened.scale), abs=1e-8
    )


def test_gauss_newton_reaches_the_optimum_of_scipy_least_squares() -> None:
    """On a network of every kind of observation the optimum is scipy's."""
    network = mixed_network()
    equations = compile_equations(network.observations, network.size)

    def residuals(x: Array) -> Array:
        return misclosures(equations, evaluate(equations, x)[0]) / equations.sds

    ours = solve_network(network, starting_values(network, np.zeros(2)))[0]
    theirs = optimize.least_squares(residuals, ours.x + 0.02, xtol=1e-14, ftol=1e-14, gtol=1e-12)
    assert ours.x == pytest.approx(theirs.x, abs=1e-6)
    assert ours.chi_square == pytest.approx(2 * theirs.cost, rel=1e-8)


def test_derivatives_agree_with_finite_differences() -> None:
    """The analytic derivatives of every kind of observation are right."""
    network = mixed_network()
    equations = compile_equations(network.observations, network.size)
    x = starting_values(network, np.zeros(2))[0] + np.linspace(-0.1, 0.1, network.size)
    numeric = optimize.approx_fprime(x, lambda z: evaluate(equations, z)[0], 1e-7)
    assert evaluate(equations, x)[1] == pytest.approx(numeric, abs=1e-5)


def mixed_network() -> Network:
    """Return a small network with every kind of observation, a little in conflict."""
    nodes, items = control({"a": (0.0, 0.0), "b": (8.0, 0.0), "c": (8.0, 6.0)})
    items = [Observation(i.name, i.kind, i.columns, i.value, 0.02) for i in items]
    nodes |= {"p": 6, "q": 8}
    pose = 10
    items += [
        Observation("px", "offset-x", (6, pose), 1.0, 0.01),
        Observation("py", "offset-y", (6, pose), 0.5, 0.01),
        Observation("qx", "offset-x", (8, pose), 3.0, 0.01),
        Observation("qy", "offset-y", (8, pose), 2.0, 0.01),
        Observation("bx", "offset-x", (2, pose), 6.02, 0.01),
        Observation("by", "offset-y", (2, pose), -1.01, 0.01),
        Observation("turn", "turn", (pose + 2, 15), -0.19, 0.01),
        Observation("angle", "value", (15,), 0.2, 0.01),
        Observation("X", "value", (13,), 1.0, 0.02),
        Observation("Y", "value", (14,), 2.0, 0.02),
        Observation("ax", "offset-x", (0, 13), -1.37, 0.02),
        Observation("ay", "offset-y", (0, 13), -1.77, 0.02),
        Observation("pa", "distance", (0, 6), 3.36, 0.01),
        Observation("qc", "distance", (4, 8), 4.24, 0.01),
        Observation("wall", "wall", (6, 0, 2), 1.52, 0.01),
    ]
    return Network(nodes, {"room": pose, "other": 13}, 16, tuple(items))


def test_redundancy_numbers_add_up_to_the_degrees_of_freedom() -> None:
    """The sum of the redundancy numbers is the number of observations less unknowns."""
    network = mixed_network()
    solved = solve_network(network, starting_values(network, np.zeros(2)))[0]
    quality = assess(solved, np.array([i.sd for i in network.observations]))
    assert quality.redundancy.sum() == pytest.approx(network.free, abs=1e-9)


def test_rivals_are_what_explains_a_blunder_nearly_as_well() -> None:
    """w² of leaving one out: 16, 14.4, 12.6 and 11.6; within 4 of the first are the next two."""
    correlation = np.full((4, 4), 0.7) + 0.3 * np.eye(4)
    w = np.array([4.0, -3.8, 3.55, 3.4])
    none = np.zeros(4)
    found = Reliability(np.zeros((0, 0)), none, w, none, correlation)
    assert rival_rows(found, 0) == [1, 2]
    assert rival_rows(found, 3) == [0, 1, 2]


def test_the_null_space_is_what_nothing_holds() -> None:
    """Two points tied only to each other can shift two ways and turn one."""
    items = [Observation("t", "distance", (0, 2), 5.0, 0.01)]
    network = Network({"a": 0, "b": 2}, {}, 4, tuple(items))
    equations = compile_equations(network.observations, 4)
    solution = gauss_newton(equations, np.array([0.0, 0.0, 3.0, 4.0]))
    loose = null_space(solution.design)
    assert loose.shape[1] == 3
    assert solution.design @ loose == pytest.approx(np.zeros((1, 3)), abs=1e-9)


def test_the_condition_is_numpys_of_columns_of_one_length() -> None:
    """``numpy.linalg.cond`` of the design with each column divided by its length."""
    design = np.random.default_rng(4).normal(size=(9, 4)) * [1.0, 20.0, 0.3, 5.0]
    expected = np.linalg.cond(design / np.linalg.norm(design, axis=0))
    assert condition(design) == pytest.approx(expected)
    assert expected > 1.2


@pytest.mark.parametrize("index", range(15))
def test_what_is_left_out_is_predicted_as_while_it_was_kept(index: int) -> None:
    """A deleted residual and its sd are the same from either side (Cook and Weisberg 1982)."""
    network = linear_network()
    kept = clean_of(network, frozenset())
    out = clean_of(network, frozenset({index}))
    found, expected = (predicted_against(network, one, index) for one in (kept, out))
    assert found == pytest.approx(expected, rel=1e-7)
    row = evaluate(compile_equations([network.observations[index]], 5), np.zeros(5))[1][0]
    item = network.observations[index]
    assert expected[0] == pytest.approx(item.value - row @ out.solution.x, abs=1e-10)


def clean_of(network: Network, without: frozenset[int]) -> Cleaned:
    """Adjust a network without some of its observations, and take nothing else out."""
    solutions = settled(network, [np.zeros(network.size)], without=without)
    kept = tuple(i for i in range(len(network.observations)) if i not in without)
    quality = assess(solutions[0], np.array([network.observations[i].sd for i in kept]))
    return Cleaned(tuple(solutions), quality, kept, (), (), solutions[0].chi_square)


@pytest.mark.parametrize("wrong", [(0, 0, 0, 0), (2, 1, 3, 0), (1, 1, 0, 0), (3, 2, 2, 1)])
def test_of_those_that_fit_alike_the_most_plausible_comes_first(wrong: tuple[int, ...]) -> None:
    """Sorted by python among those within four of the best fit; what fits worse stays behind."""
    fits = (5.0, 7.3, 8.9, 9.2)
    one = clean_of(linear_network(), frozenset()).solution
    offered = [replace(one, x=np.array([float(i)]), chi_square=fit) for i, fit in enumerate(fits)]
    close = [i for i, fit in enumerate(fits) if fit <= fits[0] + 4.0]
    expected = [*sorted(close, key=lambda i: (wrong[i], i)), 3]
    found = _prefer(offered, lambda x: wrong[int(x[0])])
    assert [int(solution.x[0]) for solution in found] == expected
