"""Lots with field findings: the whole pipeline runs for them and takes the place of the layers'."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import Array, LotFrame
from ..geometry.operations import cell_of_place, operation
from ..late_dataclass import dataclass
from ..messages.errors import BadInput, ComputationError, SitegisError
from ..model.results import ScoredHypothesis
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, on_lattice, share_out
from ..score.posterior import entropy_bits
from .infer import ANSWERS
from .tables import GEOMETRY, Columns, Tables, join, rounded, table

CORRIDOR_LEVEL = 0.80
_REFUSED = (SitegisError, shapely.errors.ShapelyError, ArithmeticError, ValueError, LookupError)


@dataclass(frozen=True, slots=True)
class CityGrid:
    """The city's CRS and its unit in meters."""

    crs: str
    meters_per_unit: float

    def to_city(self, frame: LotFrame, xy: Array) -> Array:
        """Take lot coordinates (n, 2) of a site to the city's CRS, in meters.

        Parameters
        ----------
        frame
            The site's lot on its grid.
        xy
            Places in the lot (n, 2), m.

        Returns
        -------
        Array
            Places in the city's CRS (n, 2), m.
        """
        moved = frame.to_crs(np.asarray(xy, float).reshape(-1, 2))
        source, target = CRS.from_user_input(frame.crs), CRS.from_user_input(self.crs)
        if not source.equals(target, ignore_axis_order=True):
            chosen = operation(source, target, cell_of_place(source, *moved[0].tolist()))
            moved = np.stack(chosen.transformer.transform(*moved.T), axis=1)
        return on_lattice(moved * self.meters_per_unit)


def work_sites(tables: Tables, sites: Mapping[str, Path], place: CityGrid) -> Tables:
    """Put the answers of site folders (parcel id → folder) in the place of the layers'.

    A folder with faults leaves the lot's answer from the layers, a flag, and its reason among
    the failures.

    Parameters
    ----------
    tables
        Columns by layer.
    sites
        Site folder by parcel id.
    place
        The city's grid.

    Returns
    -------
    Tables
        The tables with these answers.
    """
    for parcel, folder in sites.items():
        # a parcel that these tables do not have
        at = np.flatnonzero(tables["lots"]["parcel"] == parcel)
        if not at.size:
            continue
        try:
            made = _site_tables(parcel, _compute(folder), place, tables, int(at[0]))
        # one bad folder must not end a city: its lot keeps the answer from the layers
        except _REFUSED as error:
            tables = _refused(tables, parcel, _reason(error), tables["lots"][GEOMETRY][at[0]])
            continue
        # the layers' rows of this lot go, the site's come
        for name, rows in made.items():
            old = tables[name]
            kept = {c: v[old["parcel"] != parcel] for c, v in old.items()}
            tables = {**tables, name: join([kept, rows])}
    return tables


def _compute(folder: Path) -> Survey:
    """Run the pipeline; it is loaded here because most workers never need it."""
    survey: Survey = importlib.import_module("sitegis.pipeline").compute(folder)
    return survey


def _reason(error: Exception) -> str:
    """Say in one line why a site folder was refused."""
    if isinstance(error, BadInput):
        return f"{len(error.faults)} faults, the first: {error.faults[0]}"[:300]
    if isinstance(error, ComputationError):
        return str(error.fault)[:300]
    return f"{type(error).__name__}: {error}"[:300]


def _refused(tables: Tables, parcel: str, reason: str, lot: BaseGeometry) -> Tables:
    """Say that a lot's site folder could not be used."""
    spot = np.array([shapely.point_on_surface(lot)], object)
    failure = table(
        spot, parcel=[parcel], row=np.zeros(1, np.int64), code=["site-folder"], reason=[reason]
    )
    flag = table(
        spot,
        parcel=[parcel],
        code=["site-folder"],
        message=["The site folder has faults; the answer rests on the layers alone."],
        needs_person=np.ones(1, np.int64),
    )
    return {
        # the lot's own rows stay: its answer from the layers
        **tables,
        "failures": join([tables["failures"], failure]),
        "flags": join([tables["flags"], flag]),
    }


def _site_tables(parcel: str, survey: Survey, place: CityGrid, tables: Tables, row: int) -> Tables:
    """Make one lot's rows from its survey."""
    hypotheses = survey.scores.hypotheses
    best = hypotheses[0]
    made: Tables = {"lots": _lot_row(survey, tables["lots"], row)}
    made["routes"], made["exits"] = _route_rows(parcel, survey, best, place)
    made["corridors"] = _corridor_rows(parcel, survey, best, place)
    checks = sorted(survey.scores.next_checks, key=lambda check: -round(check.gain_bits, 6))
    # place and id stay those of the layers' row
    old = {c: v[tables["next_check"]["parcel"] == parcel] for c, v in tables["next_check"].items()}
    gain = checks[0].gain_bits if checks else 0.0
    made["next_check"] = {
        **old,
        "check": np.array([checks[0].check if checks else "nothing left to settle"]),
        "gain_bits": rounded("gain_bits", np.array([gain])),
        "dye_bits": np.zeros(1),
        "indoors_bits": np.zeros(1),
    }
    for name in ("manhole_bits", "street_bits"):
        made[name] = {c: v[:0] for c, v in tables[name].items()}
    made["flags"] = _flag_rows(parcel, survey, place)
    return made


