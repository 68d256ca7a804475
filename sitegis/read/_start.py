"""A blank site folder with instructions."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

from .._errors import BadInput, CannotWrite, Fault
from .._units import LengthUnit
from ._report import LOCATES_FILE, SITE_FILE, TIES_FILE

TEMPLATE_FILES = (SITE_FILE, LOCATES_FILE, TIES_FILE, "README.txt")
_DEPTH_UNITS: dict[str, LengthUnit] = {"ft": "in", "in": "in", "m": "mm", "mm": "mm"}


def start_site(directory: Path, units: str = "ft") -> tuple[Path, ...]:
    """Write a blank site folder, its tables set to a unit, and give the paths written.

    Never overwrites: raises ``BadInput`` where a file is there already or the unit is not
    known, ``CannotWrite`` where the folder cannot be made.
    """
    directory = Path(directory)
    if units not in _DEPTH_UNITS:
        raise BadInput((
            Fault("units-unknown", SITE_FILE, None, "site.units", units, "This unit is not known.",
                  "take one of ft, in, m, mm."),
        ))  # fmt: skip
    there = [name for name in TEMPLATE_FILES if (directory / name).exists()]
    if there:
        raise BadInput(tuple(
            Fault("file-exists", name, None, "file", "", "This file is there already.",
                  "take another folder; nothing was written.")
            for name in there
        ))  # fmt: skip
    template = resources.files("sitegis.read").joinpath("template")
    written = []
    try:
        (directory / "layers").mkdir(parents=True, exist_ok=True)
        for name in TEMPLATE_FILES:
            text = template.joinpath(name).read_text("utf-8")
            if name == SITE_FILE:
                text = re.sub(r'(?m)^units = ".*?"', f'units = "{units}"', text)
                depth = _DEPTH_UNITS[units]
                text = re.sub(r'(?m)^depth_units = ".*?"', f'depth_units = "{depth}"', text)
            with (directory / name).open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
            written.append(directory / name)
    except OSError as error:
        raise CannotWrite(f"The folder {directory} cannot be written ({error}).") from error
    return tuple(written)
