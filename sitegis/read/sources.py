"""Where a site is written: three text files, or one workbook in their place."""

from __future__ import annotations

import os
from pathlib import Path

from ..late_dataclass import dataclass
from ..messages.catalog import fault_of
from .csv_tables import (
    FINDING_COLUMNS,
    LOCATE_COLUMNS,
    REQUIRED_FINDING,
    REQUIRED_LOCATE,
    REQUIRED_TIE,
    TIE_COLUMNS,
    Row,
    read_rows,
)
from .faults import Report, shorten
from .file_names import BOOK_FILE, FINDINGS_FILE, LOCATES_FILE, SITE_FILE, TIES_FILE
from .site_toml import Raw, load_toml

SPREADSHEETS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods", ".fods")
# What spreadsheets leave beside a file while it is open.
LOCKS = (f"~${BOOK_FILE}", f".~lock.{BOOK_FILE}#")


@dataclass(frozen=True, slots=True)
class Source:
    """The raw site, None where unreadable; what the units are read from; the tables' rows."""

    raw: Raw | None
    units_from: Raw
    locates: tuple[Row, ...] | None
    ties: tuple[Row, ...]
    findings: tuple[Row, ...] = ()


def open_source(folder: Path, report: Report) -> Source:
    """Read the workbook where there is one, else the text files; both together are a fault.

    Parameters
    ----------
    folder
        The site folder.
    report
        Where faults and notices are gathered.

    Returns
    -------
    Source
        Raw tables and where they stand.
    """
    spreadsheets = _other_spreadsheets(folder)
    if not _is_there(folder / BOOK_FILE):
        if spreadsheets and not _is_there(folder / SITE_FILE):
            report.add(
                fault_of(
                    "book-name",
                    BOOK_FILE,
                    None,
                    "file",
                    shorten(", ".join(spreadsheets)),
                    book_file=BOOK_FILE,
                )
            )
            return Source(None, {}, None, ())
        return _text_files(folder, report)
    others = [
        n for n in (SITE_FILE, LOCATES_FILE, TIES_FILE, FINDINGS_FILE) if _is_there(folder / n)
    ]
    if others:
        report.add(fault_of("two-sources", BOOK_FILE, None, "file", "", others=", ".join(others)))
        return Source(None, {}, None, ())
    if spreadsheets:
        report.note(
            "book-other",
            BOOK_FILE,
            book_file=BOOK_FILE,
            spreadsheets=shorten(", ".join(spreadsheets)),
        )
    if any(_is_there(folder / name) for name in LOCKS):
        report.note("book-open", BOOK_FILE)
    return _workbook(folder, report)


def _other_spreadsheets(folder: Path) -> list[str]:
    """Name the spreadsheets beside the field book that somebody may take for it."""
    try:
        names = sorted(os.listdir(folder))
    except OSError:
        return []  # the files in it are faulted one by one
    return [
        name
        for name in names
        if name.lower().endswith(SPREADSHEETS)
        and name != BOOK_FILE
        and not name.startswith(("~$", "."))
    ]


def _is_there(path: Path) -> bool:
    return path.is_symlink() or path.exists()


def _text_files(folder: Path, report: Report) -> Source:
    raw, units_from = load_toml(folder, report)
    locates = read_rows(folder / LOCATES_FILE, LOCATE_COLUMNS, REQUIRED_LOCATE, report)
    ties = findings = None
    if _is_there(folder / TIES_FILE):
        ties = read_rows(folder / TIES_FILE, TIE_COLUMNS, REQUIRED_TIE, report)
    if _is_there(folder / FINDINGS_FILE):
        findings = read_rows(folder / FINDINGS_FILE, FINDING_COLUMNS, REQUIRED_FINDING, report)
    return Source(raw, units_from, locates, ties or (), findings or ())


def _workbook(folder: Path, report: Report) -> Source:
    # openpyxl takes longer to import than a folder of text files to read
    from .workbook.file import read_book  # noqa: PLC0415
    from .workbook.form import load_sheets  # noqa: PLC0415
    from .workbook.tables import make_book  # noqa: PLC0415

    pages = read_book(folder / BOOK_FILE, report, folder=folder)
    if pages is None:
        return Source(None, {}, None, ())
    book = make_book(pages, load_sheets(), report)
    report.where = book.places
    raw = book.raw if "site" in pages else None
    rows = book.rows
    return Source(
        raw, book.raw, rows.get("locates"), rows.get("ties", ()), rows.get("findings", ())
    )
