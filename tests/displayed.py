"""What people read of this program: screens, pages, records, files, templates, messages, help."""

from __future__ import annotations

import io
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import click
import ezdxf
import pypdf
from click.testing import CliRunner
from openpyxl import load_workbook

from sitegis.cli.main import cli as command
from sitegis.messages.catalog import catalog
from sitegis.model.survey import Survey
from sitegis.place.report import adjustment_lines, point_lines
from sitegis.read import interview, start_site
from sitegis.write import summary_lines

PACKAGE = Path(__file__).parents[1] / "sitegis"


class _Visible(HTMLParser):
    """The text of a page: no scripts and styles; labels for a screen reader are text too."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.inside: str = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside = tag
        self.texts += [value or "" for name, value in attrs if name in ("aria-label", "title")]

    def handle_data(self, data: str) -> None:
        if self.inside not in ("script", "style"):
            self.texts.append(data)


def page_text(page: str) -> str:
    """Return what a page shows, its data's labels and its program's texts included."""
    parser = _Visible()
    parser.feed(page)
    data = re.search(r'<script type="application/json" id="survey-data">(.*?)</script>', page, re.S)
    words = list(_words(json.loads(data[1]))) if data else []
    return "\n".join([*parser.texts, *words])


def _words(value: Any, key: str = "") -> Iterator[str]:
    """Yield the texts of the page's data that it shows."""
    if isinstance(value, dict):
        for name, item in value.items():
            yield from _words(item, name)
    elif isinstance(value, list):
        for item in value:
            yield from _words(item, key)
    elif isinstance(value, str) and key in ("words", "label", "name", "percent"):
        yield value


def pdf_text(content: bytes) -> str:
    """Return the text of all pages, its lines joined."""
    pages = pypdf.PdfReader(io.BytesIO(content)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def outputs_of(survey: Survey, files: Mapping[str, bytes]) -> Iterator[tuple[str, str]]:
    """Yield what a run shows of one site, by where it stands."""
    yield "screen", "\n".join(summary_lines(survey))
    yield "messages", "\n".join(notice.message for notice in survey.notices)
    adjustment, units = survey.placement.adjustment, survey.site.units
    lines = adjustment_lines(adjustment, units), point_lines(survey.placement.points, units)
    yield "check --points", "\n".join(line for part in lines for line in part)
    yield "map.html", page_text(files["map.html"].decode())
    yield "record.pdf", pdf_text(files["record.pdf"])
    for name in ("lateral.kml", "lateral.gpx"):
        root = ElementTree.fromstring(files[name])
        folders = {
            one.text
            for folder in root.iter()
            if folder.tag.endswith("Folder")
            for one in folder
            if one.tag.endswith("name")
        }
        texts = [text for text in root.itertext() if text not in folders]  # layers' own names
        yield name, "\n".join(texts)
    yield "stakeout.csv", files["stakeout.csv"].decode()
    drawing = ezdxf.read(io.StringIO(files["lateral.dxf"].decode()))  # type: ignore[attr-defined]
    texts = drawing.modelspace().query("TEXT MTEXT")
    sheet = [text for layout in drawing.layouts for text in layout.query("TEXT MTEXT")]
    yield "lateral.dxf", "\n".join(text.dxf.text for text in [*texts, *sheet])


def templates(folder: Path) -> Iterator[tuple[str, str]]:
    """Yield what the blank folder, the workbook and the field sheet show; keys are left out."""
    start_site(folder / "text", "ft")
    start_site(folder / "book", "ft", workbook=True)
    start_site(folder / "sheet", "ft", sheet=True)
    yield "README.txt", (folder / "text" / "README.txt").read_text("utf-8")
    toml = (folder / "text" / "site.toml").read_text("utf-8").splitlines()
    yield "site.toml", "\n".join(line.rpartition("# ")[2] for line in toml if "# " in line)
    book = load_workbook(folder / "book" / "fieldbook.xlsx")
    cells = [str(cell.value) for page in book for row in page.iter_rows() for cell in row]
    yield "fieldbook.xlsx", "\n".join(text for text in cells if " " in text)
    yield "field-sheet.pdf", pdf_text((folder / "sheet" / "field-sheet.pdf").read_bytes())


def questions() -> Iterator[tuple[str, str]]:
    """Yield what ``start --ask`` asks."""
    every = (*interview.SITE, *interview.LOT, *interview.BUILDING, *interview.ROOM,
             *interview.STREET, *interview.POINT)  # fmt: skip
    yield "start --ask", "\n".join(question.words for question in every)


def city_outputs(folder: Path) -> Iterator[tuple[str, str]]:
    """Yield what a run of ``city`` shows of the invented town: screen, map, page for the desk."""
    town = PACKAGE.parent / "fixtures" / "invented-town" / "CITY.toml"
    page, desk = folder / "city.html", folder / "city.pdf"
    ran = CliRunner().invoke(command, [
        "city", str(town), "--out", str(folder / "town.gpkg"), "--map", str(page),
        "--summary", str(desk),
    ])  # fmt: skip
    assert ran.exit_code in (0, 1), ran.output
    yield "screen", ran.output.replace(str(folder), "")
    yield "city.html", page_text(page.read_text("utf-8"))
    yield "city.pdf", pdf_text(desk.read_bytes())


def help_texts() -> Iterator[tuple[str, str]]:
    """Yield the help of every command."""
    assert isinstance(command, click.Group)
    for name in command.list_commands(click.Context(command)):
        one = command.get_command(click.Context(command), name)
        assert one is not None
        yield f"sitegis {name} --help", one.get_help(click.Context(one, info_name=name))


def messages() -> Iterator[tuple[str, str]]:
    """Yield every sentence of the catalog."""
    for kind in ("fault", "notice"):
        for name, message in catalog(kind).items():  # type: ignore[arg-type]
            yield name, f"{message.says} {message.remedy}"


def sources() -> Iterator[tuple[str, str]]:
    """Yield the documents, and the texts of the page's program and of the blank CITY.toml."""
    for path in (PACKAGE.parent / "README.md", PACKAGE / "messages" / "MESSAGES.md"):
        yield path.name, re.sub(r"`[^`]*`", "", path.read_text("utf-8"))
    program = (PACKAGE / "write" / "page" / "assets" / "map.js").read_text("utf-8")
    yield "map.js", "\n".join(text for text in re.findall(r'"([^"\n]*)"', program) if " " in text)
    yield "CITY.toml", (PACKAGE / "city" / "blank.toml").read_text("utf-8")
    form = tomllib.loads((PACKAGE / "read" / "template" / "fieldbook.toml").read_text("utf-8"))
    yield "fieldbook.toml", "\n".join(sheet["title"] for sheet in form["sheet"])
