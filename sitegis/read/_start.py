"""A blank site folder with instructions: text files or a workbook, and a field sheet."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

from .._errors import BadInput, CannotWrite, Fault
from .._units import LengthUnit
from ._report import BOOK_FILE, LOCATES_FILE, SITE_FILE, TIES_FILE

README_FILE, SHEET_FILE = "README.txt", "field-sheet.pdf"
TEXT_FILES = (SITE_FILE, LOCATES_FILE, TIES_FILE)
_UNITS: dict[str, tuple[LengthUnit, LengthUnit]] = {
    "ft": ("ft", "in"), "in": ("in", "in"), "m": ("m", "mm"), "mm": ("mm", "mm"),
}  # fmt: skip


def start_site(
    directory: Path, units: str = "ft", *, workbook: bool = False, sheet: bool = False
) -> tuple[Path, ...]:
    """Write a blank site folder, its tables set to a unit, and give the paths written.

    ``workbook`` writes ``fieldbook.xlsx`` in place of the three text files, ``sheet`` a printable
    field sheet beside them; where a site is there already, the sheet alone is added. Never
    overwrites: raises ``BadInput`` where a file is there already or the unit is not known,
    ``CannotWrite`` where the folder cannot be made.
    """
    directory = Path(directory)
    if units not in _UNITS:
        raise BadInput((
            Fault("units-unknown", SITE_FILE, None, "site.units", units, "This unit is not known.",
                  "take one of ft, in, m, mm."),
        ))  # fmt: skip
    chosen = (BOOK_FILE,) if workbook else TEXT_FILES
    sites = [name for name in (*TEXT_FILES, BOOK_FILE) if (directory / name).exists()]
    names = [] if sheet and not workbook and sites else [*chosen, README_FILE]
    names += [SHEET_FILE] if sheet else []
    there = [name for name in names if (directory / name).exists()]
    if chosen[0] in names:
        there += [name for name in sites if name not in there]
    if there:
        raise BadInput(tuple(
            Fault("file-exists", name, None, "file", "", "This file is there already.",
                  "take another folder; nothing was written.")
            for name in there
        ))  # fmt: skip
    contents = {name: _content(name, units) for name in names}
    try:
        (directory / "layers").mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            with (directory / name).open("xb") as file:
                file.write(content)
    except OSError as error:
        raise CannotWrite(f"The folder {directory} cannot be written ({error}).") from error
    return tuple(directory / name for name in names)


def _content(name: str, units: str) -> bytes:
    """Make one blank file."""
    unit, depth_unit = _UNITS[units]
    if name == BOOK_FILE:
        from ._book_write import blank_book  # noqa: PLC0415 - only where it is asked for

        return blank_book(unit, depth_unit)
    if name == SHEET_FILE:
        from ._field_sheet import field_sheet  # noqa: PLC0415 - only where it is asked for

        return field_sheet(unit)
    text = resources.files("sitegis.read").joinpath("template", name).read_text("utf-8")
    if name == SITE_FILE:
        text = re.sub(r'(?m)^units = ".*?"', f'units = "{unit}"', text)
        text = re.sub(r'(?m)^depth_units = ".*?"', f'depth_units = "{depth_unit}"', text)
    return text.encode()
