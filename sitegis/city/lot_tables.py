"""The tables of a chunk of lots that were worked out, one a layer, and what a check would tell."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from scipy.special import entr

from ..evidence import dye
from ..evidence.kind import UNLISTED_PASSES
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.site import SIDES
from ..numerics.ordering import MATTERS_P, at_least, decimals, in_steps, on_lattice, share_out
from ..score.posterior import entropy_bits
from .corridors import corridors, route_lines
from .frontage import ALLEY_ONLY, NONE, Frontages
from .houses import Houses, Rectangles
from .infer import ANSWERS, Posterior
from .layer_arrays import Block, Flags, Pairs, Whole, Words, unique_rows
from .lot_priors import UNLISTED
from .mains import ManholesOnMains, manhole_below
from .routes import DIRECT, KINDS, SAME_EXIT, WALLS, YARD_LEFT, LotRoutes
from .tables import DIGITS, Columns, Tables, table
from .taps import Taps

WALL_NAMES = np.array(SIDES)
WAY_NAMES = ("direct", "side-yard", "side-yard")
# judgment, no source: a front less sure than this is flagged;
# gains below a millionth of a bit are none
UNSURE_FRONTAGE = 0.75
LEAST_BITS = 1e-6
SOURCES = ("inferred from layers", "lateral on record")


@dataclass(frozen=True, slots=True)
class Worked:
    """The lots of a chunk that have a house and a main somewhere, all arrays by lot."""

    block: Block
    lots: Whole
    frontages: Frontages
    houses: Houses
    rectangles: Rectangles
    pairs: Pairs
    laid: LotRoutes
    posterior: Posterior
    snapped: ManholesOnMains
    taps: Taps
    apart: Flags


def lot_lines(block: Block, lots: Whole, frontages: Frontages) -> Columns:
    """Return the table of named lot lines.

    Parameters
    ----------
    block
        The layers as arrays.
    lots
        Place of each lot among the parcels (n,).
    frontages
        Front and sides of the lots.

    Returns
    -------
    Columns
        One row a line.
    """
    edges = frontages.edges
    named = np.flatnonzero(frontages.sides >= 0)
    facing = np.where(frontages.faced_m > 0.0, np.where(frontages.alleys, "alley", "street"), "")
    lines = shapely.linestrings(np.stack([edges.starts[named], edges.ends[named]], axis=1))
    return table(
        lines,
        parcel=block.parcels.ids[lots[edges.lot[named]]],
        side=WALL_NAMES[frontages.sides[named]],
        faces=facing[named],
        street=np.where(facing[named] == "", "", frontages.names[named]),
        length_m=edges.lengths_m[named],
    )


def answers(worked: Worked) -> Tables:
    """Make the tables of the lots that were worked out."""
    posterior, ids = worked.posterior, worked.block.parcels.ids[worked.lots]
    answered = posterior.answers == ANSWERS[0]
    best = _best_routes(worked)
    dye = _dye(worked)
    return {
        "lots": _lots_table(worked, ids, best),
        "routes": _routes_table(worked, ids, best),
        "taps": _taps_table(worked, ids),
        "exits": _exits_table(worked, ids, best),
        "corridors": corridors(worked.pairs, worked.laid, worked.posterior, ids),
        "next_check": _next_check(worked, ids, dye),
        "flags": _flags(worked, ids),
        "manhole_bits": dye,
        "street_bits": table(
            shapely.points(worked.rectangles.centers[answered]),
            parcel=ids[answered],
            street=worked.frontages.front_names[answered],
            bits=visit_bits(posterior)[answered],
        ),
    }


def _best_routes(worked: Worked) -> tuple[Whole, Whole]:
    """Return each lot's most probable route as (pair, kind), -1 where there is none."""
    pairs, weight = worked.pairs, worked.posterior.routes
    count = len(worked.lots)
    pair, kind = np.full(count, -1, np.int64), np.full(count, -1, np.int64)
    if not len(pairs.lot):
        return pair, kind
    # of the way that is most probable, so that lots.way and the route agree
    top = _likeliest(worked.posterior.probability[:, :UNLISTED])
    ways = np.array([k.way for k in KINDS])
    # hypotheses are numbered 3 × side + way
    mine = 3 * pairs.side[:, None] + ways == top[pairs.lot][:, None]
    # routes from one exit count together, so that two shapes of one pipe do not split its vote;
    # the own weight decides between shapes from one exit
    together = np.zeros_like(weight)
    for i in range(len(KINDS)):
        together += weight[:, i : i + 1] * SAME_EXIT[i]
    # both in whole steps, of which there are fewer than 2²⁰, in one number
    score = 1.0 + 2.0**20 * in_steps(together, MATTERS_P) + in_steps(weight, MATTERS_P)
    score = np.where(mine & (weight > 0.0), score, 0.0)
    best = np.argmax(score, axis=1)
    value = score[np.arange(len(best)), best]
    order = np.lexsort((np.arange(len(best)), -value, pairs.lot))
    first = order[np.flatnonzero(np.diff(pairs.lot[order], prepend=-1))]
    first = first[value[first] > 0.0]
    pair[pairs.lot[first]], kind[pairs.lot[first]] = first, best[first]
    return pair, kind


