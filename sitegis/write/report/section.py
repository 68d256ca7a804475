"""A part of the report, as every renderer takes it."""

from __future__ import annotations

from ...late_dataclass import dataclass
from ...model.derived import EvidenceClass

Cells = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the report: its ``title``, a table of ``rows`` under ``head``, and ``sentences``.

    Each row has as many cells as ``head``. ``evidence_class`` is that of all its values; the title
    says so where it is ``inferred``.
    """

    title: str
    head: Cells = ()
    rows: tuple[Cells, ...] = ()
    sentences: Cells = ()
    evidence_class: EvidenceClass = "inferred"
