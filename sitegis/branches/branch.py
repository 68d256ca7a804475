"""A branch as it is handed on: its wye, its vertices, its points, its fall."""

from __future__ import annotations

from typing import Literal

import numpy as np

from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..line.profile import Depths, SlopePrior, learn_profile, mixture_moments
from ..model.branches import Branch, Wye
from ..model.results import Bend, ProfileComponent
from ..model.site import Site
from ..numerics.ordering import at_least, largest, share_out
from ..numerics.records import join_rows, take_rows
from ..numerics.statistics import nonnegative, square_root, weighted_quantiles
from .alternatives import OWN_BENDS, Alternatives, offsets_from
from .joining import WYE_STEP_M, Joint
from .pipes import Pipe
from .runs import Followed
from .weigh import Weighed

DRAWS = 4096


def wye_station(one: Followed, joint: Joint) -> float:
    """Return the mean station of a run's wye on its own pipe; inf where it lies wholly in another.

    Stations count from the run's first point.

    Parameters
    ----------
    one
        The run as followed.
    joint
        The run's points before and past the wye.

    Returns
    -------
    float
        Station, m; inf where it lies wholly in another pipe.
    """
    if joint.weighed is None:
        return float("inf")
    # the first point lies this far upstream of the wye
    return float(joint.weights.sum(axis=1) @ joint.weighed.upstream[:, 0])


def fit_branch(
    site: Site,
    one: Followed,
    joined: str,
    pipe: Pipe,
    splits: list[tuple[float, Joint]],
    probability: float,
    slopes: SlopePrior,
) -> Branch:
    """Return a run's own pipe down to its wye on the pipe it joins.

    ``splits`` are the alternatives to part its points before and past the wye, each with its
    probability, the most probable first. The wye's place, invert and their covariance, and the
    spread across the pipe, are those of the whole mixture; the vertices are of the most probable
    alternative of the first split, moved by what the readings say of it.

    Parameters
    ----------
    site
        The site as read.
    one
        The run as followed.
    joined
        Id of the run joined.
    pipe
        The pipe that is joined.
    splits
        Probability and joint of each way to part the points.
    probability
        That the run joins this one.
    slopes
        Prior of the slope.

    Returns
    -------
    Branch
        The branch with its wye.
    """
    reading, joint = one.reading, splits[0][1]
    own, weighed = joint.own, joint.weighed
    if weighed is None:
        return _within(one, joined, probability, pipe)
    row = largest(joint.weights.sum(axis=1), 1e-6)
    mixture = _mixture(splits)
    alternative = take_rows(weighed.alternatives, np.array([row]))
    vertices = _vertices(alternative, weighed, row, reading.marks.xy[0])
    sds = _across_sds(site, one, mixture, vertices)
    stations = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(vertices, axis=0).T))])
    placed = offsets_from(alternative, reading.marks.xy[:own])
    wye = _wye(site, one, pipe, joint, mixture)
    profile, slope_sd = _profile(one, wye, placed.upstream[0], slopes)
    mean, _ = mixture_moments(profile)
    # catalog turns, and what the readings say of their play
    turns = np.degrees(alternative.bend_rad[0] + weighed.shift[row, -2 * OWN_BENDS + 1 :: 2])
    inner = range(1, len(vertices) - 1)
    bends = tuple(  # downstream, as the vertices go; those of an alternative count upstream
        Bend(float(stations[i]), float(turn), float(vertices[i, 0]), float(vertices[i, 1]))
        for i, turn in zip(inner, turns[: len(inner)][::-1], strict=True)
    )
    return Branch(
        one.run.id,
        joined,
        probability,
        one.run.system,
        one.run.toward,
        vertices,
        sds,
        reading.ids[:own],
        stations[-1] - placed.upstream[0],
        placed.across[0],
        reading.ids[own:],
        bends,
        wye,
        profile,
        float(mean[1]),
        slope_sd,
        slope_sd / slopes.sd,
    )


def _vertices(alternative: Alternatives, weighed: Weighed, row: int, first: Array) -> Array:
    """Return an alternative's vertices (k, 2), upstream first, moved by what the readings say."""
    shift = weighed.shift[row]
    angle = float(alternative.angles[0] + alternative.angle_rows[0] @ shift)
    corners = [alternative.ends[0] + alternative.end_rows[0] @ shift]
    for slot in range(OWN_BENDS):
        if np.isfinite(alternative.bend_at[0, slot]):
            place = 2 * (slot - OWN_BENDS)
            back = float(alternative.bend_at[0, slot] + shift[place])
            corners.append(corners[-1] - back * lot_direction(angle))
            angle -= float(alternative.bend_rad[0, slot] + shift[place + 1])
    along = lot_direction(angle)
    # the foot of the first point, 5 cm upstream of what comes next at least
    start = corners[-1] - max(float((corners[-1] - first) @ along), 0.05) * along
    return np.stack([start, *corners[::-1]])


