"""The public face: what ``import sitegis`` offers, and the only thing the command line calls.

Every function takes paths and gives a value with a short ``repr``; tables are geopandas frames
in the site's grid CRS, built only when they are asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from ..messages.errors import Notice
from ..model.site import Site, SiteLanguage
from ..model.survey import Survey

if TYPE_CHECKING:
    import folium

    from ..city import CitySummary, Database
    from ..model.derived import Feature
    from .answer_types import Answer


@dataclass(frozen=True, slots=True, eq=False)
class Check:
    """A site folder that was read, placed and followed to the wall penetration.

    Parameters
    ----------
    survey : Survey
        The stages' blocks from ``read`` to ``exit``; internal names, which may change.
    """

    survey: Survey = field(repr=False)

    @property
    def site(self) -> Site:
        """The input as frozen records: lengths in meters, lot coordinates."""
        return self.survey.site

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What a user must know, in pipeline order, each once."""
        return self.survey.notices

    @property
    def needs_person(self) -> bool:
        """Whether a notice asks for a person's decision (exit code 1 of the command line)."""
        return any(notice.needs_person for notice in self.notices)

    def to_gdf(self, layer: str | None = None) -> Any:
        """Return the features as geopandas frames, one a layer, in the grid CRS.

        Parameters
        ----------
        layer : str, optional
            Name of one layer, such as ``"locate"`` or ``"route"``.

        Returns
        -------
        geopandas.GeoDataFrame or dict of str to geopandas.GeoDataFrame
            The one layer, or all that hold a feature, in drawing order. Geometries are in the
            unit of the CRS; columns ending in ``_m`` are meters whatever that unit is.

        Raises
        ------
        KeyError
            If ``layer`` holds no feature; the message lists those that do.
        """
        from .tables import layer_frames

        frames = layer_frames(self._features(), self.site.frame)
        if layer is None:
            return frames
        if layer not in frames:
            raise KeyError(f"no layer {layer!r} here; there are: {', '.join(frames)}")
        return frames[layer]

    def explore(
        self, *layers: str, tiles: str | None = None, on: folium.Map | None = None
    ) -> folium.Map:
        """Return a folium map of the features; what is inferred is dashed.

        Parameters
        ----------
        *layers : str
            The layers to draw; all if none is named.
        tiles : str, optional
            Background tiles as folium names them; by default none. A page that folium
            saves still fetches its script library; ``map.html`` of a run fetches nothing.
        on : folium.Map, optional
            An earlier map to draw on, for several sites on one map.

        Returns
        -------
        folium.Map
            The map, its view fitted to all that is drawn on it.

        Raises
        ------
        KeyError
            If a layer holds no feature.
        """
        from .tables import draw_frames

        # no layer named: all of them
        frames = {layer: self.to_gdf(layer) for layer in layers} or self.to_gdf()
        return draw_frames(frames, name=self.site.name, tiles=tiles, on=on)

    def _features(self) -> tuple[Feature, ...]:
        from ..write.features import found_features

        return found_features(self.survey)

    def __eq__(self, other: object) -> bool:
        """Return whether two results say the same: same kind, same features and notices."""
        if type(other) is not type(self):
            return NotImplemented
        assert isinstance(other, Check)
        return self._content() == other._content()

    __hash__ = None  # type: ignore[assignment]  # equal by content, and holding arrays

    def _content(self) -> object:
        from ..write.gis.geojson import feature_collection

        # as they are written: what two files could not show is no difference
        return feature_collection(self._features(), self.site.frame), self.notices

    def __repr__(self) -> str:
        """Name the site and count what was found."""
        located = sum(point.kind == "locate" for point in self.survey.placement.points)
        return f"<sitegis.{type(self).__name__} {self.site.name!r}: {located} locate points>"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Result(Check):
    """A site with its answer: the exit, the route alternatives, the pits, the checks.

    Two results are equal if their answers, features and notices are.

    Parameters
    ----------
    survey : Survey
        The stages' blocks from ``read`` to ``dig``; internal names, which may change.
    """

    @property
    def answer(self) -> Answer:
        """The content of ``answer.json``, typed: meters, degrees, lot coordinates."""
        from ..write.answer import answer

        return cast("Answer", answer(self.survey))

    def summary(self, *, columns: int = 98) -> str:
        """Return the answer in words, as the command line prints it.

        Parameters
        ----------
        columns : int
            Width to wrap the lines at, characters.

        Returns
        -------
        str
        """
        from ..write import summary_lines

        return "\n".join(summary_lines(self.survey, columns=columns))

    def write(self, out_dir: str | Path, *, base_map: bool = False) -> tuple[Path, ...]:
        """Write all outputs into a folder, all or nothing, and return their paths.

        Parameters
        ----------
        out_dir : str or pathlib.Path
            The folder; outputs of an earlier run in it are replaced together.
        base_map : bool
            Let ``map.html`` load street tiles from the network.

        Returns
        -------
        tuple of pathlib.Path

        Raises
        ------
        CannotWrite
            If the files cannot be placed; the earlier ones are then untouched.
        """
        from ..write import write_outputs

        return write_outputs(self.survey, Path(out_dir), base_map=base_map)

    def _features(self) -> tuple[Feature, ...]:
        from ..write.derive import survey_features

        return survey_features(self.survey)

    def _content(self) -> object:
        from ..write.answer import answer_bytes

        # the file's own bytes: rounded, and in a fixed order
        return answer_bytes(self.survey), Check._content(self)

    def __repr__(self) -> str:
        """Name the site, the leading route alternative and its probability."""
        first = self.survey.scores.hypotheses[0]
        return (
            f"<sitegis.Result {self.site.name!r}: {first.hypothesis.id} "
            f"{first.probability:.0%}, {len(self.survey.dig.pits)} test pits>"
        )

    def _repr_html_(self) -> str:
        """Return the report for a notebook: the sections of page and record, inferred said."""
        from ..write.page.html import report_html

        return report_html(self.survey)


