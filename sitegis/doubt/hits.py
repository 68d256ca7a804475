"""What slips take off the pits: P(hit) holds only where the input does."""

from __future__ import annotations

from dataclasses import replace

from ..model.survey import Survey


def lower_hits(survey: Survey) -> Survey:
    """Multiply the pits' P(hit) by the probability that no slip moves what is dug.

    A pit planned for the input as stated is counted a miss under every reading that moves the
    exit, its depth or the main, and under a slip in an input that nothing checks (the place of
    the house, the ground): the probability of those is given away, small as it may be.
    """
    # taken as independent: neither another reading nor a slip that nothing shows
    kept = (1.0 - survey.doubt.p_elsewhere) * (1.0 - survey.doubt.p_unchecked)
    if kept == 1.0:
        return survey
    pits = tuple(
        replace(
            pit,
            p_hit=kept * pit.p_hit,
            p_hit_so_far=kept * pit.p_hit_so_far,
            vacuum_p_hit=kept * pit.vacuum_p_hit,
            whole=pit.whole and replace(pit.whole, p_hit=kept * pit.whole.p_hit),
        )
        for pit in survey.dig.pits
    )
    return replace(survey, planned=replace(survey.dig, pits=pits))
