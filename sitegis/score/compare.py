"""The mains side by side, for whoever has to choose where to look."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.derived import MainComparison
from ..model.results import Routes, ScoredHypothesis, Scores
from ..model.site import Main, Site, Street
from ..model.survey import Survey
from ..routes.hypotheses import toward_of
from .particles import lot_crossings
from .words import NEGLIGIBLE_BITS, name_main

# judgment, no source: below one in a thousand no check is worth asking for
RULED_OUT = 0.001


@dataclass(frozen=True, slots=True)
class _Figures:
    """Posterior means over the routes of one main; nan where there is none."""

    length_m: float
    fall_m: float
    slope: float
    arrival_m: float
    cover_m: float
    private_m: float


def compare_mains(survey: Survey) -> tuple[MainComparison, ...]:
    """Lay the mains side by side, most probable first; stage ``score`` must have run.

    Posterior means over the weighted routes of all ways to a main.
    """
    rows = [_compare(main, survey) for main in survey.site.mains]
    return tuple(sorted(rows, key=lambda row: (-round(row.probability, 9), row.main)))


def _compare(main: Main, survey: Survey) -> MainComparison:
    """Put the row of one main together."""
    alternatives = [s for s in survey.scores.hypotheses if s.hypothesis.main == main.id]
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    probability = float(sum(alternative.probability for alternative in alternatives))
    figures = _figures(alternatives, routes_of, survey.site)
    best = alternatives[0] if alternatives else None
    contributions = best.contributions if best is not None else ()
    why_none = "; ".join(
        dict.fromkeys(
            w
            for alternative in alternatives
            if (w := routes_of[alternative.hypothesis.id].why_none)
        )
    )
    return MainComparison(
        main=main.id,
        name=name_main(main.id, survey.site),
        toward=toward_of(main.side),
        probability=probability,
        best_way=best.hypothesis.id if best is not None else "",
        speaks_for=tuple(item for item in contributions if item.bits > NEGLIGIBLE_BITS),
        speaks_against=tuple(item for item in contributions if item.bits < -NEGLIGIBLE_BITS),
        length_m=_known(figures.length_m),
        fall_m=_known(figures.fall_m),
        slope=_known(figures.slope),
        arrival_above_main_m=_known(figures.arrival_m),
        cover_m=_known(figures.cover_m),
        private_m=_known(figures.private_m),
        public_m=_known(figures.length_m - figures.private_m),
        opening=_opening(main, survey.site.streets),
        ruled_out_by=_telling_check(main, probability, survey.scores),
        why_none=why_none,
    )


def _known(value: float) -> float | None:
    """Return a number, None where there is none."""
    return float(value) if np.isfinite(value) else None


def _figures(
    ways: Sequence[ScoredHypothesis], routes_of: dict[str, Routes], site: Site
) -> _Figures:
    """Average the routes of all ways to one main by their posterior weights."""
    parts, weights = [], []
    for alternative in ways:
        routes = routes_of[alternative.hypothesis.id]
        if alternative.best is not None:
            parts.append(_route_figures(routes, site))
            # ways too improbable for a number still have figures of their own
            weights.append(alternative.weights * max(alternative.probability, 1e-300))
    if not parts:
        return _Figures(*(float("nan"),) * 6)
    values, weight = np.concatenate(parts, axis=1), np.concatenate(weights)
    means = []
    for row in values:
        # a route that never leaves the lot has no cover there: averaged over those that have one
        known = np.isfinite(row)
        total = float(weight[known].sum())
        means.append(float(row[known] @ weight[known]) / total if total > 0.0 else float("nan"))
    return _Figures(*means)


def _route_figures(routes: Routes, site: Site) -> Array:
    """Return length, fall, slope, arrival, cover and private length of each route, (6, m)."""
    fall = routes.inverts_m[:, 0] - routes.inverts_m[:, -1]
    slope = fall / np.maximum(routes.lengths_m, 1e-9)
    crossings = lot_crossings(routes.vertices, routes.inverts_m, site.lot.vertices)
    cover = np.full(len(fall), np.nan)
    leaves = np.isfinite(crossings.along_m)
    if leaves.any():
        # cover is over the pipe's crown, here where it leaves the lot
        top = crossings.inverts_m[leaves] + site.drain_diameter_m
        cover[leaves] = site.ground.elevation_m(crossings.places[leaves]) - top
    return np.stack([routes.lengths_m, fall, slope, routes.arrivals_m, cover, crossings.run_m])


def _opening(main: Main, streets: Sequence[Street]) -> str:
    """Say what a repair at the main would open."""
    street = next((s for s in streets if s.name == main.street), None)
    if street is None:
        return f"the {main.kind} surface (not on record)"
    return f"{street.name}: {street.kind}, {street.surface}"


def _telling_check(main: Main, probability: float, scores: Scores) -> str:
    """Name the check that tells most about this main."""
    if probability < RULED_OUT:
        return "nothing more is needed: it is as good as ruled out"
    nothing = "no check in the catalog distinguishes this main from another"
    return scores.telling.get(main.id, nothing)
