"""The one value that travels through the pipeline."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import numpy as np

from ..messages.errors import Fault, Notice
from ..rules.rule_set import RuleSet
from .branches import Branches
from .doubts import Doubt
from .results import Drain, Exit, Placement, Routes, Scores
from .site import Site

if TYPE_CHECKING:
    from .derived import Derived
    from .dig_plan import DigPlan


class Whereabouts(Protocol):
    """Where a fault or a notice about the text files stands in what was really read."""

    def of_fault(self, fault: Fault) -> Fault:
        """Move a fault to its place, for example a cell of the workbook."""

    def of_notice(self, notice: Notice) -> Notice:
        """Move a notice to its place."""


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Survey:
    """A site and what the stages have made of it so far; equal to another by content.

    A stage takes a survey and returns it with its own block filled. The properties give a
    block and raise ``RuntimeError`` where its stage has not run: a defect in the caller.
    """

    site: Site
    rules: RuleSet
    placed: Placement | None = None
    fitted: Drain | None = None
    penetration: Exit | None = None
    sampled: tuple[Routes, ...] | None = None
    scored: Scores | None = None
    planned: DigPlan | None = None
    found: Derived | None = None
    left_inside: Exit | None = None
    joined: Branches | None = None
    whereabouts: Whereabouts | None = None
    doubted: Doubt | None = None

    @property
    def placement(self) -> Placement:
        """The block of stage ``place``."""
        return _filled(self.placed, "place")

    @property
    def drain(self) -> Drain:
        """The block of stage ``line``."""
        return _filled(self.fitted, "line")

    @property
    def exit(self) -> Exit:
        """The block of stage ``exit``."""
        return _filled(self.penetration, "exit")

    @property
    def exit_from_inside(self) -> Exit:
        """The exit as the marks indoors alone give it, before anything found outdoors."""
        return self.exit if self.left_inside is None else self.left_inside

    @property
    def doubt(self) -> Doubt:
        """The block of stage ``doubt``."""
        return _filled(self.doubted, "doubt")

    @property
    def routes(self) -> tuple[Routes, ...]:
        """The block of stage ``routes``."""
        return _filled(self.sampled, "routes")

    @property
    def scores(self) -> Scores:
        """The block of stage ``score``."""
        return _filled(self.scored, "score")

    @property
    def dig(self) -> DigPlan:
        """The block of stage ``dig``."""
        return _filled(self.planned, "dig")

    @property
    def derived(self) -> Derived:
        """What the outputs tell beyond the other blocks, from :func:`sitegis.write.find`."""
        return _filled(self.found, "find")

    @property
    def notices(self) -> tuple[Notice, ...]:
        """All notices so far, in pipeline order, each once.

        Those of ``read`` stand at their places already; the later stages' are moved there.
        """
        blocks = (
            self.placed,
            self.fitted,
            self.joined,
            self.penetration,
            self.doubted,
            self.scored,
            self.planned,
        )
        later = [notice for block in blocks if block is not None for notice in block.notices]
        if self.whereabouts is not None:
            later = [self.whereabouts.of_notice(notice) for notice in later]
        return tuple(dict.fromkeys((*self.site.notices, *later)))

    def __repr__(self) -> str:
        """Name the site and the blocks that are filled."""
        filled = [one.name for one in fields(self)[2:] if getattr(self, one.name) is not None]
        return f"<Survey {self.site.name!r}: {', '.join(filled) or 'read'}>"

    def __eq__(self, other: object) -> bool:
        """Compare block by block, arrays element by element.

        What follows from the other blocks, and where it was read from, is no part.
        """
        if not isinstance(other, Survey):
            return NotImplemented
        names = [one.name for one in fields(self) if one.name not in ("found", "whereabouts")]
        return all(_equal(getattr(self, name), getattr(other, name)) for name in names)

    __hash__ = None  # type: ignore[assignment]  # it holds arrays


def _equal(one: Any, other: Any) -> bool:
    """Compare records, sequences, mappings and arrays by content; NaN equals NaN."""
    if type(one) is not type(other):
        return False
    if isinstance(one, np.ndarray):
        return bool(np.array_equal(one, other, equal_nan=one.dtype.kind == "f"))
    # not the records' own ==, which compares arrays to an array
    if is_dataclass(one):
        return all(_equal(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, Mapping):
        return one.keys() == other.keys() and all(_equal(one[key], other[key]) for key in one)
    if isinstance(one, list | tuple):
        return len(one) == len(other) and all(map(_equal, one, other))
    # NaN is the only value that differs from itself
    return bool(one == other or (one != one and other != other))  # noqa: PLR0124


Block = TypeVar("Block")


def _filled(block: Block | None, stage: str) -> Block:
    """Return a block that is there."""
    if block is None:
        raise RuntimeError(f"stage {stage!r} has not run yet")
    return block