def _likeliest(probability: Array) -> Whole:
    """Return the column of each row (n, k) with the greatest probability, the first of equals."""
    return np.asarray(np.argmax(in_steps(probability, MATTERS_P), axis=1), np.int64)


def _toward(posterior: Posterior) -> Array:
    """Return P(front), P(rear), P(side) and P(unlisted), (n, 4), as six decimals that sum to 1."""
    front, right, rear, left = (posterior.toward(side) for side in range(4))
    each = np.stack([front, rear, right + left, posterior.probability[:, UNLISTED]], axis=1)
    return share_out(each, MATTERS_P)


def _lots_table(worked: Worked, ids: Words, best: tuple[Whole, Whole]) -> Columns:
    posterior, frontages = worked.posterior, worked.frontages
    toward = _toward(posterior)
    top = _likeliest(posterior.probability)
    way = np.array([*(WAY_NAMES * 4), "unlisted"])[top]
    return table(
        worked.block.parcels.shapes[worked.lots],
        parcel=ids,
        kind=frontages.codes,
        kind_sure=decimals(frontages.sure, 4),
        front_street=frontages.front_names,
        address=frontages.address_fit,
        frontage_m=frontages.frontage_m,
        p_front=toward[:, 0],
        p_rear=toward[:, 1],
        p_side=toward[:, 2],
        p_unlisted=toward[:, 3],
        toward=np.array(["front", "rear", "side", "unlisted"])[_likeliest(toward)],
        answer=posterior.answers,
        way=way,
        **_of_taps(worked),
        entropy_bits=np.where(
            posterior.answers == ANSWERS[0], entropy_bits(posterior.probability), np.nan
        ),
        elevation_known=posterior.elevation_known.astype(np.int64),
        source=_sources(worked),
    )


def _sources(worked: Worked) -> Words:
    """Return what each lot's (n,) answer rests on."""
    taps = worked.taps
    sources = np.full(len(worked.lots), SOURCES[0], dtype=np.array(SOURCES).dtype)
    sources[taps.lot[taps.recorded]] = SOURCES[1]
    return sources


def _taps_table(worked: Worked, ids: Words) -> Columns:
    """Make the table of taps: where along its line each lot's lateral joins, and how sure."""
    taps, mains = worked.taps, worked.block.mains
    below = manhole_below(worked.snapped, taps.main, taps.on_main_m)
    there = below >= 0
    manholes = worked.block.manholes
    at = shapely.line_interpolate_point(mains.shapes[taps.main], taps.on_main_m)
    at = shapely.points(on_lattice(shapely.get_coordinates(at)))
    apart = np.full(len(below), np.nan)
    apart[there] = np.abs(
        shapely.line_locate_point(mains.shapes[taps.main[there]], manholes.shapes[below[there]])
        - taps.on_main_m[there]
    )
    names = np.full(len(below), "", dtype=manholes.ids.dtype if len(manholes.ids) else "<U1")
    names[there] = manholes.ids[below[there]]
    bounds = dict(
        zip(
            ("low_50_m", "high_50_m", "low_80_m", "high_80_m", "low_95_m", "high_95_m"),
            taps.bounds_m.T,
            strict=True,
        )
    )
    return table(
        at,
        parcel=ids[taps.lot],
        line=mains.line_ids[taps.main],
        line_probability=taps.line_share,
        main=mains.ids[taps.main],
        station_m=taps.station_m,
        **bounds,
        on_main_m=decimals(taps.on_main_m, 2),
        manhole=names,
        from_manhole_m=decimals(apart, 2),
        evidence_class=np.where(taps.recorded, "on record", "inferred"),
    )


def _of_taps(worked: Worked) -> dict[str, Any]:
    """Return each lot's line and main with their probabilities; "" and 0 where there is none."""
    taps, mains, count = worked.taps, worked.block.mains, len(worked.lots)
    main = np.zeros(count, dtype=mains.ids.dtype)
    line = np.zeros(count, dtype=mains.line_ids.dtype)
    probability, on_line = np.zeros(count), np.zeros(count)
    main[taps.lot], line[taps.lot] = mains.ids[taps.main], mains.line_ids[taps.main]
    probability[taps.lot] = taps.line_share * taps.main_share
    on_line[taps.lot] = taps.line_share
    return {"main": main, "probability": probability, "line": line, "line_probability": on_line}