def _lot_row(survey: Survey, lots: Columns, row: int) -> Columns:
    hypotheses = survey.scores.hypotheses
    sides = ("front", "rear", "side", None)
    sums = [sum(h.probability for h in hypotheses if h.hypothesis.toward == s) for s in sides]
    toward = dict(zip(sides, share_out(sums, MATTERS_P).tolist(), strict=True))
    mains: dict[str, float] = {}
    for scored in hypotheses:
        if scored.hypothesis.main is not None:
            main = scored.hypothesis.main
            mains[main] = mains.get(main, 0.0) + scored.probability
    # of equal ones the last by name, on every processor
    main = max(mains, key=lambda name: (round(mains[name], 6), name)) if mains else ""
    likeliest = max(toward, key=lambda name: round(toward[name], 6))
    answer: dict[str, object] = {
        "p_front": toward["front"],
        "p_rear": toward["rear"],
        "p_side": toward["side"],
        "p_unlisted": toward[None],
        "toward": likeliest or "unlisted",
        "way": hypotheses[0].hypothesis.way,
        "answer": ANSWERS[0] if main else ANSWERS[2],
        "main": main,
        "probability": mains.get(main, 0.0),
        "line": main,
        "line_probability": mains.get(main, 0.0),
        "entropy_bits": float(entropy_bits(np.array([h.probability for h in hypotheses]))),
        "elevation_known": int(survey.site.datum_known),
        "source": "field findings",
    }
    kept = {column: values[row : row + 1] for column, values in lots.items()}
    return {c: rounded(c, np.array([answer[c]])) if c in answer else v for c, v in kept.items()}


def _route_rows(
    parcel: str, survey: Survey, best: ScoredHypothesis, place: CityGrid
) -> tuple[Columns, Columns]:
    frame, left = survey.site.frame, survey.exit
    spot = shapely.points(place.to_city(frame, np.array([[left.x_m, left.y_m]])))
    exits = table(
        spot, parcel=[parcel], wall=[str(left.side)], probability=[1.0], evidence_class=["inferred"]
    )
    routes = next(r for r in survey.routes if r.hypothesis.id == best.hypothesis.id)
    # without a route the tables stay empty, with their columns
    count = 0 if best.best is None else 1
    number = best.best or 0
    vertices = routes.vertices[number] if count else np.zeros((2, 2))
    line = shapely.remove_repeated_points(shapely.LineString(place.to_city(frame, vertices)), 1e-6)
    row = table(
        np.array([line], object),
        parcel=[parcel],
        main=[best.hypothesis.main or ""],
        way=[best.hypothesis.way],
        beside=[best.hypothesis.yard_side or ""],
        probability=[best.probability],
        length_m=[float(routes.lengths_m[number]) if count else 0.0],
        station_m=[float(routes.tap_stations_m[number]) if count else 0.0],
        evidence_class=["inferred"],
    )
    return {c: v[:count] for c, v in row.items()}, exits


def _corridor_rows(parcel: str, survey: Survey, best: ScoredHypothesis, place: CityGrid) -> Columns:
    areas = [
        shapely.Polygon(
            place.to_city(survey.site.frame, ring),
            [place.to_city(survey.site.frame, hole) for hole in holes],
        )
        for corridor in survey.dig.corridors
        if corridor.hypothesis == best.hypothesis.id and corridor.level == CORRIDOR_LEVEL
        for ring, holes in zip(corridor.rings, corridor.holes, strict=True)
    ]
    row = table(
        np.array([shapely.union_all(areas)], object),
        parcel=[parcel],
        holds=[CORRIDOR_LEVEL * best.probability],
        evidence_class=["inferred"],
    )
    return {c: v[: 1 if areas else 0] for c, v in row.items()}


def _flag_rows(parcel: str, survey: Survey, place: CityGrid) -> Columns:
    notices = survey.notices
    middle = survey.site.lot.vertices.mean(axis=0)
    spot = shapely.points(place.to_city(survey.site.frame, middle[None]))
    return table(
        np.repeat(spot, len(notices)),
        parcel=np.full(len(notices), parcel, dtype=f"<U{max(len(parcel), 1)}"),
        code=np.array([n.code for n in notices], dtype=np.str_),
        message=np.array([n.message for n in notices], dtype=np.str_),
        needs_person=np.array([int(n.needs_person) for n in notices], np.int64),
    )
