"""A permit drawing that shows the lateral going to a main."""

from __future__ import annotations

from typing import Annotated, Literal

from ..late_dataclass import dataclass
from ..model.fields import Ask, Name
from ..model.site import Evidence, Site
from . import kind as parts

# Judgment, no source; the second is how often a wrong drawing was made from usual practice.
RELIABILITY = 0.80
FROM_PRACTICE = 0.50


@dataclass(frozen=True, slots=True)
class PermitDrawing(Evidence):
    """A permit drawing shows the lateral going to a main."""

    main: Annotated[Name, Ask("front-main")]
    reliability: parts.Trust = None
    kind: Literal["permit_drawing"] = "permit_drawing"


def if_wrong(item: PermitDrawing, block_main: str, site: Site) -> float:
    """Return P(it shows this main | it is wrong): drawn from usual practice, or any main.

    Parameters
    ----------
    item
        Item of evidence.
    block_main
        Id of the main that the block uses.
    site
        The site as read.

    Returns
    -------
    float
        Probability.
    """
    # drawn from practice it shows the block's main, else any
    anywhere = 1.0 / max(len(site.mains), 1)
    return FROM_PRACTICE * (item.main == block_main) + (1.0 - FROM_PRACTICE) * anywhere


def assumed(item: PermitDrawing, site: Site, main: str) -> str:
    """Say what the drawing was taken to be worth.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.
    main
        Name of the main.

    Returns
    -------
    str
        The sentence.
    """
    return (
        f"permit-drawing: it shows the right main with probability "
        f"{parts.value_words(item.reliability, RELIABILITY)}; a wrong one shows what "
        f"the block mostly joins with {FROM_PRACTICE:g} ({parts.SOURCE})."
    )


KIND = parts.EvidenceKind(
    record=PermitDrawing,
    label="permit drawing",
    words="a permit drawing that shows the lateral",
    on_route=None,
    cause=parts.FromArchive(RELIABILITY, if_wrong),
    check=parts.as_it_is,
    aims=parts.nowhere,
    mark=None,
    assumed=assumed,
)
