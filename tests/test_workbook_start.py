"""The blank field book and the printed field sheet."""

from __future__ import annotations

import io
import typing
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from openpyxl import load_workbook
from pypdf import PdfReader

from sitegis.cli.start import command
from sitegis.evidence import KINDS
from sitegis.messages.errors import BadInput
from sitegis.model.fields import inputs_of, tables_in
from sitegis.pipeline import check
from sitegis.read import read_site, start_site
from sitegis.read.csv_tables import LOCATE_COLUMNS, TIE_COLUMNS
from sitegis.read.field_sheet import field_sheet
from sitegis.read.schema import SiteFile
from sitegis.read.workbook.form import Sheet, load_sheets
from tests.fill_book import fill_book
from tests.read_folder import write_folder

SHEETS = {sheet.name: sheet for sheet in load_sheets()}


def keys_of(table: type, prefix: str = "") -> Iterator[str]:
    """Yield the dotted keys of a table, through nested tables but not through lists."""
    for name, annotation in inputs_of(table).items():
        single = typing.get_origin(annotation) is not typing.Annotated
        inner = list(tables_in(annotation)) if single and "tuple" not in str(annotation) else []
        if inner:
            yield from keys_of(inner[0], f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}"


def paths_of(sheet: Sheet) -> set[str]:
    return {".".join(p for p in c.path if isinstance(p, str)) for c in sheet.columns if c.name}


def test_forms_hold_every_key() -> None:
    """Every single-value key of the schema stands in a form, and nothing else does."""
    tables = {"site", "record", "lot", "building", "noise", "prior", "cost", "dig"}
    known = {
        key
        for name in tables
        for model in tables_in(inputs_of(SiteFile)[name])
        for key in keys_of(model, f"{name}.")
    }
    known -= {"lot.calls", "building.corners", "cost.surface"}
    written = paths_of(SHEETS["site"]) | paths_of(SHEETS["settings"])
    assert {key for key in written if not key.startswith("cost.surface.")} == known


@pytest.mark.parametrize(
    ("sheet", "table", "elsewhere"),
    [
        ("rooms", "room", set()),
        ("walls", "wall", set()),
        ("streets", "street", set()),
        ("mains", "main", {"manholes", "taps"}),
        ("fixtures", "fixture", set()),
        ("ground", "ground", set()),
    ],
)
def test_tables_hold_every_key(sheet: str, table: str, elsewhere: set[str]) -> None:
    """Every key of a list of tables has its column."""
    model = next(tables_in(inputs_of(SiteFile)[table]))
    own = {key for key in keys_of(model) if key.partition(".")[0] not in elsewhere}
    assert paths_of(SHEETS[sheet]) == own


def test_evidence_holds_every_key_of_every_kind() -> None:
    """The columns of evidence are the keys of all kinds; the kinds are the drop-down."""
    records = [kind.record for kind in KINDS.values()]
    assert paths_of(SHEETS["evidence"]) == {key for record in records for key in inputs_of(record)}
    assert SHEETS["evidence"].columns[0].choices == tuple(KINDS)


def test_locates_and_ties_have_the_columns_of_the_csv_files() -> None:
    """The two tables are those of the CSV files."""
    assert tuple(c.name for c in SHEETS["locates"].columns) == LOCATE_COLUMNS
    assert tuple(c.name for c in SHEETS["ties"].columns) == TIE_COLUMNS


def test_examples_are_marked() -> None:
    """Whatever example a sheet shows, its first cell begins with 'example'."""
    for sheet in SHEETS.values():
        if sheet.join != "form":
            assert all(text.startswith("example") for text in sheet.columns[0].examples)
            assert sheet.columns[0].examples


@pytest.mark.parametrize(("units", "depth_units"), [("ft", "in"), ("m", "mm")])
def test_a_blank_book_asks_for_what_is_needed(tmp_path: Path, units: str, depth_units: str) -> None:
    """A blank book names the cells to fill in first; units stand in it; heads are frozen."""
    written = start_site(tmp_path / "new", units, workbook=True)
    assert [path.name for path in written] == ["fieldbook.xlsx", "README.txt"]
    book = load_workbook(written[0])
    assert (book["site"]["B5"].value, book["site"]["B6"].value) == (units, depth_units)
    assert book["locates"].freeze_panes == "B5"
    assert book["locates"].data_validations.dataValidation
    with pytest.raises(BadInput) as caught:
        read_site(tmp_path / "new")
    # everything that a site cannot do without, in one report
    assert {f.field for f in caught.value.faults} == {
        "site!B4 (site.name)",
        "site!B7 (site.rule_set)",
        "locates (file)",
        "lot",
        "building",
        "site!B53 (lot.front_azimuth)",
        "site!B56 (lot.longitude)",
        "site!B57 (lot.latitude)",
    }


def test_a_filled_book_runs(tmp_path: Path) -> None:
    """A book filled in as a user would is placed and fitted."""
    fill_book(tmp_path / "book", write_folder(tmp_path / "text"))
    assert len(check(tmp_path / "book").placement.points) == 6


@pytest.mark.parametrize(
    ("units", "size"), [("ft", (612, 792)), ("m", (210 / 25.4 * 72, 297 / 25.4 * 72))]
)
def test_field_sheet(units: typing.Literal["ft", "m"], size: tuple[float, float]) -> None:
    """One sheet, letter (8.5 x 11 in) or A4 (210 x 297 mm): the tables' columns, then the lot."""
    reader = PdfReader(io.BytesIO(field_sheet(units)))
    page, back = reader.pages
    assert [float(page.mediabox.width), float(page.mediabox.height)] == pytest.approx(size, abs=0.1)
    text = page.extract_text()
    words = ("One-call ticket", "nobody uses water", "cross-bore", "Gloves", "Depth method",
             "Measure first", "inferred, not located")  # fmt: skip
    for word in (*LOCATE_COLUMNS, *TIE_COLUMNS, *words):
        assert word in text, word
    asked = ("Front line", "Latitude", "Accuracy", "true north", "Left wall to left line",
             "Width along the front", "Size along x", "Main from the lot line", "Check tapes",
             "inferred, not located")  # fmt: skip
    for word in asked:
        assert word in " ".join(back.extract_text().split()), word
    assert field_sheet(units) == field_sheet(units)


def test_start_with_the_sheet(tmp_path: Path) -> None:
    """The sheet comes with a blank folder, and alone into a folder that has a site."""
    runner = CliRunner()
    new = runner.invoke(command, [str(tmp_path / "new"), "--workbook", "--sheet"])
    assert new.exit_code == 0
    assert {p.name for p in (tmp_path / "new").iterdir()} == {
        "fieldbook.xlsx",
        "README.txt",
        "field-sheet.pdf",
        "layers",
    }
    text = write_folder(tmp_path / "text")
    assert runner.invoke(command, [str(text), "--sheet"]).exit_code == 0
    assert (text / "field-sheet.pdf").exists()
    assert not (text / "README.txt").exists()


@pytest.mark.parametrize(("first", "second"), [(True, False), (False, True)])
def test_never_both(tmp_path: Path, first: bool, second: bool) -> None:
    """A workbook is not started beside text files, nor text files beside a workbook."""
    start_site(tmp_path, workbook=first)
    (tmp_path / "README.txt").unlink()
    before = sorted(path.name for path in tmp_path.iterdir())
    with pytest.raises(BadInput, match="there already"):
        start_site(tmp_path, workbook=second)
    assert sorted(path.name for path in tmp_path.iterdir()) == before