@dataclass(frozen=True, slots=True)
class _Mixture:
    """Those of all splits: ``weights`` (m,) sum to 1; ``shift`` (m, q), ``spread`` (m, q, q)."""

    alternatives: Alternatives
    weights: Array
    shift: Array
    spread: Array


def _mixture(splits: list[tuple[float, Joint]]) -> _Mixture:
    """Put the alternatives of several splits together."""
    parts = [(share, one.weights.sum(axis=1), one.weighed) for share, one in splits]
    held = [(share * weights, found) for share, weights, found in parts if found is not None]
    weights = np.concatenate([part for part, _ in held])
    return _Mixture(
        join_rows([found.alternatives for _, found in held]),
        weights / weights.sum(),
        np.concatenate([found.shift for _, found in held]),
        np.concatenate([found.spread for _, found in held]),
    )


def _across_sds(site: Site, one: Followed, mixture: _Mixture, vertices: Array) -> Array:
    """Return the spread (k,) of all alternatives across the pipe about the vertices drawn."""
    placed = offsets_from(mixture.alternatives, vertices)
    rows = placed.across_rows
    off = placed.across + np.einsum("mnq,mq->mn", rows, mixture.shift)
    inside = np.einsum("mnq,mqr,mnr->mn", rows, mixture.spread, rows)
    # total variance about the drawn vertices: within and between alternatives
    variance = mixture.weights @ (np.maximum(inside, 0.0) + off**2) + _shared(site, one)[0, 0]
    return np.asarray(np.sqrt(variance))


def _wye(site: Site, one: Followed, pipe: Pipe, joint: Joint, mixture: _Mixture) -> Wye:
    """Return place, invert and fitting of a wye over the whole mixture of alternatives."""
    alternatives, weights = mixture.alternatives, mixture.weights
    count = pipe.covariance.shape[0]
    # rows that take x, y and station from the unknowns
    pick = np.zeros((len(weights), 3, alternatives.angle_rows.shape[1]))  # x, y, station
    pick[:, :2], pick[:, 2, count] = alternatives.end_rows, 1.0
    means = np.column_stack([alternatives.ends, alternatives.stations])
    means = means + np.einsum("mij,mj->mi", pick, mixture.shift)
    inside = np.einsum("mij,mjk,mlk->mil", pick, mixture.spread, pick)
    inside[:, :2, :2] += _shared(site, one)
    mean = weights @ means
    away = means - mean
    total = np.einsum("m,mij->ij", weights, inside) + np.einsum("m,mi,mj->ij", weights, away, away)
    invert, variance = pipe.inverts(mean[2:])
    fall = float(mixture_moments(pipe.profile)[0][1])
    covariance = np.zeros((3, 3))
    # invert falls with the station: it varies with place by the pipe's slope
    covariance[:2, :2] = total[:2, :2]
    covariance[2, :2] = covariance[:2, 2] = -fall * total[2, :2]
    covariance[2, 2] = variance[0, 0] + fall**2 * total[2, 2]
    turn = alternatives.angles + np.einsum("mq,mq->m", alternatives.angle_rows, mixture.shift)
    _, segment = pipe.at(alternatives.stations)
    # into (−π, π]: how the branch comes in against the pipe's flow
    turn = np.angle(np.exp(1j * (pipe.angles[segment] - turn)))
    best = largest(weights, 1e-6)
    # by probability, over all alternatives
    side: Literal["left", "right"] = "left" if at_least(weights @ (turn > 0), 0.5) else "right"
    footage = _footage(one, joint)
    return Wye(
        x_m=float(mean[0]),
        y_m=float(mean[1]),
        invert_m=float(invert[0]),
        covariance=nonnegative(covariance),
        radius_95_m=_radius_95(site.seed, weights, means[:, :2], inside[:, :2, :2], mean[:2]),
        station_m=float(mean[2]),
        station_sd_m=float(np.sqrt(total[2, 2])),
        footage_m=footage,
        turn_deg=float(np.degrees(turn[best])),
        turn_sd_deg=float(np.degrees(np.sqrt(weights @ (turn - turn[best]) ** 2))),
        side=side,
        p_45=float(weights @ (alternatives.label == 0)),
        p_90=float(weights @ (alternatives.label == 1)),
    )


def _footage(one: Followed, joint: Joint) -> float | None:
    """Return the wye's mean footage on its run's counter, None without footage before it."""
    counts = one.reading.marks.counts_m[: joint.own]
    known = np.isfinite(counts)
    if joint.weighed is None or not known.any():
        return None
    # each counted point gives the footage at the wye; their mean evens out the slack
    at = (counts[known] + joint.weighed.upstream[:, known]).mean(axis=1)
    return float(joint.weights.sum(axis=1) @ at)


