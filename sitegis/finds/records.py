"""What was dug, opened or located outdoors, as frozen records; and the revisions kept of a site.

Lengths in meters, lot coordinates; ``direction_rad`` is a lot angle, either way along the pipe.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, get_args

from ..late_dataclass import dataclass
from ..model.site import Evidence, Site

__all__ = [
    "METS",
    "WORKS",
    "Finding",
    "Found",
    "Met",
    "Missed",
    "Work",
    "without_findings",
]

Work = Literal["test-pit", "vacuum-hole", "trench", "locate", "cleanout", "connection"]
WORKS: tuple[Work, ...] = get_args(Work)
Met = Literal["yes", "no", "water", "gas", "storm", "electric", "telecom", "other"]
METS: tuple[Met, ...] = get_args(Met)


@dataclass(frozen=True, slots=True)
class Finding(Evidence):
    """One row of ``findings.csv``.

    ``x_m, y_m`` is where the pipe was found, or the middle of the hole where it was not, with
    ``sd_m`` per axis; ``placed`` says by what. A hole of ``length_m`` by ``width_m`` has its
    length at ``angle_rad`` from lot x and was dug to ``dug_to_m`` below the ground; 0 and None
    where there is none. ``met`` is what was found: this drain, nothing, or another pipe.
    ``ties`` are the taped distances that placed it, by the name of the point they are from.
    ``photo_taken`` is when its photo says that it was taken, on the camera's own clock, and
    ``photo_off_m`` how far from this place.
    """

    id: str
    work: Work
    x_m: float
    y_m: float
    sd_m: float
    placed: str
    met: Met
    angle_rad: float = 0.0
    length_m: float = 0.0
    width_m: float = 0.0
    dug_to_m: float | None = None
    depth_to_invert_m: float | None = None
    depth_to_top_m: float | None = None
    direction_rad: float | None = None
    diameter_m: float | None = None
    material: str = ""
    date: str = ""
    note: str = ""
    photo: str = ""
    photo_taken: str = ""
    photo_off_m: float | None = None
    at_pit: str = ""
    ties: tuple[tuple[str, float], ...] = ()
    row: int = 0
    kind: str = ""

    @property
    def hole(self) -> tuple[float, float, float, float, float]:
        """The hole in plan: center x, y, angle, length, width."""
        return self.x_m, self.y_m, self.angle_rad, self.length_m, self.width_m

    @property
    def has_hole(self) -> bool:
        """Whether ground was opened over an area that is known."""
        return min(self.length_m, self.width_m) > 0.0

    @property
    def exposed(self) -> bool:
        """Whether somebody saw the pipe, rather than located it from above."""
        return self.kind == "found" and self.work != "locate"


@dataclass(frozen=True, slots=True)
class Found(Finding):
    """The drain was found."""

    kind: Literal["found"] = "found"


@dataclass(frozen=True, slots=True)
class Missed(Finding):
    """The drain was looked for and not found."""

    kind: Literal["missed"] = "missed"


def without_findings(site: Site, ids: frozenset[str]) -> Site:
    """Return the site as if some findings had never been made: nothing seen, no hole dug.

    Parameters
    ----------
    site
        The site as read.
    ids
        Ids of the findings left out.

    Returns
    -------
    Site
        The site without them.
    """
    kept = tuple(i for i in site.evidence if not (isinstance(i, Finding) and i.id in ids))
    return replace(site, evidence=kept) if ids else site


@dataclass(frozen=True, slots=True)
class FindJudgment:
    """What a finding is taken for after all evidence, and what it was worth.

    ``p_drain`` is the probability that what was found is this drain (0 of a miss). ``off_m`` and
    ``below_m`` are how far the routes passed beside it and how much higher they had the
    invert, before it was counted (medians; nan where not measured). ``causes`` are what else
    explains it, with probabilities. ``worth`` is the expected cost of digging that it saves.
    """

    finding: Finding
    p_drain: float
    off_m: float
    below_m: float
    causes: tuple[tuple[str, float], ...]
    worth: float
