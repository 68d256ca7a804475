"""A blank site folder with instructions: text files or a workbook, and a field sheet."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

from ..language import load_language
from ..messages.catalog import fault_of
from ..messages.errors import BadInput, CannotWrite
from ..rules.rule_set import rule_set_names, soil_types
from ..units import FOOT_M, INCH_M, LengthUnit, is_imperial
from .file_names import BOOK_FILE, FINDINGS_FILE, LOCATES_FILE, SITE_FILE, TIES_FILE

README_FILE, SHEET_FILE = "README.txt", "field-sheet.pdf"
TEXT_FILES = (SITE_FILE, LOCATES_FILE, TIES_FILE, FINDINGS_FILE)
_UNITS: dict[str, tuple[LengthUnit, LengthUnit]] = {
    "ft": ("ft", "in"),
    "in": ("in", "in"),
    "m": ("m", "mm"),
    "mm": ("mm", "mm"),
}
_LENGTH = re.compile(r"""(?<![\w.'])("?)(\d+(?:\.\d+)?) (ft|in)\b\1""")


def start_site(
    directory: Path,
    units: str = "ft",
    *,
    workbook: bool = False,
    sheet: bool = False,
    language: str = "en",
) -> tuple[Path, ...]:
    """Write a blank site folder, its tables set to a unit, and give the paths written.

    ``workbook`` writes ``fieldbook.xlsx`` in place of the three text files, ``sheet`` a printable
    field sheet in a ``language`` beside them; where a site is there already, the sheet alone is
    added. Never overwrites: raises ``BadInput`` where a file is there already or the unit is not
    known, ``CannotWrite`` where the folder cannot be made.

    Parameters
    ----------
    directory
        Folder to make or fill.
    units
        Unit of lengths.
    workbook
        Whether one workbook stands for the three files.
    sheet
        Whether a field sheet is added.
    language
        Language of the field sheet.

    Returns
    -------
    tuple[Path, ...]
        Paths written.

    Raises
    ------
    BadInput
        A file is there already, or the unit is not known.
    CannotWrite
        The folder or a file cannot be made.
    """
    directory = Path(directory)
    if units not in _UNITS:
        raise BadInput((fault_of("units-unknown", SITE_FILE, None, "site.units", units),))
    chosen = (BOOK_FILE,) if workbook else TEXT_FILES
    sites = [name for name in (*TEXT_FILES, BOOK_FILE) if (directory / name).exists()]
    # a sheet alone may be added to a site that is there
    names = [] if sheet and not workbook and sites else [*chosen, README_FILE]
    names += [SHEET_FILE] if sheet else []
    there = [name for name in names if (directory / name).exists()]
    # neither form may be added where the other one stands
    if chosen[0] in names:
        there += [name for name in sites if name not in there]
    if there:
        raise BadInput(tuple(fault_of("file-exists", name, None, "file", "") for name in there))
    contents = {name: _content(name, units, language) for name in names}
    try:
        (directory / "layers").mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            # x: fails where somebody was quicker
            with (directory / name).open("xb") as file:
                file.write(content)
    except OSError as error:
        raise CannotWrite(f"The folder {directory} cannot be written ({error}).") from error
    return tuple(directory / name for name in names)


def _content(name: str, units: str, language: str) -> bytes:
    """Make one blank file."""
    unit, depth_unit = _UNITS[units]
    if name == BOOK_FILE:
        from .workbook.blank import blank_book  # noqa: PLC0415 - only where it is asked for

        return blank_book(unit, depth_unit)
    if name == SHEET_FILE:
        from .field_sheet import field_sheet  # noqa: PLC0415 - only where it is asked for

        return field_sheet(unit, load_language(language))
    text = _template(name)
    if name == SITE_FILE:
        text = text.replace("{rule_sets}", ", ".join(rule_set_names()))
        text = text.replace("{evidence}", _template("evidence.toml").rstrip())
        text = text.replace("{soil_types}", ", ".join(soil_types()))
        text = re.sub(r'(?m)^units = ".*?"', f'units = "{unit}"', text)
        text = re.sub(r'(?m)^depth_units = ".*?"', f'depth_units = "{depth_unit}"', text)
        text = text if is_imperial(unit) else _metric_examples(text)
    return text.encode()


def _template(name: str) -> str:
    return resources.files("sitegis.read").joinpath("template", name).read_text("utf-8")


def _metric_examples(text: str) -> str:
    """Return the examples of a blank site in meters and millimeters; how to write lengths stays."""
    # above [site] it says how to write lengths: examples in feet stay there
    before, site, after = text.partition("\n[site]\n")
    return before + site + "\n".join(_metric_line(line) for line in after.split("\n"))


def _metric_line(line: str) -> str:
    """Return the lengths of one line in meters and millimeters, its comment in the same column.

    >>> _metric_line('offset = "33 ft"   # outward')
    'offset = "10.1 m"  # outward'
    """
    found = re.match(r"(.*?\S) {2,}(#.*)$", line)
    key, comment = found.groups() if found else (line, "")
    key, comment = (_LENGTH.sub(_metric_length, part) for part in (key, comment))
    column = len(line) - len(found[2]) if found else 0
    return f"{key:<{column - 2}}  {comment}" if found else key


def _metric_length(found: re.Match[str]) -> str:
    """Return a length in feet to the decimeter, one in inches to 5 mm or, from 100 mm on, to 50."""
    quote, number = found[1], float(found[2])
    if found[3] == "ft":
        return f"{quote}{number * FOOT_M:.1f} m{quote}"
    length_mm = number * INCH_M * 1000.0
    step = 50 if length_mm >= 100.0 else 5
    return f"{quote}{step * round(length_mm / step)} mm{quote}"