def read(site_dir: str | Path) -> Site:
    """Return the input of a site folder as frozen records, checked.

    Parameters
    ----------
    site_dir : str or pathlib.Path
        Folder with ``site.toml`` and ``locates.csv``, or ``fieldbook.xlsx``.

    Returns
    -------
    Site
        Lengths in meters, lot coordinates; what a user should know stands in ``notices``.

    Raises
    ------
    BadInput
        With every fault of the folder at once.
    """
    from ..read import read_site

    return read_site(Path(site_dir)).site


def check(site_dir: str | Path) -> Check:
    """Return a site folder read, its points adjusted and the drain followed to the wall.

    Parameters
    ----------
    site_dir : str or pathlib.Path
        The site folder.

    Returns
    -------
    Check

    Raises
    ------
    BadInput
        With every fault of the folder at once.
    ComputationError
        If the input is well formed but gives no answer.
    """
    from ..to_the_wall import check as check_site

    return Check(check_site(Path(site_dir)))


def run(
    site_dir: str | Path,
    out_dir: str | Path | None = None,
    *,
    without: tuple[str, ...] = (),
    priors: Mapping[str, float] | None = None,
    base_map: bool = False,
    keep: bool = False,
    language: SiteLanguage | None = None,
    progress: Callable[[str], None] | None = None,
) -> Result:
    """Return the answer of a site folder, and write its outputs if a folder for them is given.

    Parameters
    ----------
    site_dir : str or pathlib.Path
        The site folder.
    out_dir : str or pathlib.Path, optional
        Folder for the outputs; without it nothing is written.
    without : tuple of str
        Items of evidence (``"dye"``, ``"dye-2"``) or locate points, by id, to leave out.
    priors : mapping of str to float, optional
        Prior weights in place of the site's: front, rear, alley, side, side_yard, unlisted.
    base_map : bool
        Let ``map.html`` load street tiles from the network.
    keep : bool
        Keep the answer in the site folder (``revisions/``) where its inputs changed, so that
        ``findings.csv`` can name its pits. Not for a what-if.
    language : {"en", "es", "fr"}, optional
        Of the dig card and the cautions on ``map.html``, in place of the site's.
    progress : callable, optional
        Called with what is being done, a few words at a time.

    Returns
    -------
    Result

    Raises
    ------
    BadInput
        With every fault of the folder at once, or an unknown name in ``without`` or ``priors``.
    ComputationError
        If the input is well formed but gives no answer.
    CannotWrite
        If the outputs cannot be placed; earlier ones are then untouched.
    """
    from .. import pipeline

    asked = pipeline.WhatIf(frozenset(without), dict(priors or {}))
    announce = progress or (lambda _: None)
    if out_dir is None:
        return Result(pipeline.compute(Path(site_dir), asked, progress=announce))
    return Result(
        pipeline.run(
            Path(site_dir),
            Path(out_dir),
            asked,
            base_map=base_map,
            keep=keep,
            language=language,
            progress=announce,
        )
    )


def city(
    city_file: str | Path,
    out: str | Path | Database,
    *,
    schema: str | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    map_file: str | Path | None = None,
    summary_file: str | Path | None = None,
    progress: Callable[[int, int, int], None] | None = None,
) -> CitySummary:
    """Infer every lot of a city from its layers, write one file or tables, return the summary.

    Parameters
    ----------
    city_file : str or pathlib.Path
        ``CITY.toml``, which names the layers.
    out : str, pathlib.Path or Database
        ``.gpkg`` file, ``.parquet`` folder, or a PostGIS database by its URL
        (``postgresql://user@host/database``, the password in ``PGPASSWORD``).
    schema : str, optional
        Schema of the tables in a database; ``sitegis`` if not given.
    workers : int
        Processes to share the work; the answer does not depend on it.
    scheduler : str, optional
        Address of a dask scheduler whose workers share the work instead.
    map_file : str or pathlib.Path, optional
        HTML file for a map of all lots that needs no network.
    summary_file : str or pathlib.Path, optional
        PDF file for a summary on one page.
    progress : callable, optional
        Called with the lots done now, all lots, and those that an earlier run had done.

    Returns
    -------
    CitySummary

    Raises
    ------
    BadInput
        With every fault of ``CITY.toml`` and its layers.
    ComputationError
        If a worker or the cluster is lost; what is done is kept.
    CannotWrite
        If the output cannot be placed.
    """
    from ..city import Pages, run_city

    pages = Pages(*(None if name is None else Path(name) for name in (map_file, summary_file)))
    return run_city(
        Path(city_file),
        city_target(out, schema),
        workers=workers,
        scheduler=scheduler,
        pages=pages,
        progress=progress,
    )


def city_target(out: str | Path | Database, schema: str | None) -> Path | Database:
    """Return the file, or the database of a URL, that a city is written to.

    Parameters
    ----------
    out
        File, folder, or URL of a PostGIS database.
    schema
        Schema of the tables in a database, None for the usual one.

    Returns
    -------
    Path | Database
        What :func:`city` writes to.

    Raises
    ------
    BadInput
        The URL or the schema cannot be used.
    """
    from ..city import SCHEMA, database

    if isinstance(out, str) and "://" in out:
        return database(out, schema=SCHEMA if schema is None else schema)
    return Path(out) if isinstance(out, str) else out
