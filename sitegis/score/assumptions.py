"""Every default reliability and prior that was used, said in sentences with its numbers."""

from __future__ import annotations

from .._evidence import Dye, Era, Evidence, Neighbours, PermitDrawing, Sound
from .._site import Site
from ..routes.evidence import DEFAULTS
from ..routes.hypotheses import prior_words
from . import tables
from .case import Case
from .words import name_hypothesis, name_main

SOURCE = "judgement, no source"


def list_assumptions(case: Case) -> tuple[str, ...]:
    """List the assumptions in force, priors first; each once."""
    sentences = [*_priors(case), *_evidence(case), *_shared(case)]
    if case.left_out:
        sentences.insert(0, f"What if: left out {', '.join(sorted(case.left_out))}.")
    return tuple(dict.fromkeys(sentences))


def _priors(case: Case) -> list[str]:
    """Say the weights in force and the prior that each hypothesis gets from them."""
    shown = ", ".join(
        f"{name_hypothesis(routes.hypothesis, case.site)} {100 * routes.hypothesis.prior:.1f} %"
        for routes in sorted(case.routes, key=lambda r: -r.hypothesis.prior)
    )
    return [*prior_words(case.site), f"So before any evidence: {shown}."]


def _evidence(case: Case) -> list[str]:
    """Say what each item of evidence was taken to be worth."""
    return [
        sentence for _, item in case.items if (sentence := _sentence(item, case.site)) is not None
    ]


def _sentence(item: Evidence, site: Site) -> str | None:
    """Say the number behind one item, None where there is none."""
    if item.kind in DEFAULTS:
        return _route_item_sentence(item)
    if isinstance(item, PermitDrawing):
        return (
            f"permit-drawing: it shows the right main with probability "
            f"{_given(item.reliability, tables.PERMIT_RELIABILITY)}; a wrong one repeats the "
            f"habit of the block with {tables.PERMIT_FROM_HABIT:g} ({SOURCE})."
        )
    if isinstance(item, Neighbours):
        return (
            f"neighbours: if {name_main(item.main, site)} is the habit of the block, "
            f"{100 * tables.NEIGHBOUR_MEAN:.0f} % of neighbours drain there (as sure as "
            f"{tables.NEIGHBOUR_STRENGTH:g} neighbours; {SOURCE})."
        )
    return _era_sentence(item, site) if isinstance(item, Era) else None


def _route_item_sentence(item: Evidence) -> str:
    """Say the default that stage ``routes`` used for an item, or what was given instead."""
    default = DEFAULTS[item.kind]
    given = getattr(item, "reliability", None)
    numbers = [f"reliability {_given(given, default.reliability)}"]
    if default.sd_m > 0.0:
        numbers.append(f"sd in m {_given(getattr(item, 'sd_m', None), default.sd_m)}")
    words = "" if given is not None else f": {default.words}"
    return f"{item.kind.replace('_', '-')}{words} ({'; '.join(numbers)})."


def _given(value: float | None, default: float) -> str:
    """Say a reliability and where it is from."""
    return f"{default:g} by default, {SOURCE}" if value is None else f"{value:g} as given"


def _era_sentence(item: Era, site: Site) -> str:
    """Say what the year built was taken to tell."""
    if tables.era_in_prior(site, "alley") and tables.era_in_prior(site, "side_yard"):
        return (
            f"era: the year built ({item.year_built}) is already in the prior: not counted again."
        )
    alley = tables.era_factor(item.year_built, tables.ERA_ALLEY)
    yard = tables.era_factor(item.year_built, tables.ERA_SIDE_YARD)
    return (
        f"era: in {item.year_built} an alley main was the habit ×{alley:g} as often as where "
        f"no year is known, a side-yard run ×{yard:g} ({SOURCE})."
    )


def _shared(case: Case) -> list[str]:
    """Say what correlated items were taken to share."""
    kinds = [item.kind for _, item in case.items]
    sentences = []
    if {"era", "neighbours", "permit_drawing"} & set(kinds):
        sentences.append(
            f"A lateral follows the habit of its block with probability {tables.FOLLOWS_HABIT:g}; "
            f"era, neighbours and drawings made from habit share that ({SOURCE})."
        )
    if sum(kind in ("permit_drawing", "tap_record") for kind in kinds) > 1:
        sentences.append(
            f"Permit drawings and tap records come out of one archive: {tables.SHARED_ARCHIVE:g} "
            f"of the chance that the best is wrong is shared by all ({SOURCE})."
        )
    manholes = [item.manhole for _, item in case.items if isinstance(item, Dye | Sound)]
    if len(manholes) > len(set(manholes)):
        sentences.append(
            f"Dye and sound at one manhole share {tables.SHARED_MANHOLE:g} of the chance that "
            f"the better one misses ({SOURCE})."
        )
    return sentences
