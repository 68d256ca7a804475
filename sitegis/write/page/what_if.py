"""The numbers with which the page can score again: ln Z with items left out, and the priors."""

from __future__ import annotations

from itertools import combinations
from typing import Any

from ...evidence import item_label
from ...model.survey import Survey
from ...score.weighed_site import NONE_LEFT_OUT, all_log_evidence, weigh_site
from ..numbers import finite

MOST_ITEMS_TOGETHER = 6


def what_if_data(survey: Survey) -> dict[str, Any]:
    """Tabulate ln Z per hypothesis (in the order of the scores) for sets of left-out items.

    p(h) ∝ prior(h) · Z(h | items kept), so the page gives the program's own numbers. Up to six
    items: every set (64 at most); more: one item at a time. A key of ``log_evidence`` is the
    sum of 2^i over the left-out items i; null stands for ln 0.
    """
    weighed = weigh_site(survey.site, survey.routes, NONE_LEFT_OUT)
    ranked = survey.scores.hypotheses
    order = [
        next(i for i, r in enumerate(survey.routes) if r.hypothesis.id == scored.hypothesis.id)
        for scored in ranked
    ]
    counted = {item.item for item in ranked[0].contributions}
    names, kinds = weighed.names, {name: item.kind for name, item in weighed.items}

    def label(name: str) -> str:
        return item_label(name, kinds.get(name, name))

    most = len(names) if len(names) <= MOST_ITEMS_TOGETHER else 1
    table = {}
    for size in range(most + 1):
        for left_out in combinations(range(len(names)), size):
            key = sum(2**i for i in left_out)
            values = all_log_evidence(weighed, frozenset(names[i] for i in left_out))
            table[str(key)] = [finite(float(values[i]), 9) for i in order]
    return {
        "items": [
            {
                "name": name,
                "label": item_label(name, kinds.get(name, name)),
                "counted": name in counted,
            }
            for name in names
        ],
        "prior": [scored.hypothesis.prior for scored in ranked],
        "log_evidence": table,
    }