def _routes_table(worked: Worked, ids: Words, best: tuple[Whole, Whole]) -> Columns:
    pair, kind = best
    there = np.flatnonzero(pair >= 0)
    p, k = pair[there], kind[there]
    vertices = worked.laid.vertices[p, k]
    side, way = worked.pairs.side[p], np.array([kind.way for kind in KINDS])[k]
    return table(
        route_lines(vertices),
        parcel=ids[there],
        main=worked.block.mains.ids[worked.laid.main[p, k]],
        way=np.array(WAY_NAMES)[way],
        beside=np.where(way == DIRECT, "", WALL_NAMES[_yard_side(side, way)]),
        probability=worked.posterior.probability[there, 3 * side + way],
        length_m=worked.laid.lengths_m[p, k],
        station_m=worked.laid.stations_m[p, k],
        evidence_class=np.full(len(there), "inferred"),
    )


def _yard_side(side: Whole, way: Whole) -> Whole:
    """Return the house's side that a yard run passes."""
    return np.where(way == YARD_LEFT, side + 1, side + 3) % 4


def _exits_table(worked: Worked, ids: Words, best: tuple[Whole, Whole]) -> Columns:
    pair, kind = best
    there = np.flatnonzero(pair >= 0)
    p, k = pair[there], kind[there]
    wall = (worked.pairs.side[p] + np.array([0, 3, 2, 1])[WALLS[k]]) % 4
    walls = (
        worked.posterior.probability[there][:, :UNLISTED, None]
        * worked.posterior.walls[there][:, :UNLISTED]
    ).sum(axis=1)
    return table(
        shapely.points(worked.laid.vertices[p, k, 0]),
        parcel=ids[there],
        wall=WALL_NAMES[wall],
        probability=walls[np.arange(len(there)), wall],
        evidence_class=np.full(len(there), "inferred"),
    )


def _dye(worked: Worked) -> Columns:
    """Return what dye at each manhole would tell about each lot."""
    block = worked.block
    shape = worked.laid.main.shape
    below = manhole_below(worked.snapped, worked.laid.main.ravel(), worked.laid.stations_m.ravel())
    below = np.where(worked.laid.fits, below.reshape(shape), -1)
    lot, manhole, share = pass_shares(worked.pairs, worked.laid, worked.posterior, below)
    bits = dye_bits(share, worked.posterior.probability[lot, UNLISTED])
    return table(
        block.manholes.shapes[manhole],
        parcel=block.parcels.ids[worked.lots[lot]],
        manhole=block.manholes.ids[manhole],
        bits=bits,
    )


def _next_check(worked: Worked, ids: Words, dye: Columns) -> Columns:
    """Return each lot's most informative check: dye at a manhole, or to see the exit indoors."""
    # in the decimals of the table, as those of dye
    visit = decimals(visit_bits(worked.posterior), DIGITS)
    best, at = np.zeros(len(ids)), np.full(len(ids), -1, np.int64)
    place = {str(parcel): i for i, parcel in enumerate(ids)}
    for row, (parcel, bits) in enumerate(zip(dye["parcel"], dye["bits"].tolist(), strict=True)):
        i = place[str(parcel)]
        if bits > best[i]:
            best[i], at[i] = bits, row
    # of equal gains the look indoors goes first
    inside = visit >= best
    check = np.full(len(ids), "nothing left to settle", dtype="<U120")
    check[visit > LEAST_BITS] = "Look indoors for the wall penetration of the drain"
    for i in np.flatnonzero(~inside).tolist():
        check[i] = f"Put dye in indoors and watch manhole {dye['manhole'][at[i]]}"[:120]
    middles = shapely.points(worked.rectangles.centers)
    geometry = np.where(inside, middles, dye["geometry"][at] if len(dye["bits"]) else middles)
    return table(
        geometry,
        parcel=ids,
        check=check,
        gain_bits=np.maximum(visit, best),
        dye_bits=best,
        indoors_bits=visit,
    )


