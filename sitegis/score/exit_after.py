"""The exit after all evidence: read from the same weighted routes as everything outdoors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..evidence import Aim
from ..exit import exit_notices
from ..geometry.frames import Array, wrap_radians
from ..model.results import Exit, ExitComponent, ProfileComponent
from ..model.site import Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, at_least, ordered
from ..numerics.statistics import mixture_moments
from ..routes.evidence import aims_for

NEGLIGIBLE = 1e-3
"""A component of less weight after all evidence is left out. Judgment."""


def is_held_outdoors(site: Site) -> bool:
    """Return whether anything was found, missed or located outdoors that speaks of the exit."""
    if any(item.kind == "missed" for item in site.evidence):
        return True
    held: list[Aim] = [aim for main in site.mains[:1] for aim in aims_for(site, main)]
    return any(aim.held for aim in held)


def join_exit(survey: Survey) -> Survey:
    """Put the exit after all evidence in the place of the one that the marks indoors give.

    That one stays as ``exit_from_inside``. Every component of the mixture gets the weight, mean
    and covariance that the weighted routes which left by it have, over all ways with a route
    (``unlisted`` says nothing of the exit). Where nothing outdoors was found, missed or located,
    or no route fits, the exit stays.
    """
    inside = survey.exit_from_inside
    if not is_held_outdoors(survey.site):
        return survey
    drawn = _drawn(survey)
    if drawn is None:
        return survey
    poses, component, weights = drawn
    parts = [
        _component(part, poses[component == i], weights[component == i])
        for i, part in enumerate(inside.mixture)
        if at_least(float(weights[component == i].sum()), NEGLIGIBLE)
    ]
    order = ordered([part.weight for part in parts], MATTERS_P, descending=True)
    total = sum(part.weight for part in parts)
    joint = _stated(inside, tuple(replace(parts[i], weight=parts[i].weight / total) for i in order))
    kept = tuple(one for one in inside.notices if one.code == "last-point-outside")
    joint = replace(joint, notices=(*kept, *exit_notices(joint, survey.site, inside=True)))
    return replace(survey, penetration=joint, left_inside=inside)


def _drawn(survey: Survey) -> tuple[Array, Array, Array] | None:
    """Gather pose, invert, slope (m, 5), component (m,) and weight (m,) of all weighted routes."""
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    poses, component, weights = [], [], []
    for scored in survey.scores.hypotheses:
        routes = routes_of[scored.hypothesis.id]
        if not scored.weights.any() or not routes.components.size:
            continue
        first = routes.vertices[:, 1] - routes.vertices[:, 0]
        angle = np.arctan2(first[:, 1], first[:, 0])
        poses.append(
            np.column_stack(
                [routes.vertices[:, 0], angle, routes.inverts_m[:, 0], routes.drain_slopes]
            )
        )
        component.append(routes.components)
        weights.append(scored.probability * scored.weights)
    if not poses:
        return None
    every = np.concatenate(weights)
    return np.concatenate(poses), np.concatenate(component), every / every.sum()


def _component(part: ExitComponent, poses: Array, weights: Array) -> ExitComponent:
    """Give a component the moments of the routes (m, 5) that left by it."""
    total = float(weights.sum())
    share = weights / total
    away = poses - np.array([part.x_m, part.y_m, part.angle_rad, 0.0, 0.0])
    away[:, 2] = wrap_radians(away[:, 2])
    mean = share @ away
    off = away - mean
    spread = np.einsum("m,mi,mj->ij", share, off, off)
    profile = ProfileComponent(1.0, mean[3:], spread[3:, 3:])
    return replace(
        part, weight=total, x_m=part.x_m + float(mean[0]), y_m=part.y_m + float(mean[1]),
        angle_rad=float(wrap_radians(part.angle_rad + mean[2])),
        covariance=spread[:3, :3], profile=(profile,),
    )  # fmt: skip


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
    ground = inside.depth_m + inside.invert_m
    ground_sd = np.sqrt(max(inside.depth_sd_m**2 - inside.invert_sd_m**2, 0.0))
    slope_sd = float(np.sqrt(variance[1]))
    return replace(
        inside, x_m=first.x_m, y_m=first.y_m, angle_rad=first.angle_rad, side=first.side,
        wall_index=first.wall_index, covariance=np.einsum("m,mij->ij", share, spread),
        profile=first.profile, invert_m=float(mean[0]), invert_sd_m=float(np.sqrt(variance[0])),
        slope=float(mean[1]), slope_sd=slope_sd,
        slope_sd_ratio=inside.slope_sd_ratio * slope_sd / max(inside.slope_sd, 1e-9),
        depth_m=ground - float(mean[0]),
        depth_sd_m=float(np.hypot(np.sqrt(variance[0]), ground_sd)),
        unseen_m=max(first.unseen_m, 0.0), components=components,
        bend_share=sum(part.weight for part in components if part.turn_deg != 0.0),
    )  # fmt: skip
