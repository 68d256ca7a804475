"""Every default reliability and prior that was used, said in sentences with its numbers."""

from __future__ import annotations

from ..branches.topology import join_words
from ..evidence import SOURCE, AtManhole, FromArchive, OfPractice
from ..finds.kinds import kind_of
from ..model.site import Site
from ..routes.bends import bend_words
from ..routes.draw import near_words
from ..routes.hypotheses import prior_words
from ..routes.unlisted import REACH_M
from ..units import about
from . import tables
from .weighed_site import WeighedSite
from .words import name_hypothesis, name_main


def list_assumptions(weighed: WeighedSite) -> tuple[str, ...]:
    """List the assumptions in force, priors first; each once."""
    sentences = [
        *_priors(weighed),
        bend_words(),
        near_words(),
        *_evidence(weighed),
        *_shared(weighed),
        price_words(weighed.site),
        *join_words(weighed.site),
    ]
    if weighed.left_out:
        sentences.insert(0, f"What if: left out {', '.join(sorted(weighed.left_out))}.")
    return tuple(dict.fromkeys(sentences))


def price_words(site: Site) -> str:
    """Say what digging was taken to cost."""
    dig, unit = site.dig, site.units
    words = (
        f"Prices of a pit ({dig.currency}): {dig.setup:,.0f} to set up, {dig.per_m3:,.0f} a cubic "
        f"meter dug, {dig.per_m3_protected:,.0f} where the depth asks for a protective system"
    )
    if dig.hand_lift_m is None:
        return f"{words}; a machine lifts the soil."
    lift = about(dig.hand_lift_m, unit)
    return (
        f"{words}; dug by hand, soil from deeper than {lift} is handled again for each further "
        f"{lift} (common practice, no source; a machine: cost.dug_by)."
    )


def _priors(weighed: WeighedSite) -> list[str]:
    """Say the weights in force and the prior that each hypothesis gets from them."""
    shown = ", ".join(
        f"{name_hypothesis(routes.hypothesis, weighed.site)} {100 * routes.hypothesis.prior:.1f} %"
        for routes in sorted(weighed.routes, key=lambda r: -round(r.hypothesis.prior, 9))
    )
    return [*prior_words(weighed.site), f"Prior of each alternative: {shown}."]


def _evidence(weighed: WeighedSite) -> list[str]:
    """Say what each item of evidence was taken to be worth."""
    return [
        kind_of(item).assumption(
            item, weighed.site, name_main(getattr(item, "main", ""), weighed.site)
        )
        for _, item in weighed.items
    ]


def _shared(weighed: WeighedSite) -> list[str]:
    """Say what correlated items were taken to share."""
    causes = [kind_of(item).cause for _, item in weighed.items]
    sentences = []
    drawn = any(item.kind == "permit_drawing" for _, item in weighed.items)
    if drawn or any(isinstance(cause, OfPractice) for cause in causes):
        sentences.append(
            f"A lateral joins the main that its block mostly joins with probability "
            f"{tables.FOLLOWS_PRACTICE:g}; era, neighbors and unsure drawings share that "
            f"({SOURCE})."
        )
    if sum(isinstance(cause, FromArchive) for cause in causes) > 1:
        sentences.append(
            "Permit drawings and connection records come out of one archive: "
            f"{tables.SHARED_ARCHIVE:g} of the probability that the best is wrong is shared by "
            f"all ({SOURCE})."
        )
    manholes = [
        getattr(item, "manhole", "")
        for (_, item), cause in zip(weighed.items, causes, strict=True)
        if isinstance(cause, AtManhole)
    ]
    if len(manholes) > len(set(manholes)):
        sentences.append(
            f"Dye and acoustic test at one manhole share {tables.SHARED_MANHOLE:g} of the "
            f"probability that the better one misses ({SOURCE})."
        )
    sentences.append(
        "Pits, holes that missed and what was found are held against a lateral to a main not on "
        "record along its first straight, at most "
        f"{about(REACH_M, weighed.site.units)} from the wall ({SOURCE})."
    )
    return sentences