def _flags(worked: Worked, ids: Words) -> Columns:
    """Gather what a person should know about a lot."""
    frontages, houses = worked.frontages, worked.houses
    answers = worked.posterior.answers
    none = answers == ANSWERS[1]
    # there are mains, yet unlisted is the likeliest
    blocked = ~none & ~at_least(0.5, worked.posterior.probability[:, UNLISTED])
    notes: tuple[tuple[str, str, Flags], ...] = (
        ("frontage-unsure", "Two lines may be the front: check which street the house faces.",
         ~at_least(frontages.sure, UNSURE_FRONTAGE) & (frontages.codes != NONE)
         & (frontages.codes != ALLEY_ONLY)),
        ("no-frontage", "No line of the lot faces a street or alley on record.",
         frontages.codes == NONE),
        ("alley-only", "The lot faces an alley alone; the alley is taken as its front.",
         frontages.codes == ALLEY_ONLY),
        ("several-buildings", "Several buildings: the largest is taken as the house.",
         houses.counts > 1),
        ("shared-wall", "The house shares a wall with the next: laterals may be shared too.",
         houses.shared),
        ("no-main", "No main on record can be reached from this lot.", none),
        ("no-route", "Mains are near, but no simple route fits: look at this lot.", blocked),
        ("lateral-apart", "The lateral on record taps another line than that of the answer.",
         worked.apart),
    )  # fmt: skip
    person = {"frontage-unsure", "no-frontage", "no-main", "no-route", "lateral-apart"}
    rows = [np.flatnonzero(mask) for _code, _message, mask in notes]
    return table(
        shapely.points(worked.rectangles.centers[np.concatenate(rows)]),
        parcel=np.concatenate([ids[r] for r in rows]),
        code=np.repeat([code for code, _m, _f in notes], [len(r) for r in rows]),
        message=np.repeat([message for _c, message, _f in notes], [len(r) for r in rows]),
        needs_person=np.repeat(
            [int(code in person) for code, _m, _f in notes], [len(r) for r in rows]
        ),
    )


def visit_bits(posterior: Posterior) -> Array:
    """Return what it would tell, in bits (n,), to see indoors through which wall the drain leaves.

    Mutual information of hypothesis and exit wall: H(wall) − Σ p(h) H(wall | h).
    """
    joint = posterior.probability[:, :, None] * posterior.walls
    wall = joint.sum(axis=1)
    inside = (posterior.probability * entr(posterior.walls).sum(axis=2)).sum(axis=1)
    return np.asarray(np.maximum((entr(wall).sum(axis=1) - inside) / np.log(2.0), 0.0))


def dye_bits(passes: Array, unlisted: Array) -> Array:
    """Return the bits that dye at a manhole would tell, which passes with probability ``passes``.

    Reliabilities are those of stage ``routes``: seen 9 times in 10 where it passes, 1 in 50
    where not; an unlisted way passes 1 time in 10. Information about passing or not:
    H(seen) − H(seen | passing). ``passes``, ``unlisted`` and the answer (n,).

    Parameters
    ----------
    passes
        Probability that the flow passes (n,).
    unlisted
        Probability of an unlisted way (n,).

    Returns
    -------
    Array
        Gain (n,), bits.
    """
    seen, stray = dye.DEFAULT.reliability, dye.FALSE_SEEN
    passing = passes + UNLISTED_PASSES * unlisted
    out = passing * seen + (1.0 - passing) * stray
    # entropy left once it is known whether the lateral passes
    inside = passing * _binary(np.full_like(out, seen)) + (1.0 - passing) * _binary(
        np.full_like(out, stray)
    )
    return np.maximum(_binary(out) - inside, 0.0)


def _binary(p: Array) -> Array:
    """Return the entropy of yes or no, in bits."""
    return np.asarray((entr(p) + entr(1.0 - p)) / np.log(2.0))


def pass_shares(
    pairs: Pairs, laid: LotRoutes, posterior: Posterior, below: Whole
) -> tuple[Whole, Whole, Array]:
    """Return lot, manhole and the probability that the lateral's flow passes it first, (k,) each.

    ``below`` (q, k): the first manhole down the main from each tap, -1 where none.

    Parameters
    ----------
    pairs
        Lot, side and mains that may serve it, q of them.
    laid
        Routes of every pair, by exit and shape.
    posterior
        Probabilities of every lot's ways.
    below
        First manhole down the main from each tap (q, k), −1 for none.

    Returns
    -------
    lot
        (k,).
    manhole
        (k,).
    probability
        (k,).
    """
    on = (below >= 0) & (posterior.routes > 0.0)
    lot = np.broadcast_to(pairs.lot[:, None], below.shape)[on]
    keys, inverse = unique_rows(lot, below[on])
    share = np.asarray(
        np.bincount(inverse.ravel(), posterior.routes[on], minlength=keys.shape[1]), float
    )
    return keys[0], keys[1], share
