"""Keep an answer in the site folder, so that what is dug next can be told by its pits.

``revisions/R1.json`` and so on, one more only where the inputs changed since the last. Nothing
that the user wrote is touched, and no kept answer is ever written over.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
import tempfile
from pathlib import Path

import numpy as np

from ..finds.records import Finding
from ..messages.errors import CannotWrite
from ..model.dig_plan import Pit
from ..model.revisions import KeptPit, Revision
from ..model.survey import Survey
from ..read.file_names import (
    BOOK_FILE,
    FINDINGS_FILE,
    LOCATES_FILE,
    REVISIONS_FOLDER,
    SITE_FILE,
    TIES_FILE,
)
from .derive import find
from .found import status
from .numbers import json_bytes

INPUTS = (SITE_FILE, LOCATES_FILE, TIES_FILE, FINDINGS_FILE, BOOK_FILE)


def keep_revision(survey: Survey, folder: Path) -> Path | None:
    """Write the next revision of a site folder; None where its inputs are those of the last.

    Raises ``CannotWrite`` where that fails.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    folder
        The site folder.

    Returns
    -------
    Path | None
        Path of the revision, None where nothing is new.

    Raises
    ------
    CannotWrite
        The revision cannot be written.
    """
    digest = inputs_digest(folder)
    kept = survey.site.revisions
    # asking twice makes no second revision
    if kept and kept[-1].inputs == digest:
        return None
    number = 1 + max((int(one.id[1:]) for one in kept), default=0)
    revision = revision_of(survey, f"R{number}", digest)
    path = folder / REVISIONS_FOLDER / f"{revision.id}.json"
    try:
        path.parent.mkdir(exist_ok=True)
        # a link named revisions may lead anywhere: nothing is written outside the folder
        if not path.parent.resolve().is_relative_to(folder.resolve()):
            raise CannotWrite(f"{path.parent} leads out of the site folder.")
        # whole or not at all: written beside, brought to disk, then given its name
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".kept-") as staged:
            staged.write(json_bytes(dataclasses.asdict(revision)))
            staged.flush()
            os.fsync(staged.fileno())
            os.chmod(staged.name, 0o644)
            os.link(staged.name, path)  # fails where the name is taken, unlike a rename
    except OSError as error:
        raise CannotWrite(f"The answer cannot be kept as {path} ({error}).") from error
    return path


def inputs_digest(folder: Path) -> str:
    """Return the SHA-256 of all inputs of a site folder, names and contents, layers too."""
    names = [name for name in INPUTS if (folder / name).is_file()]
    layers = folder / "layers"
    names += sorted(
        path.relative_to(folder).as_posix() for path in layers.rglob("*") if path.is_file()
    )
    total = hashlib.sha256()
    # name and length before each content, so that no two folders run into the same bytes
    for name in names:
        content = (folder / name).read_bytes()
        total.update(f"{name}\0{len(content)}\0".encode())
        total.update(content)
    return total.hexdigest()


def revision_of(survey: Survey, name: str, digest: str) -> Revision:
    """Return what is kept of an answer; its date is the latest of the findings, else the survey's.

    Lengths to 0.1 mm and probabilities to six decimals, as they are written.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    name
        Name of the revision.
    digest
        Digest of the inputs.

    Returns
    -------
    Revision
        The revision.
    """
    survey = find(survey)
    findings = [one for one in survey.site.evidence if isinstance(one, Finding)]
    dates = [one.date for one in findings if one.date] or [survey.site.surveyed_on]
    penetration = survey.exit
    first = survey.scores.hypotheses[0].hypothesis
    tap = next((one for one in survey.derived.taps if one.main.id == first.main), None)
    return Revision(
        id=name,
        date=max(dates),
        inputs=digest,
        status=status(survey),
        findings=tuple(one.id for one in findings),
        exit_x_m=round(penetration.x_m, 4),
        exit_y_m=round(penetration.y_m, 4),
        azimuth_deg=round(survey.site.frame.azimuth_deg(penetration.angle_rad), 4),
        invert_m=round(penetration.invert_m, 4),
        main=first.main or "",
        station_m=None if tap is None else round(tap.station_m, 4),
        probabilities=tuple(
            (one.hypothesis.id, round(one.probability, 6)) for one in survey.scores.hypotheses
        ),
        pits=tuple(_kept(pit, name) for pit in survey.dig.pits),
    )


def _kept(pit: Pit, name: str) -> KeptPit:
    """Return a pit with its lasting id: its length lies along the first side of its ring."""
    sides = np.diff(np.concatenate([pit.ring, pit.ring[:1]]), axis=0)[:2]
    length, width = (float(one) for one in np.hypot(*sides.T))
    return KeptPit(
        id=f"{name}-P{pit.rank}",
        x_m=round(pit.x_m, 4),
        y_m=round(pit.y_m, 4),
        angle_rad=round(float(np.arctan2(sides[0, 1], sides[0, 0])), 6),
        length_m=round(length, 4),
        width_m=round(width, 4),
        depth_m=round(pit.depth_m, 4),
        p_hit=round(pit.p_hit, 6),
    )
