"""The answers that were kept in a site folder: ``revisions/R1.json`` and so on."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from ..messages.catalog import fault_of
from ..model.revisions import KeptPit, Revision
from .faults import Report, shorten
from .file_names import REVISIONS_FOLDER
from .text_files import read_text

NAME = re.compile(r"R([1-9][0-9]{0,3})\.json")
MOST_REVISIONS = 500  # judgment: a job has a handful


def read_revisions(folder: Path, report: Report) -> tuple[Revision, ...]:
    """Read the kept answers of a folder in their order; what is broken is a fault.

    Parameters
    ----------
    folder
        The site folder.
    report
        Where faults and notices are gathered.

    Returns
    -------
    tuple[Revision, ...]
        The kept answers, oldest first.
    """
    kept = folder / REVISIONS_FOLDER
    if not os.path.isdir(kept):
        return ()
    names = [name for name in os.listdir(kept) if NAME.fullmatch(name)]
    names.sort(key=lambda name: int(name[1:-5]))
    made = [_revision(kept / name, folder, report) for name in names[:MOST_REVISIONS]]
    return tuple(one for one in made if one is not None)


def _revision(path: Path, folder: Path, report: Report) -> Revision | None:
    """Read one; None with the fault gathered."""
    text = read_text(path, report, folder=folder)
    if text is None:
        return None
    name = f"{REVISIONS_FOLDER}/{path.name}"
    try:
        made: Revision = TypeAdapter(Revision).validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        report.add(fault_of("revision-broken", name, None, where or "file", "", error=first["msg"]))
        return None
    if made.id != path.stem:
        report.add(fault_of("revision-broken:name", name, None, "id", shorten(made.id)))
        return None
    return made


def pits_of(revisions: tuple[Revision, ...]) -> Mapping[str, KeptPit]:
    """Return the pits of all kept answers by their lasting ids."""
    return {pit.id: pit for revision in revisions for pit in revision.pits}
