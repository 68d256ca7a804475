"""The exit after all evidence: read from the same weighted routes as everything outdoors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..evidence import Aim
from ..exit import exit_notices
from ..finds.ground import deep_finds, ground_error
from ..geometry import polyline
from ..geometry.frames import Array, lot_direction, wrap_radians
from ..model.results import Drain, Exit, ExitComponent, Placement, ProfileComponent
from ..model.site import Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, at_least, ordered
from ..numerics.statistics import mixture_moments
from ..routes.likelihoods import aims_for

NEGLIGIBLE = 1e-3
"""A component of less weight after all evidence is left out. Judgment."""
TINY = 1e-300
LEAST_TURN_RAD = float(np.radians(5.0))
"""Straights of the drain that differ by less meet nowhere in particular. Judgment."""


def is_held_outdoors(site: Site) -> bool:
    """Return whether anything was found, missed or located outdoors that speaks of the exit."""
    if any(item.kind == "missed" for item in site.evidence):
        return True
    held: list[Aim] = [aim for main in site.mains[:1] for aim in aims_for(site, main)]
    return any(aim.held for aim in held)


def join_exit(survey: Survey) -> Survey:
    """Put the exit after all evidence in the place of the one that the marks indoors give.

    That one stays as ``exit_from_inside``. Every component of the mixture gets the weight, mean
    and covariance that the weighted routes which left by it have, over all ways, ``unlisted`` by
    its first straights; what has no route keeps what the marks give by its own probability.
    The drain's last straight is laid anew, so that it meets that exit. Where nothing outdoors was
    found, missed or located, or no route fits, the exit stays.
    """
    inside = survey.exit_from_inside
    if not is_held_outdoors(survey.site):
        return survey
    drawn = _drawn(survey)
    if drawn is None:
        return survey
    poses, component, weights, errors = drawn
    # what has no route keeps the exit from the marks alone
    rest = max(1.0 - float(weights.sum()), 0.0)
    total = sum(part.weight for part in inside.mixture)
    parts = [
        _component(
            replace(part, weight=rest * part.weight / total),
            poses[component == i],
            weights[component == i],
        )
        for i, part in enumerate(inside.mixture)
    ]
    parts = [part for part in parts if at_least(part.weight, NEGLIGIBLE)]
    order = ordered([part.weight for part in parts], MATTERS_P, descending=True)
    total = sum(part.weight for part in parts)
    joint = _stated(inside, tuple(replace(parts[i], weight=parts[i].weight / total) for i in order))
    if deep_finds(survey.site):
        joint = _known_depth(joint, inside, poses[:, 3], errors, weights)
    # the other notices are said anew of the joint exit; this one is of the marks
    kept = tuple(one for one in inside.notices if one.code == "last-point-outside")
    joint = replace(joint, notices=(*kept, *exit_notices(joint, survey.site, inside=True)))
    drain = survey.fitted
    if drain is not None and survey.placed is not None:
        drain = meet_exit(drain, survey.placed, joint)
    return replace(survey, fitted=drain, penetration=joint, left_inside=inside)


def meet_exit(drain: Drain, placement: Placement, joint: Exit) -> Drain:
    """Return the drain with its last straight in line with the exit after all evidence.

    As it runs straight on to the wall, that straight is the exit's own line: its end is the foot of
    the old one, and the bend before it is where it meets the straight above. A drain that bends
    on its way to the wall stays.

    Parameters
    ----------
    drain
        Fitted building drain.
    placement
        Points placed in the lot, with their covariance.
    joint
        Exit after all evidence.

    Returns
    -------
    Drain
        The drain.
    """
    if joint.mixture[0].turn_deg != 0.0:
        return drain
    here, along = np.array([joint.x_m, joint.y_m]), lot_direction(joint.angle_rad)
    # a copy: the drain's own array is frozen with its record
    vertices = np.array(drain.vertices)
    # the last straight's ends brought onto the exit's line
    feet = here + ((vertices[-2:] - here) @ along)[:, None] * along
    vertices[-1] = feet[1]
    vertices[-2] = feet[0] if len(vertices) == 2 else _corner(vertices, here, along, feet[0])
    places = [placement.points[placement.index(name)] for name in drain.point_ids]
    xy = np.array([(point.x_m, point.y_m) for point in places])
    _, station, segment = polyline.line_locate_point(vertices, xy)
    start, toward = vertices[segment], polyline.directions(vertices)[segment]
    offset = toward[:, 0] * (xy - start)[:, 1] - toward[:, 1] * (xy - start)[:, 0]
    passed = polyline.stations(vertices)[1:-1]
    turns = wrap_radians(np.diff(np.arctan2(*np.diff(vertices, axis=0).T[::-1])))
    bends = tuple(
        replace(
            bend,
            station_m=float(at),
            angle_deg=float(np.degrees(turn)),
            x_m=float(corner[0]),
            y_m=float(corner[1]),
        )
        for bend, at, turn, corner in zip(drain.bends, passed, turns, vertices[1:-1], strict=True)
    )
    return replace(
        drain,
        vertices=vertices,
        stations_m=station,
        offsets_m=offset,
        bends=bends,
        end_angle_rad=joint.angle_rad,
    )


def _known_depth(
    joint: Exit, inside: Exit, inverts_m: Array, errors: Array, weights: Array
) -> Exit:
    """Return an exit with the depth below the ground as finds with a depth tell of it.

    ``errors`` (m, 2): mean and sd of how much the ground at the wall is higher than mapped, given
    each route with its invert (m,) and weight (m,); the rest keeps the site's own sd.
    """
    ground = inside.depth_m + inside.invert_m
    rest = max(1.0 - float(weights.sum()), 0.0)
    own = max(inside.depth_sd_m**2 - inside.invert_sd_m**2, 0.0)
    mean, sd = errors.T
    higher = float(weights @ mean)
    # Var(e − invert) = Var(e) + Var(invert) − 2 Cov, the rest's mean of e being 0
    together = float(weights @ ((mean - higher) * (inverts_m - joint.invert_m)))
    together += rest * -higher * (inside.invert_m - joint.invert_m)
    spread = float(weights @ (mean**2 + sd**2)) + rest * own - higher**2
    variance = joint.invert_sd_m**2 + spread - 2.0 * together
    return replace(
        joint,
        depth_m=ground + higher - joint.invert_m,
        depth_sd_m=float(np.sqrt(max(variance, 0.0))),
    )


def _corner(vertices: Array, here: Array, along: Array, foot: Array) -> Array:
    """Return where the straight before the last one meets the line through ``here``."""
    step = vertices[-2] - vertices[-3]
    length = float(np.hypot(*step))
    cross = (step[0] * along[1] - step[1] * along[0]) / max(length, 1e-9)
    if abs(cross) < np.sin(LEAST_TURN_RAD):
        return foot
    gap = here - vertices[-3]
    share = (gap[0] * along[1] - gap[1] * along[0]) / (cross * length)
    corner = vertices[-3] + share * step
    # neither before its own straight begins nor past the end of the last one
    fits = share > 0.0 and float((vertices[-1] - corner) @ along) > 0.0
    return np.asarray(corner if fits else foot)


def _drawn(survey: Survey) -> tuple[Array, Array, Array, Array] | None:
    """Gather pose, invert, slope (m, 5), component (m,) and weight (m,) of all weighted routes.

    Last the ground's error at the wall, mean and sd (m, 2).

    The weights sum to the probability of the ways that have a route.
    """
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    poses, component, weights, errors = [], [], [], []
    for scored in survey.scores.hypotheses:
        routes = routes_of[scored.hypothesis.id]
        if not scored.weights.any() or not routes.components.size:
            continue
        # components are drawn with the pose, so that the first straight is the exit's direction
        first = routes.vertices[:, 1] - routes.vertices[:, 0]
        angle = np.arctan2(first[:, 1], first[:, 0])
        poses.append(
            np.column_stack(
                [routes.vertices[:, 0], angle, routes.inverts_m[:, 0], routes.drain_slopes]
            )
        )
        wall = ground_error(survey.site, routes.vertices, routes.inverts_m, routes.vertices[:, 0])
        errors.append(np.column_stack(wall))
        component.append(routes.components)
        weights.append(scored.probability * scored.weights)
    if not poses:
        return None
    gathered = [np.concatenate(one) for one in (poses, component, weights, errors)]
    return gathered[0], gathered[1], gathered[2], gathered[3]


def _component(part: ExitComponent, poses: Array, weights: Array) -> ExitComponent:
    """Return a component the moments of the routes (m, 5) that left by it, and of its own share.

    ``part.weight`` is the share that keeps what the marks give.
    """
    # about the component's own pose: angles near ±π then average as differences
    away = poses - np.array([part.x_m, part.y_m, part.angle_rad, 0.0, 0.0])
    away[:, 2] = wrap_radians(away[:, 2])
    total = part.weight + float(weights.sum())
    share = weights / max(total, TINY)
    # the part that keeps what the marks give, shared over the profile as before
    own = np.array([one.weight for one in part.profile]) * part.weight / max(total, TINY)
    own = own / max(sum(one.weight for one in part.profile), TINY)
    kept = np.array([[0.0, 0.0, 0.0, *one.mean] for one in part.profile])
    mean = share @ away + own @ kept
    off, off_kept = away - mean, kept - mean
    # weighted second moments about the joint mean, of routes and of what is kept
    spread = np.einsum("m,mi,mj->ij", share, off, off)
    spread += np.einsum("m,mi,mj->ij", own, off_kept, off_kept)
    spread[:3, :3] += own.sum() * part.covariance
    spread[3:, 3:] += np.einsum("m,mij->ij", own, np.stack([c.covariance for c in part.profile]))
    profile = ProfileComponent(1.0, mean[3:], spread[3:, 3:])
    return replace(
        part,
        weight=total,
        x_m=part.x_m + float(mean[0]),
        y_m=part.y_m + float(mean[1]),
        angle_rad=float(wrap_radians(part.angle_rad + mean[2])),
        covariance=spread[:3, :3],
        profile=(profile,),
    )


def _stated(inside: Exit, components: tuple[ExitComponent, ...]) -> Exit:
    """State an exit from its components, as :func:`sitegis.exit.find_exit` does."""
    first = components[0]
    same = [part for part in components if part.wall_index == first.wall_index]
    share = np.array([part.weight for part in same])
    share = share / share.sum()
    away = np.array(
        [(p.x_m - first.x_m, p.y_m - first.y_m, p.angle_rad - first.angle_rad) for p in same]
    )
    away[:, 2] = wrap_radians(away[:, 2])
    spread = np.stack([part.covariance for part in same]) + np.einsum("mi,mj->mij", away, away)
    mean, variance = mixture_moments(
        share,
        np.stack([part.profile[0].mean for part in same]),
        np.stack([np.diag(part.profile[0].covariance) for part in same]),
    )
    # the ground over the exit and its own spread, which no find changes
    ground = inside.depth_m + inside.invert_m
    ground_sd = np.sqrt(max(inside.depth_sd_m**2 - inside.invert_sd_m**2, 0.0))
    slope_sd = float(np.sqrt(variance[1]))
    return replace(
        inside,
        x_m=first.x_m,
        y_m=first.y_m,
        angle_rad=first.angle_rad,
        side=first.side,
        wall_index=first.wall_index,
        covariance=np.einsum("m,mij->ij", share, spread),
        profile=first.profile,
        invert_m=float(mean[0]),
        invert_sd_m=float(np.sqrt(variance[0])),
        slope=float(mean[1]),
        slope_sd=slope_sd,
        # still against the slope's prior, of which only the ratio is handed on
        slope_sd_ratio=inside.slope_sd_ratio * slope_sd / max(inside.slope_sd, 1e-9),
        depth_m=ground - float(mean[0]),
        depth_sd_m=float(np.hypot(np.sqrt(variance[0]), ground_sd)),
        unseen_m=max(first.unseen_m, 0.0),
        components=components,
        bend_share=sum(part.weight for part in components if part.turn_deg != 0.0),
    )
