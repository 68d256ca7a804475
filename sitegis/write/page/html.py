"""``map.html``: one page with map, section and answer that opens with no network at all."""

from __future__ import annotations

import base64
import json
import re
import sys
from contextlib import suppress
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import folium
import numpy as np
from branca.element import Figure
from jinja2 import Environment, FileSystemBytecodeCache, PackageLoader, StrictUndefined
from jinja2.bccache import Bucket
from markupsafe import Markup
from xstatic.pkg import leaflet

from ...language import load_language
from ...model.derived import Profile
from ...model.survey import Survey
from ...units import LengthUnit
from ..derive import find
from ..profile import survey_profile
from ..report import report
from .dig_card import dig_card
from .map_data import map_data
from .panel import panel_context
from .reweigh_data import reweigh_data
from .section import NARROW, WIDE, Size, section_context

MAX_ZOOM = 24
TILE_HOST = "https://tile.openstreetmap.org"
_TILES = TILE_HOST + "/{z}/{x}/{y}.png"
_TILES_NATIVE_ZOOM = 19
_CREDIT = '© <a href="https://www.openstreetmap.org/copyright">OpenStreetMap</a> contributors'
_JSON_ESCAPES = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "'": "\\u0027",
                 "\u2028": "\\u2028", "\u2029": "\\u2029"}  # fmt: skip


def map_bytes(survey: Survey, *, base_map: bool = False) -> bytes:
    """Make the page: Leaflet, style, script, data and words inlined in one file.

    ``base_map`` adds street tiles (and only then may the page reach the network).

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    base_map
        Whether the page asks for a base map.

    Returns
    -------
    bytes
        The page in UTF-8.
    """
    survey = find(survey)
    profile = survey_profile(survey)
    language = load_language(survey.site.language)
    data = map_data(survey, profile) | {"finds": reweigh_data(survey, language)}
    site_map = _site_map(data["bounds"], base_map=base_map)
    figure = site_map.get_root()
    assert isinstance(figure, Figure)
    for child in figure._children.values():
        child.render()
    page = _environment().get_template("page.html")
    return page.render(
        panel_context(survey),
        card=dig_card(survey, language),
        profile=profile_svg(profile, survey.site.units),
        narrow_profile=profile_svg(profile, survey.site.units, NARROW),
        data=Markup(script_json(data)),
        policy=content_policy(base_map=base_map),
        leaflet_js=Markup(_leaflet_js()),
        leaflet_css=Markup(_leaflet_css()),
        map_js=Markup(_asset("map.js")),
        finds_js=Markup(_asset("qr.js") + _asset("finds.js")),
        map_css=Markup(_asset("map.css")),
        map_name=site_map.get_name(),
        map_div=Markup(figure.html.render()),
        map_script=Markup(figure.script.render()),
    ).encode("utf-8")


def profile_svg(profile: Profile, units: LengthUnit, size: Size = WIDE) -> Markup:
    """Draw the section as one SVG element.

    Parameters
    ----------
    profile
        The section.
    units
        Unit of the site, in which lengths are shown.
    size
        Width and height of the drawing.

    Returns
    -------
    Markup
        The SVG element.
    """
    template = _environment().get_template("section.svg")
    drawn = template.render(section_context(profile, units, size))
    return Markup(drawn.replace("\n", ""))


def report_html(survey: Survey) -> str:
    """Return the report's sections as a piece of HTML, for a notebook."""
    sections = [one for some in report(find(survey)).values() for one in some]
    return _environment().get_template("report.html").render(sections=sections)


def _site_map(bounds: list[list[float]], *, base_map: bool) -> folium.Map:
    """Make the map that folium draws; what a page by folium links to is not taken over."""
    (south, west), (north, east) = bounds
    site_map = folium.Map(
        # folium takes an array as well, and then asks for no pandas
        location=np.array([(south + north) / 2, (west + east) / 2]),  # type: ignore[arg-type]
        tiles=None,
        zoom_start=19,
        max_zoom=MAX_ZOOM,
        zoom_snap=0.25,
        zoom_delta=0.5,
        zoom_control=False,
        attribution_control=base_map,
    )
    site_map._id = "site"  # a name that is the same in every run, in place of a random one
    site_map.options["max_zoom"] = MAX_ZOOM  # folium gives it to its tiles alone
    if base_map:
        tiles = folium.TileLayer(
            _TILES, attr=_CREDIT, max_zoom=MAX_ZOOM, max_native_zoom=_TILES_NATIVE_ZOOM
        )
        tiles._id = "base"
        tiles.add_to(site_map)
    return site_map


def content_policy(*, base_map: bool) -> str:
    """Return the page's content security policy: nothing from outside, but tiles on request."""
    images = f"data: {TILE_HOST}" if base_map else "data:"
    return (
        "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
        f"img-src {images}; base-uri 'none'; form-action 'none'"
    )


def script_json(value: Any) -> str:
    r"""Write JSON that may stand in a script element: no ``<``, ``&`` or line separators.

    >>> script_json("</script>")
    '"\\u003c/script\\u003e"'
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return re.sub("[<>&'\u2028\u2029]", lambda match: _JSON_ESCAPES[match.group()], text)


class BesideModules(FileSystemBytecodeCache):
    """Keeps compiled templates where Python keeps compiled modules, and as it does: if it may."""

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Write a compiled template, unless the folder or a setting of Python forbids it.

        Parameters
        ----------
        bucket
            The template.
        """
        with suppress(OSError):  # a page is made without it, only not as quickly the next time
            if not sys.dont_write_bytecode:
                super().dump_bytecode(bucket)


@lru_cache(maxsize=1)
def _environment() -> Environment:
    compiled = None if __spec__ is None else __spec__.cached
    environment = Environment(
        loader=PackageLoader("sitegis.write.page", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=BesideModules(str(Path(compiled).parent)) if compiled else None,
    )
    environment.filters["px"] = "{:.1f}".format
    return environment


def _asset(name: str) -> str:
    return resources.files("sitegis.write.page").joinpath("assets", name).read_text("utf-8")


@lru_cache(maxsize=1)
def _leaflet_js() -> str:
    """Read Leaflet as installed, without the link to its source map, with its license.

    The code opens with its copyright notice; the installed package lacks the conditions (BSD,
    two clauses), which must go with every copy.
    """
    text = Path(leaflet.BASE_DIR, "leaflet.js").read_text("utf-8")
    notice, end, code = text.partition("*/\n")
    conditions = _asset("leaflet-license.txt")
    return f"{notice}\n{conditions}{end}" + re.sub(r"//# sourceMappingURL=\S+", "", code)


@lru_cache(maxsize=1)
def _leaflet_css() -> str:
    """Read Leaflet's style with its pictures as data, so that nothing is fetched."""
    folder = Path(leaflet.BASE_DIR)
    text = (folder / "leaflet.css").read_text("utf-8")

    def inlined(match: re.Match[str]) -> str:
        picture = base64.b64encode((folder / match.group(1)).read_bytes()).decode("ascii")
        return f"url(data:image/png;base64,{picture})"

    return re.sub(r"url\((images/[^)]+\.png)\)", inlined, text)
