"""Stage ``branches``: which runs join which, the trunk fitted to all that lies on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from ..line import fit_line
from ..line.profile import SlopePrior, slope_prior
from ..model.branches import Branches
from ..model.results import Placement
from ..model.survey import Survey
from ..numerics.ordering import LOG, MATTERS_M, MATTERS_P, at_least, largest, ordered, smallest
from ..numerics.statistics import log_sum, normalized_weights
from ..place.crew import with_locator_scale
from .branch import fit_apart, fit_branch, wye_station
from .joining import Joint, apart, joint_of, joints, likeliest, total_evidence
from .notices import branch_notices
from .pipes import Pipe
from .runs import Followed, follow_run, read_run
from .topology import Forest, find_crossings, named, probability_of, weigh_forests
from .trunk import Member, own_members, trunk_members, trunk_placement

_NEVER, LEAST_SPLIT = -1e9, 0.02


def fit_drains(survey: Survey) -> Survey:
    """Fit the building drain: of one run as ever, of several as a tree of pipes.

    The trunk is the run that others join, and is fitted by :func:`sitegis.line.fit_line` to its
    own points and to those of other runs past their wyes, their footage brought to its zero.
    Points before a wye take no part in it. ``ComputationError`` as there.
    """
    site = survey.site
    if not site.runs:
        return fit_line(survey)
    # noise as stated at first: the trunk, fitted last, teaches how much it really is
    placement = with_locator_scale(survey.placement, 1.0)
    slopes = slope_prior(survey.rules, site.drain_diameter_m)
    followed = [
        one for run in site.runs if (one := follow_run(site, placement, run, slopes)) is not None
    ]
    # nothing to join: one run that gives a direction, or none
    if sum(one.pipe is not None for one in followed) == 0 or len(followed) < 2:
        one = next((one for one in followed if one.pipe is not None), None)
        if one is None:
            return fit_line(survey)
        return _fit_trunk(survey, placement, own_members(one), one)
    return _fit_tree(survey, placement, followed, slopes)


def _fit_tree(
    survey: Survey, placement: Placement, followed: list[Followed], slopes: SlopePrior
) -> Survey:
    """Weigh all the trees in which the runs can join, and fit the most probable one."""
    site = survey.site
    runs = [one.run for one in followed]

    @cache
    def found(i: int, j: int) -> tuple[tuple[Joint, ...], ...]:
        """Weigh run i on every pipe that run j may have."""
        return tuple(
            tuple(joints(followed[i].reading, pipe, slopes)) for _, pipe in followed[j].pipes
        )

    def onto(i: int, j: int, k: int | None) -> float:
        """Return ln Z of run i on the own pipe of run j, upstream of where j joins k.

        Over all the ways in which j may bend: which one it is is not known before i is held
        against it.
        """
        logs = [_NEVER]
        for (share, _), weighed in zip(followed[j].pipes, found(i, j), strict=True):
            # prior share of this bend times what run i says on it
            total = float(np.log(share)) + total_evidence(list(weighed))
            # j's own pipe ends where it joins k: beyond that i would join k
            if k is not None and followed[k].pipes:
                alternative = found(j, k)[_likeliest_pipe(followed, found, [j], k)]
                most = wye_station(followed[j], likeliest(list(alternative)))
                total += _log_share_before(list(weighed), most)
            logs.append(max(total, _NEVER))
        return log_sum(np.array(logs))

    # never -inf: were all forests impossible, their weights would be NaN
    alone = np.array([max(apart(one.reading, slopes), _NEVER) for one in followed])
    listed, weights = weigh_forests(runs, alone, onto)
    joins = listed[0]
    root = _trunk_of(followed, joins)
    bent = [
        _likeliest_pipe(followed, found, [i for i, joined in enumerate(joins) if joined == j], j)
        for j in range(len(joins))
    ]
    # the likeliest split of each run that joins: what is its own pipe, what lies in the one joined
    splits = {
        i: likeliest(list(found(i, j)[bent[j]])) for i, j in enumerate(joins) if j is not None
    }
    laid = [
        replace(one, pipes=one.pipes[alternative : alternative + 1])
        for one, alternative in zip(followed, bent, strict=True)
    ]
    on_trunk = trunk_members(laid, joins, splits, root)
    fitted = _fit_trunk(survey, placement, on_trunk, followed[root])
    part = trunk_placement(site, placement, on_trunk, runs[root])
    pipes = [one.pipe for one in laid]
    # the trunk as fitted to all that lies on it, which the wyes are then placed on
    pipes[root] = read_run(site, part, runs[root], slopes)[1][0][1]
    branches = []
    # a wye needs the pipe that it is on: downstream first
    for i in _downstream_first(joins):
        j = joins[i]
        share = probability_of(listed, weights, i, j)
        pipe = None if j is None else pipes[j]
        # also a run of one point has a wye on the pipe it joins
        if j is not None and pipe is not None:
            entry = _entry_of(found(i, j)[bent[j]], followed[i], pipe, slopes, fitted=j == root)
            branches.append(fit_branch(site, followed[i], runs[j].id, pipe, entry, share, slopes))
        elif i != root and followed[i].pipe is not None:
            branches.append(fit_apart(followed[i], share, slopes))
    # points of other runs that the trunk was fitted to as well
    ids = tuple(name for name, _ in on_trunk if name not in followed[root].reading.ids)
    block = Branches(
        runs[root].id,
        ids,
        tuple(branches),
        named(runs, listed, weights),
        find_crossings(runs, listed, weights, fitted.drain, branches, runs[root].id),
    )
    notices = tuple(branch_notices(site, block, [one.reading for one in followed]))
    return replace(fitted, joined=replace(block, notices=notices))


def _entry_of(
    found: Sequence[Joint], one: Followed, pipe: Pipe, slopes: SlopePrior, *, fitted: bool
) -> list[tuple[float, Joint]]:
    """Weigh the likely splits of a run anew on the pipe joined as it is handed on."""
    return [
        (
            weight,
            alternative
            if alternative.weighed is None
            else joint_of(one.reading, pipe, slopes, alternative.own, fitted=fitted),
        )
        for weight, alternative in _likely_splits(found)
    ]


def _likeliest_pipe(
    followed: list[Followed],
    found: Callable[[int, int], Sequence[Sequence[Joint]]],
    joining: Sequence[int],
    j: int,
) -> int:
    """Choose how run j bends by its own points and by the runs ``joining`` it.

    Of equal ones the likelier by its own points.
    """
    logs = np.array([np.log(share) for share, _ in followed[j].pipes] or [0.0])
    for i in joining:
        logs = logs + [
            max(total_evidence(list(alternative)), _NEVER) for alternative in found(i, j)
        ]
    return largest(logs, LOG)


def _likely_splits(found: Sequence[Joint]) -> list[tuple[float, Joint]]:
    """Choose the splits of at least 2 %, of the kind of the likeliest, that one first."""
    weights = normalized_weights(np.array([one.log_evidence for one in found]))
    order = ordered(weights, MATTERS_P, descending=True)
    # pipes and no pipes cannot be mixed in one drawing
    wholly = found[order[0]].weighed is None
    return [
        (float(weights[i]), found[i])
        for i in order
        if (found[i].weighed is None) == wholly and at_least(weights[i], LEAST_SPLIT)
    ]


def _log_share_before(weighed: list[Joint], most_m: float) -> float:
    """Return the log of the probability that the wye lies upstream of a station."""
    logs = np.array([one.log_evidence for one in weighed])
    shares = np.exp(logs - logs.max())
    before = np.array(
        [
            float(at_least(most_m, one.first_m, MATTERS_M))
            if one.weighed is None
            else float(
                one.weights.sum(axis=1)
                @ at_least(most_m, one.weighed.alternatives.stations, MATTERS_M)
            )
            for one in weighed
        ]
    )
    return float(np.log(max(shares @ before / shares.sum(), 1e-30)))


def _trunk_of(followed: list[Followed], joins: Forest) -> int:
    """Choose the building drain among the runs that join none.

    No storm drain where there is another; then the one most runs come to, then the longest (1 mm),
    then the first.
    """
    roots = [i for i, j in enumerate(joins) if j is None and followed[i].pipe is not None]
    if not roots:
        roots = [i for i, one in enumerate(followed) if one.pipe is not None]

    def under(root: int) -> int:
        # all that come to it, however many joints away, ring by ring
        count, ring = 0, [root]
        while ring:
            ring = [i for i, j in enumerate(joins) if j in ring]
            count += len(ring)
        return count

    pipes = [followed[i].pipe for i in roots]
    lengths = [0.0 if pipe is None else -pipe.seen_m for pipe in pipes]
    storm = [float(followed[i].run.system == "storm") for i in roots]
    fewer = [-float(under(i)) for i in roots]
    # storm outweighs any number of runs, a run any length under a house
    keys = np.array(storm) * 1e6 + np.array(fewer) * 1e3 + np.array(lengths)
    return roots[smallest(keys, MATTERS_M)]


def _downstream_first(joins: Forest) -> list[int]:
    """Order runs so that what each joins comes before it."""
    done: list[int] = []
    while len(done) < len(joins):
        done += [i for i, j in enumerate(joins) if i not in done and (j is None or j in done)]
    return done


def _fit_trunk(
    survey: Survey, placement: Placement, members: list[Member], one: Followed
) -> Survey:
    """Fit the trunk with stage ``line``, and give all points the noise that it learned."""
    part = trunk_placement(survey.site, placement, members, one.run)
    fitted = fit_line(replace(survey, placed=part))
    square = fitted.placement.locator_square
    return replace(fitted, placed=with_locator_scale(placement, square))