def _shared(site: Site, one: Followed) -> Array:
    """Return what moves all runs alike (2, 2): the building's place, and the session's shift."""
    found = bool(one.reading.marks.received.any())
    square = site.building.position_sd_m**2
    square += site.noise.session_horizontal_m**2 if found else 0.0
    return np.asarray(square * np.eye(2))


def _radius_95(seed: int, weights: Array, means: Array, covariances: Array, center: Array) -> float:
    """Return the radius about a place that holds 95 % of a mixture, by draws from it."""
    generator = np.random.default_rng(seed)
    edges = np.cumsum(share_out(weights))
    chosen = np.searchsorted(edges, generator.random(DRAWS), side="right")
    chosen = np.minimum(chosen, len(weights) - 1)
    draws = np.einsum(
        "mij,mj->mi", square_root(covariances)[chosen], generator.standard_normal((DRAWS, 2))
    )
    away = np.hypot(*(means[chosen] + draws - center).T)
    return float(weighted_quantiles(away, np.full(DRAWS, 1.0 / DRAWS), [0.95])[0])


def _profile(
    one: Followed, wye: Wye | None, upstream: Array, slopes: SlopePrior
) -> tuple[tuple[ProfileComponent, ...], float]:
    """Fit invert and slope of a run's own pipe, at its lower end; gives the slope's sd too.

    At a wye the invert is that of the pipe joined and a step up.
    """
    reading = one.reading
    known = np.flatnonzero(np.isfinite(reading.inverts_m[: len(upstream)]))
    behind, inverts = upstream[known], reading.inverts_m[known]
    sds = reading.invert_sds_m[known]
    received = reading.marks.received[known]
    # how far the locator's scale errs: in proportion to the depth below the slab
    scaled = np.where(received, -inverts, 0.0)
    if wye is not None:
        # the wye is one more reading at the lower end: invert of the pipe joined, and a step
        behind = np.append(behind, 0.0)
        inverts = np.append(inverts, wye.invert_m + WYE_STEP_M[0])
        sds = np.append(sds, np.hypot(np.sqrt(wye.covariance[2, 2]), WYE_STEP_M[1]))
        scaled = np.append(scaled, 0.0)
    depths = Depths(behind, inverts, sds, scaled, 0.0, reading.marks.degrees_of_freedom)
    profile, _, _ = learn_profile(depths, slopes)
    _, covariance = mixture_moments(profile)
    return profile, float(np.sqrt(covariance[1, 1]))


def fit_apart(one: Followed, probability: float, slopes: SlopePrior) -> Branch:
    """Return a run that joins none: a drain of its own, from its first to its last point.

    Parameters
    ----------
    one
        The run as followed.
    probability
        That the run joins none.
    slopes
        Prior of the slope.

    Returns
    -------
    Branch
        The branch.
    """
    pipe, reading = one.pipe, one.reading
    assert pipe is not None
    stations, across, _ = pipe.project(reading.marks.xy)
    vertices = np.vstack([pipe.corners[:-1], pipe.at(np.array([pipe.seen_m]))[0]])
    mean, covariance = mixture_moments(pipe.profile)
    slope_sd = float(np.sqrt(covariance[1, 1]))
    turns = np.degrees(np.diff(pipe.angles))
    bends = tuple(
        Bend(float(at), float(turn), float(x), float(y))
        for at, turn, (x, y) in zip(pipe.stations_m[1:-1], turns, pipe.corners[1:-1], strict=True)
    )
    sds = np.sqrt([_across_variance(pipe, xy) for xy in vertices])
    return Branch(
        one.run.id,
        None,
        probability,
        one.run.system,
        one.run.toward,
        vertices,
        sds,
        reading.ids,
        stations,
        across,
        (),
        bends,
        None,
        pipe.profile,
        float(mean[1]),
        slope_sd,
        slope_sd / slopes.sd,
    )


def _across_variance(pipe: Pipe, xy: Array) -> float:
    """Return the variance of a pipe across itself at a place on it."""
    _, _, segment = pipe.project(xy[None])
    shift, _ = pipe.shift_rows(xy[None], segment)
    return max(float(shift[0] @ pipe.covariance @ shift[0]), 0.0)


def _within(one: Followed, joined: str, probability: float, pipe: Pipe) -> Branch:
    """Return a run that lies wholly in another one's pipe: no pipe of its own."""
    reading = one.reading
    mean, covariance = mixture_moments(pipe.profile)
    slope_sd = float(np.sqrt(covariance[1, 1]))
    return Branch(
        one.run.id,
        joined,
        probability,
        one.run.system,
        one.run.toward,
        np.zeros((0, 2)),
        np.zeros(0),
        (),
        np.zeros(0),
        np.zeros(0),
        reading.ids,
        (),
        None,
        pipe.profile,
        float(mean[1]),
        slope_sd,
        1.0,
    )
