"""Test pits and vacuum holes: where one shows the pipe for what it costs, miss after miss."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..finds.records import Missed
from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..model.dig_plan import HitMap, VacuumHole
from ..model.site import Site
from ..numerics.ordering import (
    ANGLE_RAD,
    MATTERS_M,
    MATTERS_P,
    RATIO,
    at_least,
    in_steps,
    on_lattice,
    relative_step,
)
from ..numerics.raster import highest_near
from ..numerics.records import take_rows
from ..numerics.statistics import NORMAL_BELOW_95
from ..pits.cost import (
    BEDDING_M,
    dig_area,
    dug_holes,
    hole_of,
    keep_out_shape,
    may_run_in,
    pit_cost,
    rectangle_rings,
    spacing_m,
    surface_rate,
    surface_rates_at,
    surfaces_at,
    with_edge,
)
from ..pits.exposure import (
    VACUUM_HOLE_M,
    Candidate,
    Flags,
    Places,
    Straights,
    allowed,
    best_first,
    off_the_footing,
    vacuum_hits,
    weigh_pits,
)
from ..rules.rule_set import RuleSet
from ..score.search import look_ahead, search_order
from .cloud import RouteCloud
from .hits import Bands, Grid, Spans, accumulate, bands_of, cover_grid, pit_spans
from .stakeout import choose_ties

LENGTHS = (1.0, 2.0, 3.0)  # a pit may be lengthened across the route, in pit lengths: judgment
EXTENSION_SHARES = (0.5, 1.0)  # of a pit's length by which a hole is widened: judgment
LENGTHENING_SHARES = (0.5, 1.0, 2.0)  # the same of a planned pit: judgment
OVERLAP_M2 = 0.01  # what widens one hole shares no ground beyond rounding
EXTENSION_SETUP = 0.25  # of the set-up that widening an open hole costs: judgment, no source
# judgment, no source: pits planned; the plan ends when less than this is left
# unseen, or a pit would gain less than this
PITS_AT_MOST = 5
STOP_BELOW = 0.02
LEAST_GAIN = 0.01
# local optima weighed exactly, for each pit size and in all: judgment, no source
PLACES_PER_KIND = 8
EXACT_PLACES = 10
BLOCK_CELLS = 8  # a side of the blocks in which a raster is first looked at


@dataclass(frozen=True, slots=True)
class PitRaster:
    """A pit size square to the lot with its raster: which cells may hold it.

    ``spans`` are those through such cells: elsewhere nothing is asked. ``gaps_m`` (r, c) is how
    far the pit on each of them stands from the house.
    """

    size_m: tuple[float, float]
    spans: Spans
    open_cells: Flags
    gaps_m: Array


@dataclass(frozen=True, slots=True)
class Field:
    """All that stays the same while pits are ranked."""

    site: Site
    rules: RuleSet
    cloud: RouteCloud
    straights: Straights
    area: BaseGeometry
    grid: Grid
    kinds: tuple[PitRaster, ...]
    ground_m: Array
    surface_per_m2: Array
    on_lot: Flags


def lay_field(site: Site, rules: RuleSet, cloud: RouteCloud) -> Field:
    """Prepare rasters, dig area, ground and surfaces for ranking pits.

    Parameters
    ----------
    site
        The site as read.
    rules
        Rule set of the site.
    cloud
        Thinned routes of every hypothesis.

    Returns
    -------
    Field
        The field.
    """
    straights, area = cloud.straights, dig_area(site)
    points = np.concatenate([cloud.vertices.reshape(-1, 2), site.lot.vertices])
    length, width = site.dig.pit_length_m, site.dig.pit_width_m
    whole = cover_grid(points, site.dig.cell_m, 0.5 * max(LENGTHS) * length)
    longest = max(2 * length, 2 * width, VACUUM_HOLE_M + site.drain_diameter_m)
    grid = _worth_part(whole, straights, cloud.weights, 0.5 * longest)
    centers = grid.centers()
    # the usual pit and one of twice its length, along either axis of the lot
    sizes = [(length, width), (width, length), (2 * length, width), (width, 2 * length)]
    house = shapely.Polygon(site.building.vertices)
    bands = {height: bands_of(straights, grid, 0.5 * height) for height in {y for _, y in sizes}}
    kinds = tuple(
        _kind(size, straights, cloud, grid, (area, house), bands[size[1]]) for size in sizes
    )
    surface = surface_rates_at(site, centers.reshape(-1, 2)).reshape(grid.rows, grid.columns)
    ground = site.ground.elevation_m(centers)
    lot = shapely.Polygon(site.lot.vertices)
    on_lot = shapely.contains_xy(with_edge(lot), centers[..., 0], centers[..., 1])
    return Field(site, rules, cloud, straights, area, grid, kinds, ground, surface, on_lot)


def _worth_part(grid: Grid, straights: Straights, weights: Array, reach_m: float) -> Grid:
    """Return the part of a raster where some pit gains a hundredth; elsewhere nothing is asked.

    ``reach_m`` is the greatest half size of a pit. In blocks of cells: a pit centered in one lies
    within a pit centered on the block that is larger by the block, and so gains no more.
    """
    size = -(-grid.rows // BLOCK_CELLS), -(-grid.columns // BLOCK_CELLS)
    block = Grid(grid.origin_m, BLOCK_CELLS * grid.cell_m, *size)
    half_m = reach_m + 0.5 * block.cell_m
    gains = accumulate(pit_spans(straights, block, (half_m, half_m)), weights)
    worth = np.nonzero(at_least(gains, LEAST_GAIN - MATTERS_P))
    if not worth[0].size:
        return replace(grid, rows=1, columns=1)
    row, column = (BLOCK_CELLS * int(index.min()) for index in worth)
    rows, columns = (BLOCK_CELLS * (int(index.max()) + 1) for index in worth)
    (x, y), cell = grid.origin_m, grid.cell_m
    size = min(rows, grid.rows) - row, min(columns, grid.columns) - column
    return Grid((x + column * cell, y + row * cell), cell, *size)


def _kind(
    size: tuple[float, float],
    straights: Straights,
    cloud: RouteCloud,
    grid: Grid,
    ground: tuple[BaseGeometry, shapely.Polygon],
    bands: Bands,
) -> PitRaster:
    """Raster one pit size and find the cells that may hold it, of those worth asking.

    ``ground``: what may be dug up, and the house.
    """
    area, house = ground
    spans = pit_spans(straights, grid, (0.5 * size[0], 0.5 * size[1]), bands)
    # where no pit gains a hundredth nothing is asked of the ground
    worth = at_least(accumulate(spans, cloud.weights), LEAST_GAIN)
    centers = grid.centers()[worth]
    open_cells = np.zeros(worth.shape, bool)
    rings = rectangle_rings(
        centers, np.zeros(len(centers)), np.broadcast_to(np.array(size), (len(centers), 2))
    )
    open_cells[worth] = allowed(area, rings)
    gaps_m = np.zeros(worth.shape)
    gaps_m[open_cells] = shapely.distance(house, shapely.polygons(rings[open_cells[worth]]))
    return PitRaster(size, spans.through(open_cells), open_cells, gaps_m)


def hit_map(field: Field) -> HitMap:
    """Return P(hit) of the smallest pit centered on each cell, the better of its two directions.

    Cells outside lot, rights-of-way and easements, where the pit may not be dug, or with less
    than 1 %, hold 0.
    Only pipe no deeper than ``max_depth_m`` counts.
    """
    best = np.zeros((field.grid.rows, field.grid.columns))
    for kind in field.kinds[:2]:
        # pipe deeper than a pit may go is not exposed by it
        p = accumulate(kind.spans, field.cloud.weights, reachable(field, kind.spans))
        best = np.maximum(best, np.where(kind.open_cells, p, 0.0))
    return HitMap(field.grid.origin_m, field.grid.cell_m, np.clip(best, 0.0, 1.0))


def reachable(field: Field, spans: Spans) -> Array:
    """Return 1 for spans whose pipe lies above the greatest depth of a pit, else 0.

    Parameters
    ----------
    field
        Rasters, dig area, ground and surfaces of the lot.
    spans
        Runs of cells whose pit a route crosses.

    Returns
    -------
    Array
        1 or 0 (k,).
    """
    row, column = np.divmod(spans.first, field.grid.columns + 1)
    last = spans.past - 1 - row * (field.grid.columns + 1)
    # ground in the middle of each span of cells
    ground = field.ground_m[row, (column + last) // 2]
    depth_m = ground - spans.invert_m
    return at_least(field.site.dig.max_depth_m, depth_m, MATTERS_M).astype(float)


def rank_pits(field: Field, way_out: float | None = None) -> tuple[Candidate, ...]:
    """Choose pits greedily by P(hit) per cost; at most five, until under 2 % is left.

    Each round rasters the routes that all earlier pits would have missed, takes the best places
    of each pit size clear of those pits, and weighs them exactly, also turned square to the
    routes and lengthened. The places of all rounds are then put in greedy order together.
    No two stand nearer than :func:`.spacing_m`: an earlier pit is lengthened instead, so that both
    become one longer pit. With ``way_out``, the cost of the search that always finds, the order
    looks two holes ahead.
    Of places that are worth the same the frontmost goes first, then the leftmost; of a place's
    own pits the one square to the lot, then the shorter.

    Parameters
    ----------
    field
        Rasters, dig area, ground and surfaces of the lot.
    way_out
        Cost of the search that always finds, None to order greedily alone.

    Returns
    -------
    tuple[Candidate, ...]
        The pits, in order.
    """
    left = np.array(field.cloud.weights)
    pool: list[Candidate] = []
    dug: list[Candidate] = []
    while len(dug) < PITS_AT_MOST and at_least(left.sum(), STOP_BELOW):
        found = _best_candidates(field, left, dug)
        if not found:
            break
        pool.extend(found)
        dug.append(found[0])
        # as if this pit had missed: the next round looks among the rest
        left = np.where(dug[-1].exposed, 0.0, left)
    if not pool:
        return ()
    hits, costs = np.array([one.exposed for one in pool]), np.array([one.cost for one in pool])
    conflicts = _conflicts(pool, spacing_m(field.rules))
    after = [_index_of(one.lengthens, pool) for one in pool]
    order = search_order(
        hits,
        field.cloud.weights,
        costs,
        most=PITS_AT_MOST,
        least_left=STOP_BELOW,
        least_gain=LEAST_GAIN,
        conflicts=conflicts,
        after=after,
    )
    if way_out is not None:
        order = look_ahead(
            hits, field.cloud.weights, costs, way_out, order, conflicts=conflicts, after=after
        )
    return tuple(pool[index] for index in order)


def _index_of(one: Candidate | None, pool: list[Candidate]) -> int:
    """Return the place of a pit in the pool, -1 for none."""
    return next((i for i, other in enumerate(pool) if other is one), -1)


def _conflicts(pool: list[Candidate], least_m: float) -> Flags:
    """Return which pits stand in each other's way: nearer than ``least_m`` and not one pit.

    One pit grows by one part after another, each lengthening all before it. What widens one
    hole that missed stands about it as one with it, and shares no ground.
    """
    shapes = shapely.polygons([one.ring for one in pool])
    # a copy: shapely 2.1.0 locks its arguments, and cannot unlock a view of another one
    gaps_m = shapely.distance(shapes[:, None].copy(), shapes)
    roots = np.array([_index_of(one.parts()[0], pool) for one in pool])
    # parts of one longer pit are apart in this sense too: which may follow which is in `after`
    apart = ~at_least(gaps_m, least_m, MATTERS_M) | (roots[:, None] == roots)
    for i, one in enumerate(pool):
        for j, other in enumerate(pool):
            if one.extends and one.extends == other.extends:
                apart[i, j] = shapely.intersection(shapes[i], shapes[j]).area > OVERLAP_M2
        for part in one.parts()[:-1]:
            j = _index_of(part, pool)
            apart[i, j] = apart[j, i] = False
    return np.asarray(apart, bool)


def _extensions(field: Field, left: Array, dug: list[Candidate]) -> list[Candidate]:
    """Weigh what widens a hole that missed or a chosen pit, on each side, by shares of a pit.

    That saves most of another set-up (``EXTENSION_SETUP`` of it stays: the hole is opened again,
    or its shoring moved). A chosen pit is not lengthened across a lot line.
    """
    length = field.site.dig.pit_length_m
    of: dict[tuple[float, ...], list[tuple[str, Candidate | None]]] = {}
    missed = [
        ((item.x_m, item.y_m), item.angle_rad, (item.length_m, item.width_m), item.id, None)
        for item in dug_holes(field.site)
        if isinstance(item, Missed)
    ]
    begun = {id(one.lengthens) for one in dug}
    chosen = [(*one.whole(), "", one) for one in dug if id(one) not in begun and not one.extends]
    for center, angle, whole, name, pit in (*missed, *chosen):
        shares = EXTENSION_SHARES if pit is None else LENGTHENING_SHARES
        # beyond each of the four sides, as wide as that side
        for axis, side, share in product((0, 1), (-1.0, 1.0), shares):
            size = list(whole)
            reach = 0.5 * (size[axis] + share * length)
            size[axis] = share * length
            turn = angle + 0.5 * np.pi * axis
            at = np.array(center) + side * reach * lot_direction(turn)
            # one place may widen several holes: weighed once
            of.setdefault((*map(float, at), angle, *size), []).append((name, pit))
    if not of:
        return []
    made = []
    edge, rows = shapely.LinearRing(field.site.lot.vertices), np.array(list(of))
    every = Places(rows[:, :2], rows[:, 2], rows[:, 3:])
    saved = (1.0 - EXTENSION_SETUP) * field.site.dig.setup
    for found in weigh_pits(field.site, field.rules, field.area, field.straights, left, every):
        for name, pit in of[(*map(float, found.center), found.angle_rad, *found.size_m)]:
            longer = replace(found, cost=found.cost - saved, extends=name, lengthens=pit)
            # less a hair: a whole pit that only touches the lot line does not cross it
            inner = shapely.buffer(shapely.Polygon(longer.whole_ring()), -MATTERS_M)
            if pit is None or not shapely.intersects(edge, inner):
                made.append(longer)
    return made


def _best_candidates(field: Field, left: Array, dug: list[Candidate]) -> list[Candidate]:
    """Return the best pits against the routes that are left, beside what is dug; the best first."""
    taken = shapely.union_all([shapely.Polygon(one.ring) for one in dug])
    places = _places(field, left, taken)
    places = take_rows(places, _is_clear(places.rings(), taken, spacing_m(field.rules)))
    weighed = [
        *weigh_pits(field.site, field.rules, field.area, field.straights, left, places),
        *(one for one in _extensions(field, left, dug) if _fits_beside(field, one, dug)),
    ]
    gains = [float(left[one.exposed].sum()) for one in weighed]
    worth = [one for one, gain in zip(weighed, gains, strict=True) if at_least(gain, LEAST_GAIN)]
    return best_first(worth, left)[:EXACT_PLACES]


def _fits_beside(field: Field, one: Candidate, dug: list[Candidate]) -> bool:
    """Return whether what widens a hole keeps off chosen pits, but for those of the same hole."""
    mine, ring = {id(part) for part in one.parts()}, shapely.Polygon(one.ring)
    together = [
        pit for pit in dug if id(pit) in mine or (one.extends and one.extends == pit.extends)
    ]
    held = {id(pit) for pit in together}
    taken = shapely.union_all([shapely.Polygon(pit.ring) for pit in dug if id(pit) not in held])
    clear = _is_clear(one.ring[None], taken, spacing_m(field.rules))
    shared = [shapely.intersection(ring, shapely.Polygon(pit.ring)).area for pit in together]
    return bool(clear[0]) and max(shared, default=0.0) <= OVERLAP_M2


def _is_clear(rings: Array, taken: BaseGeometry, least_m: float) -> Flags:
    """Return which pits (c, 4, 2) keep the spacing from those chosen already."""
    gaps = shapely.distance(shapely.polygons(rings), taken)
    return np.asarray(np.isnan(gaps) | at_least(gaps, least_m, MATTERS_M), bool)


def _places(field: Field, left: Array, dug: BaseGeometry) -> Places:
    """Propose pits from the rasters of every pit size.

    At each place the pit stands square to the lot, or with its length square across the mean
    direction of the routes there (doubled angles, so that opposite directions agree).
    """
    all_centers = field.grid.centers().reshape(-1, 2)
    least = min(field.site.dig.pit_width_m, field.site.dig.pit_length_m)
    taken = shapely.contains_xy(
        shapely.buffer(dug, spacing_m(field.rules) + 0.5 * least), all_centers
    ).reshape(field.ground_m.shape)
    centers: list[Array] = []
    angles: list[float] = []
    sizes: list[tuple[float, float]] = []
    for kind in field.kinds:
        spans = kind.spans.of_weight(left)
        p = accumulate(spans, left)
        worth = kind.open_cells & ~taken & at_least(p, LEAST_GAIN)
        score = np.zeros(p.shape)
        score[worth] = _score(field, kind, spans, left, (p, worth))
        score = in_steps(score, relative_step(score))
        # no better cell within two: neighbors of a peak expose the same routes
        peaks = np.flatnonzero((score > 0) & (score >= highest_near(score, 2)))
        cells = peaks[np.argsort(-score.ravel()[peaks], kind="stable")[:PLACES_PER_KIND]]
        if cells.size == 0:
            continue
        here = np.zeros(score.size, bool)
        here[cells] = True
        spans = spans.through(here.reshape(score.shape))
        cosine, sine = (accumulate(spans, left, part).ravel()[cells] for part in spans.direction.T)
        sine, cosine = on_lattice(sine, RATIO), on_lattice(cosine, RATIO)
        # half of the doubled angle is the routes' mean direction; the pit lies across it
        across = on_lattice(0.5 * np.arctan2(sine, cosine) + 0.5 * np.pi, ANGLE_RAD)
        length, width = field.site.dig.pit_length_m, field.site.dig.pit_width_m
        for cell, angle in zip(cells, across, strict=True):
            centers += [all_centers[cell]] * (1 + len(LENGTHS))
            angles += [0.0] + [float(angle)] * len(LENGTHS)
            sizes += [kind.size_m] + [(factor * length, width) for factor in LENGTHS]
    return Places(np.reshape(centers, (-1, 2)), np.array(angles), np.reshape(sizes, (-1, 2)))


def _score(
    field: Field, kind: PitRaster, spans: Spans, left: Array, asked: tuple[Array, Flags]
) -> Array:
    """Return P(hit) per cost of some cells, with the depth from mean and spread of the inverts.

    ``asked``: P(hit) of every cell, and which are meant.
    0 where a pit so deep would stand too near to the footing: else the best places by the wall
    were proposed, none of them may be dug, and the next ones out were never asked for.
    """
    (hits, cells), inverts = asked, spans.invert_m
    p = hits[cells]
    total, squares = (accumulate(spans, left, values)[cells] for values in (inverts, inverts**2))
    mean = total / np.maximum(p, 1e-12)
    # variance as mean square less squared mean, which rounding may bring below 0
    spread = np.sqrt(np.maximum(squares / np.maximum(p, 1e-12) - mean**2, 0.0))
    ground = field.ground_m[cells]
    depth = np.minimum(
        ground - mean + NORMAL_BELOW_95 * spread + BEDDING_M, field.site.dig.max_depth_m
    )
    depth = np.maximum(depth, 0.0)
    area = np.full(p.shape, kind.size_m[0] * kind.size_m[1])
    cost = pit_cost(area, depth, field.surface_per_m2[cells], field.site.dig, field.rules)
    clear = off_the_footing(field.site, field.rules, kind.gaps_m[cells], ground - depth)
    return np.where(clear, p / cost, 0.0)


def vacuum_area(site: Site) -> BaseGeometry:
    """Return where the center of a hole may stand (prepared for fast tests).

    In lot, rights-of-way and easements, off the building and what was dug by half a hole, and off
    others' lines by their own clearance: within the tolerance zone this is the way to dig.
    """
    half_m = 0.5 * VACUUM_HOLE_M
    closed = [shapely.buffer(shapely.Polygon(site.building.vertices), half_m)]
    closed += [shapely.buffer(hole_of(item), half_m) for item in dug_holes(site)]
    closed += [
        shapely.buffer(keep_out_shape(one), one.clearance_m + half_m) for one in site.keep_outs
    ]
    area = with_edge(shapely.difference(may_run_in(site), shapely.union_all(closed)))
    shapely.prepare(area)
    return area


def rank_holes(field: Field) -> tuple[VacuumHole, ...]:
    """Choose holes greedily by P(hit) per cost, each after the misses before it; at most five.

    Their centers are those of the raster's cells. Of places worth the same (to a thousandth) the
    frontmost goes first, then the leftmost. The price is the site's for a hole with its
    restoration; nobody enters one, so that no depth asks for a protective system.
    """
    site, grid = field.site, field.grid
    # a pipe is found when any of it is in the hole: half a diameter more on either side
    reach_m = VACUUM_HOLE_M + site.drain_diameter_m
    spans = pit_spans(field.straights, grid, (0.5 * reach_m, 0.5 * reach_m))
    seen = reachable(field, spans)
    centers, area = grid.centers().reshape(-1, 2), vacuum_area(site)
    cost = site.dig.vacuum_hole + VACUUM_HOLE_M**2 * field.surface_per_m2.ravel()
    crossed = accumulate(spans, field.cloud.weights, seen).ravel()
    worth = np.flatnonzero(at_least(crossed, LEAST_GAIN))
    worth = worth[shapely.contains_xy(area, *centers[worth].T)]
    left, found = np.array(field.cloud.weights), np.zeros(field.cloud.weights.size, bool)
    holes: list[VacuumHole] = []
    # as the pits: greedy, each after the misses before it
    while worth.size and len(holes) < PITS_AT_MOST and at_least(left.sum(), STOP_BELOW):
        gain = accumulate(spans, left, seen).ravel()[worth]
        score = in_steps(gain / cost[worth], relative_step(gain / cost[worth]))
        # cells are in order from the front, then from the left
        cell = worth[int(np.flatnonzero(score == score.max())[0])]
        hit = _hits(field, centers[cell], reach_m)
        if not at_least(left[hit].sum(), LEAST_GAIN):
            break
        found |= hit
        left = np.where(hit, 0.0, left)
        xy, weights = centers[cell], field.cloud.weights
        surface = str(surfaces_at(site, xy[None])[0])
        holes.append(
            VacuumHole(
                rank=len(holes) + 1,
                x_m=float(xy[0]),
                y_m=float(xy[1]),
                p_hit=min(float(weights[hit].sum()), 1.0),
                p_hit_so_far=min(float(weights[found].sum()), 1.0),
                cost=site.dig.vacuum_hole + VACUUM_HOLE_M**2 * surface_rate(site.dig, surface),
                surface=surface,
                ties=choose_ties(site, xy)[0],
            )
        )
    return tuple(holes)


def _hits(
    field: Field, center: Array, reach_m: float
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which routes (m,) a hole finds, exactly."""
    ground_m = float(field.site.ground.elevation_m(center))
    deepest = np.array([ground_m - field.site.dig.max_depth_m])
    return np.asarray(vacuum_hits(field.straights, center[None], reach_m, deepest)[0], bool)
