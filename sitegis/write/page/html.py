"""``map.html``: one page with map, section and answer that opens with no network at all."""

from __future__ import annotations

import base64
import json
import re
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import folium
from branca.element import Figure, MacroElement
from folium.template import Template
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from xstatic.pkg import leaflet

from ...model.survey import Survey
from ..derive import find
from ..profile import profile_svg, survey_profile
from .map_data import map_data
from .panel import panel_context

MAX_ZOOM = 24
TILE_HOST = "https://tile.openstreetmap.org"
_TILES = TILE_HOST + "/{z}/{x}/{y}.png"
_TILES_NATIVE_ZOOM = 19
_CREDIT = '© <a href="https://www.openstreetmap.org/copyright">OpenStreetMap</a> contributors'
_JSON_ESCAPES = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "'": "\\u0027",
                 "\u2028": "\\u2028", "\u2029": "\\u2029"}  # fmt: skip


class Page(Figure):
    """The whole page; its own template in place of branca's, whose links go to the network."""

    def __init__(self, context: dict[str, Any]) -> None:
        super().__init__()
        self.header._children.clear()
        self.context = context

    def render(self, **kwargs: Any) -> str:
        """Render the map's parts, then the page about them (HTML-escaped by the template)."""
        for child in self._children.values():
            child.render(**kwargs)
        parts = {
            "header": Markup(self.header.render(**kwargs)),
            "map_div": Markup(self.html.render(**kwargs)),
            "script": Markup(self.script.render(**kwargs)),
        }
        return _environment().get_template("page.html").render(**self.context, **parts)


class SiteMap(folium.Map):
    """A folium map without the libraries folium links to: only Leaflet is needed."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012 - folium declares them so
    default_css: list[tuple[str, str]] = []  # noqa: RUF012
    _template = Template(
        """
        {% macro header(this, kwargs) %}{% endmacro %}
        {% macro html(this, kwargs) %}
            <div class="folium-map" id={{ this.get_name()|tojson }} role="application"
                 aria-label="Map of the lot; arrow keys move it, plus and minus zoom"></div>
        {% endmacro %}
        {% macro script(this, kwargs) %}
            const {{ this.get_name() }} = L.map({{ this.get_name()|tojson }}, {
                center: {{ this.location|tojson }}, ...{{ this.options|tojavascript }}
            });
            L.control.scale({maxWidth: 160}).addTo({{ this.get_name() }});
        {% endmacro %}
        """
    )

    def __init__(self, centre: tuple[float, float], *, base_map: bool) -> None:
        super().__init__(
            location=centre,
            tiles=None,
            zoom_start=19,
            max_zoom=MAX_ZOOM,
            zoom_snap=0.25,
            zoom_delta=0.5,
            attribution_control=base_map,
            zoom_control=True,
        )
        # a name that is the same in every run, in place of folium's random one
        self._id = "site"
        # folium takes max_zoom for its tiles only; without tiles the map itself must have it
        self.options["max_zoom"] = MAX_ZOOM


class SurveyLayers(MacroElement):
    """Hands the map to the page's own script, which draws the survey on it."""

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._id = "survey"

    _template = Template(
        """
        {% macro script(this, kwargs) %}
            showSurvey({{ this._parent.get_name() }});
        {% endmacro %}
        """
    )


def map_bytes(survey: Survey, *, base_map: bool = False) -> bytes:
    """Make the page: Leaflet, style, script, data and words inlined in one file.

    ``base_map`` adds street tiles (and only then may the page reach the network).
    """
    survey = find(survey)
    profile = survey_profile(survey)
    data = map_data(survey, profile)
    page = Page(
        {
            **panel_context(survey),
            "profile": profile_svg(profile, units=survey.site.units),
            "data": Markup(script_json(data)),
            "policy": content_policy(base_map=base_map),
            "leaflet_js": Markup(_leaflet_js()),
            "leaflet_css": Markup(_leaflet_css()),
            "map_js": Markup(_asset("map.js")),
            "map_css": Markup(_asset("map.css")),
        }
    )
    (south, west), (north, east) = data["bounds"]
    shown = SiteMap(((south + north) / 2, (west + east) / 2), base_map=base_map)
    if base_map:
        tiles = folium.TileLayer(
            _TILES, attr=_CREDIT, name="OpenStreetMap", max_zoom=MAX_ZOOM,
            max_native_zoom=_TILES_NATIVE_ZOOM,
        )  # fmt: skip
        tiles._id = "base"
        tiles.add_to(shown)
    SurveyLayers().add_to(shown)
    page.add_child(shown)
    return page.render().encode("utf-8")


def content_policy(*, base_map: bool) -> str:
    """Give the page's content security policy: nothing from outside, but tiles on request."""
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


@lru_cache(maxsize=1)
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("sitegis.write.page", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


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
