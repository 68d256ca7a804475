"""The page's table of ln Z: complete, and consistent with the scores."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.special import softmax

from sitegis.evidence import Dye
from sitegis.write.page.reweigh_data import what_if_data

from .filled import filled_survey


def test_every_set_of_left_out_items_is_tabulated() -> None:
    """Five items (the geometry and four of evidence): all 32 sets, each with every way."""
    data = what_if_data(filled_survey())
    assert len(data["items"]) == 5
    assert set(data["log_evidence"]) == {str(key) for key in range(32)}
    assert {len(row) for row in data["log_evidence"].values()} == {3}


def test_many_items_are_tabulated_one_at_a_time() -> None:
    """Past six items the sets of one are there, so that the page stays small."""
    survey = filled_survey()
    more = tuple(Dye("front-main-MH1", True, 10.0 + i) for i in range(5))
    names = [f"dye-{i}" for i in range(2, 7)]
    routes = tuple(
        dataclasses.replace(
            block,
            log_likelihoods={
                **block.log_likelihoods,
                **dict.fromkeys(names, np.zeros(len(block.vertices))),
            },
        )
        for block in survey.routes
    )
    site = dataclasses.replace(survey.site, evidence=(*survey.site.evidence, *more))
    data = what_if_data(dataclasses.replace(survey, site=site, sampled=routes))
    assert len(data["items"]) == 10
    assert set(data["log_evidence"]) == {"0", *(str(2**i) for i in range(10))}


def test_an_item_the_run_left_out_starts_unticked() -> None:
    """What was not counted in the answer is marked so."""
    data = what_if_data(filled_survey())
    counted = {item["name"] for item in data["items"] if item["counted"]}
    assert counted == {"tap_record", "dye", "cleanout_outside"}


def test_priors_times_evidence_are_probabilities() -> None:
    """softmax (scipy) of ln prior + ln Z sums to 1 and keeps the order of the ways."""
    data = what_if_data(filled_survey())
    row = np.array([-np.inf if v is None else v for v in data["log_evidence"]["0"]])
    p = softmax(np.log(data["prior"]) + row)
    assert p.sum() == pytest.approx(1.0, abs=1e-12)
    assert data["prior"] == [0.6, 0.35, 0.05]
