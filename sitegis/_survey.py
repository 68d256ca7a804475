"""The one value that travels through the pipeline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, TypeVar

from ._dig_plan import DigPlan
from ._errors import Fault
from ._results import Drain, Exit, Placement, Routes, Scores
from ._rules import RuleSet
from ._site import Notice, Site


class Whereabouts(Protocol):
    """Tells where a fault or a notice about the text files stands in what was really read."""

    def of_fault(self, fault: Fault) -> Fault:
        """Move a fault to its place, for example a cell of the workbook."""

    def of_notice(self, notice: Notice) -> Notice:
        """Move a notice to its place."""


@dataclass(frozen=True, slots=True)
class Survey:
    """A site and what the stages have made of it so far.

    A stage takes a survey and returns it with its own block filled. The properties give a
    block and raise ``RuntimeError`` where its stage has not run: a defect in the caller.
    """

    site: Site
    rules: RuleSet
    placed: Placement | None = None
    fitted: Drain | None = None
    left_at: Exit | None = None
    sampled: tuple[Routes, ...] | None = None
    scored: Scores | None = None
    planned: DigPlan | None = None
    whereabouts: Whereabouts | None = None

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
        return _filled(self.left_at, "exit")

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
    def notices(self) -> tuple[Notice, ...]:
        """All notices so far, in pipeline order, each once.

        Those of ``read`` stand at their places already; the later stages' are moved there.
        """
        blocks = (self.placed, self.fitted, self.left_at, self.scored, self.planned)
        later = [notice for block in blocks if block is not None for notice in block.notices]
        if self.whereabouts is not None:
            later = [self.whereabouts.of_notice(notice) for notice in later]
        return tuple(dict.fromkeys((*self.site.notices, *later)))


Block = TypeVar("Block")


def _filled(block: Block | None, stage: str) -> Block:
    """Give a block that is there."""
    if block is None:
        raise RuntimeError(f"stage {stage!r} has not run yet")
    return block
