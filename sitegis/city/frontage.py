"""Which lines of a lot are its front, rear and sides, and how sure that is.

What each line faces is found in :mod:`sitegis.city.facing`. Lines that face one street are a
frontage; the frontages of a lot decide its kind.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely import STRtree

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..numerics.ordering import MATTERS_M, at_least
from .addresses import agreement, likelihood, street_name
from .facing import SAMPLE_M, Edges, Samples, face_lines, lot_edges, sample_edges
from .layer_arrays import FRONT, LEFT, REAR, RIGHT, Block, Flags, Whole, Words, unique_rows

# All judgment, no source.
# frontage that counts, turn within one frontage, width of a flag lot's pole as a share of √area,
# and how width and setback are evidence for a front
LEAST_FRONTAGE_M = 2.0
SAME_LINE_DEG = 60.0
FLAG_SHARE = 0.35
WIDTH_POWER, SETBACK_PER_M = 1.2, 0.08
SLANT = math.cos(math.radians(45.0))
SAME_LINE = math.cos(math.radians(SAME_LINE_DEG))

INTERIOR, CORNER, THROUGH, FLAG, ALLEY_ONLY, NONE = (
    "interior",
    "corner",
    "through",
    "flag",
    "alley-only",
    "no-frontage",
)

NAMES_FRONT, NAMES_OTHER, NAMES_NONE = (
    "names the front street",
    "names another street",
    "names none it faces",
)


@dataclass(frozen=True, slots=True)
class Frontages:
    """What the lots' lines face, and what they are.

    Per edge: ``sides`` (-1 none, else the side codes), ``names`` of the way it faces, whether
    that is one of ``alleys``, ``faced_m`` how much of the edge faces it. Per lot: ``codes``,
    ``sure`` in [0, 1], ``front`` unit vectors toward the front street (n, 2),
    ``front_names`` and ``frontage_m`` of the front street, ``gates`` (n, 2) the middle of a flag
    lot's frontage (nan on other lots), ``others`` the side code of the line that may be the front
    in its place (-1 none), ``address_fit`` what the address says of it.
    """

    edges: Edges
    samples: Samples
    sides: Whole
    names: Words
    alleys: Flags
    faced_m: Array
    codes: Words
    sure: Array
    front: Array
    front_names: Words
    frontage_m: Array
    gates: Array
    others: Whole
    address_fit: Words


def find_frontages(block: Block, lots: Whole, tree: STRtree, house_centers: Array) -> Frontages:
    """Name the lines of the lots at places ``lots`` among the block's parcels.

    ``house_centers`` (n, 2) may be nan where a lot has no house. Method: see the module; among
    several frontages the address speaks, the narrower one (a common definition in zoning codes,
    from memory) and the deeper setback.

    Parameters
    ----------
    block
        The layers as arrays.
    lots
        Place of each lot among the parcels (n,).
    tree
        Index of all parcels.
    house_centers
        Middles of the houses (n, 2), m; nan without one.

    Returns
    -------
    Frontages
        Front, sides and names of the lots.
    """
    edges = lot_edges(block.parcels.shapes[lots])
    samples = sample_edges(edges, tree, lots)
    way_names, way_alleys, at = _faced_lines(block, edges, samples, lots, tree)
    faced, name, alley = _by_edge(edges, samples, at, way_names, way_alleys)
    judge = _Judge(edges, faced, name, alley, block.parcels.streets[lots], house_centers)
    areas = shapely.area(block.parcels.shapes[lots])
    bounds = np.searchsorted(edges.lot, np.arange(len(lots) + 1))
    verdicts = [
        # lot by lot in plain Python: a handful of edges each, for
        # which arrays cost more than they save
        judge.lot(i, start, end, area)
        for i, (start, end, area) in enumerate(
            zip(bounds[:-1].tolist(), bounds[1:].tolist(), areas.tolist(), strict=True)
        )
    ]
    fronts = np.array([v.front for v in verdicts]).reshape(-1, 2)
    sides = _sides(edges, fronts, (faced > 0.0) & alley)
    # the front's own lines may turn away from its mean normal: they stay front
    sides[[edge for v in verdicts for edge in v.lines]] = FRONT
    return Frontages(
        edges=edges,
        samples=samples,
        sides=sides,
        names=name,
        alleys=alley,
        faced_m=faced,
        codes=np.array([v.code for v in verdicts], np.str_),
        sure=np.array([v.sure for v in verdicts]),
        front=fronts,
        front_names=np.array([v.name for v in verdicts], np.str_),
        frontage_m=np.array([v.width_m for v in verdicts]),
        gates=np.array([v.gate for v in verdicts]).reshape(-1, 2),
        others=np.array([v.other for v in verdicts], np.int64),
        address_fit=np.array([v.address_fit for v in verdicts], np.str_),
    )


def _faced_lines(
    block: Block, edges: Edges, samples: Samples, lots: Whole, tree: STRtree
) -> tuple[Words, Flags, Whole]:
    """Return names and kinds of all ways, and the way each sample faces (-1 none)."""
    at = np.full(len(samples.edge), -1, np.int64)
    rows = np.flatnonzero(samples.open)
    edge = samples.edge[rows]
    lines = face_lines(
        samples.points[rows],
        edges.normals[edge],
        block.centerlines.shapes,
        tree,
        lots[edges.lot[edge]],
    )
    at[rows] = lines.index
    names, alleys = block.centerlines.names, block.centerlines.alleys
    if not block.has_rows:
        return names, alleys, at
    inside = np.full(len(rows), -1, np.int64)
    if len(block.rows.shapes):
        source, row = STRtree(block.rows.shapes).query(
            shapely.points(samples.points[rows]), predicate="intersects"
        )
        order = np.lexsort((row, source))[::-1]
        # reversed, so that of several rights-of-way the first one is written last and stays
        inside[source[order]] = row[order]
    # a right-of-way says that a line is on a way, a centerline its name where it has one
    known = (inside >= 0) & (lines.index < 0)
    at[rows] = np.where(inside < 0, -1, lines.index)
    at[rows[known]] = len(names) + inside[known]
    return (
        np.concatenate([names, block.rows.names]),
        np.concatenate([alleys, block.rows.alleys]),
        at,
    )


def _by_edge(
    edges: Edges, samples: Samples, at: Whole, names: Words, alleys: Flags
) -> tuple[Array, Words, Flags]:
    """Return how much of each edge faces a way (e,), the way's name and whether it is an alley."""
    count = len(edges.lot)
    on = at >= 0
    faced = np.bincount(samples.edge[on], samples.shares_m[on], minlength=count)
    # the way with most of the edge; among equals the first
    pairs, inverse = unique_rows(samples.edge[on], at[on])
    weight = np.bincount(inverse, samples.shares_m[on], minlength=pairs.shape[1])
    order = np.lexsort((pairs[1], -np.round(weight, 6), pairs[0]))
    edge, line = pairs[0][order], pairs[1][order]
    first = np.flatnonzero(np.diff(edge, prepend=-1))
    name = np.zeros(count, dtype=names.dtype if len(names) else np.str_)
    alley = np.zeros(count, bool)
    name[edge[first]], alley[edge[first]] = names[line[first]], alleys[line[first]]
    return (
        # half of a line, or two samples of a long one: less is a corner that looks past
        np.where(
            at_least(faced, 0.5 * np.minimum(edges.lengths_m, 2 * SAMPLE_M), MATTERS_M), faced, 0.0
        ),
        name,
        alley,
    )


def _sides(edges: Edges, fronts: Array, on_alley: Flags) -> Whole:
    """Name every line (e,) by its normal against its lot's front's (n, 2).

    A line on an alley beside the front is a side.
    """
    normal, front = edges.normals, fronts[edges.lot]
    ahead = normal[:, 0] * front[:, 0] + normal[:, 1] * front[:, 1]
    # cross product of front and normal: positive to the right as seen from the street
    aside = -normal[:, 0] * front[:, 1] + normal[:, 1] * front[:, 0]
    # right as seen from the front street: a quarter turn on from the front
    beside = np.where(aside > 0.0, RIGHT, LEFT)
    sides = np.where(~at_least(SLANT, np.abs(ahead)), np.where(ahead > 0.0, FRONT, REAR), beside)
    return np.where((sides == FRONT) & on_alley, beside, sides)


@dataclass(slots=True)
class _Frontage:
    """Lines in a row that face one way."""

    members: list[int]
    width_m: float
    normal: tuple[float, float]
    name: str
    alley: bool


@dataclass(frozen=True, slots=True)
class _Verdict:
    code: str
    sure: float
    front: tuple[float, float]
    name: str
    width_m: float
    gate: tuple[float, float]
    other: int
    address_fit: str
    lines: list[int]


@dataclass(frozen=True, slots=True)
class _Choice:
    front: _Frontage
    sure: float
    other: _Frontage | None
    address_fit: str


def _side_of(normal: tuple[float, float], front: tuple[float, float]) -> int:
    """Name a line by its normal against the front's."""
    ahead = normal[0] * front[0] + normal[1] * front[1]
    aside = -normal[0] * front[1] + normal[1] * front[0]
    if abs(ahead) > SLANT:
        return FRONT if ahead > 0.0 else REAR
    # right as seen from the front street: a quarter turn on from the front
    return RIGHT if aside > 0.0 else LEFT


class _Judge:
    """Decides lot by lot; the arrays are those of the edges."""

    def __init__(
        self,
        edges: Edges,
        faced: Array,
        names: Words,
        alleys: Flags,
        addresses: Words,
        centers: Array,
    ) -> None:
        self.normals = edges.normals.tolist()
        self.lengths = edges.lengths_m.tolist()
        self.middles = ((edges.starts + edges.ends) / 2.0).tolist()
        self.faced = faced.tolist()
        self.names = [str(n) for n in names]
        self.alleys = alleys.tolist()
        self.addresses = [str(a) for a in addresses]
        self.centers = centers.tolist()

    def lot(self, lot: int, start: int, end: int, area_m2: float) -> _Verdict:
        """Judge one lot by its edges, start to end."""
        frontages = self._frontages(start, end)
        streets = [f for f in frontages if not f.alley]
        alleys = [f for f in frontages if f.alley]
        other, address_fit = -1, ""
        if streets:
            choice = self._choose(streets, lot)
            front, sure, address_fit = choice.front, choice.sure, choice.address_fit
            if choice.other is not None:
                other = _side_of(choice.other.normal, front.normal)
            code = self._code(front, streets, area_m2)
            if code == FLAG:
                # judgment, no source
                sure = min(sure, 0.85)
        elif alleys:
            front, code, sure = max(alleys, key=lambda f: round(f.width_m, 3)), ALLEY_ONLY, 0.6
        else:
            front, code, sure = self._guess(start, end), NONE, 0.25
        gate = self._middle(front) if code == FLAG else (math.nan, math.nan)
        return _Verdict(
            code,
            sure,
            front.normal,
            front.name,
            front.width_m,
            gate,
            other,
            address_fit,
            front.members,
        )

    def _middle(self, frontage: _Frontage) -> tuple[float, float]:
        """Return the middle of a frontage, its lines weighted by their lengths."""
        weights = [self.lengths[edge] for edge in frontage.members]
        x, y = (
            sum(
                w * self.middles[edge][axis]
                for w, edge in zip(weights, frontage.members, strict=True)
            )
            / sum(weights)
            for axis in (0, 1)
        )
        return x, y

    def _frontages(self, start: int, end: int) -> list[_Frontage]:
        """Join lines in a row (around the ring) that face one way and turn little."""
        found: list[_Frontage] = []
        for edge in range(start, end):
            if self.faced[edge] <= 0.0:
                continue
            last = found[-1] if found and found[-1].members[-1] == edge - 1 else None
            if last is not None and self._continues(last, edge):
                last.members.append(edge)
            else:
                found.append(self._begin(edge))
        # the ring's first vertex may lie in the middle of a frontage
        if len(found) > 1 and found[0].members[0] == start and found[-1].members[-1] == end - 1:
            first, last = found[0], found[-1]
            if all(self._continues(last, edge) for edge in first.members):
                last.members += first.members
                found = found[1:]
        for frontage in found:
            self._finish(frontage)
        return [f for f in found if f.width_m >= LEAST_FRONTAGE_M]

    def _begin(self, edge: int) -> _Frontage:
        return _Frontage(
            [edge], self.faced[edge], self.normals[edge], self.names[edge], self.alleys[edge]
        )

    def _continues(self, frontage: _Frontage, edge: int) -> bool:
        """Return whether a line goes on with a frontage: same way, within 60° of its first line."""
        if frontage.alley != self.alleys[edge] or frontage.name != self.names[edge]:
            return False
        a, b = self.normals[frontage.members[0]], self.normals[edge]
        return bool(a[0] * b[0] + a[1] * b[1] > SAME_LINE)

    def _finish(self, frontage: _Frontage) -> None:
        """Work out a frontage's width and mean normal."""
        if len(frontage.members) == 1:
            return
        x = sum(self.lengths[e] * self.normals[e][0] for e in frontage.members)
        y = sum(self.lengths[e] * self.normals[e][1] for e in frontage.members)
        length = math.hypot(x, y) or 1.0
        frontage.normal = (x / length, y / length)
        frontage.width_m = sum(self.faced[e] for e in frontage.members)

    def _choose(self, streets: list[_Frontage], lot: int) -> _Choice:
        """Choose the front among street frontages, with the probability that it is.

        The narrower line and the deeper setback are evidence for a front, and the street of
        the address by its likelihood: a rule that it decides would be wrong where it is.
        """
        address = self.addresses[lot] if street_name(self.addresses[lot]).name else ""
        fits = [agreement(address, f.name) for f in streets]
        address_fit = (
            NAMES_NONE if address and not max(fits) else "" if not address else NAMES_FRONT
        )
        # judgment, no source: a single frontage is the front but for 2 %
        if len(streets) == 1:
            return _Choice(streets[0], 0.98, None, address_fit)
        scores = [
            -WIDTH_POWER * math.log(f.width_m)
            + SETBACK_PER_M * self._setback(f, lot)
            + math.log(likelihood(fit) if address else 1.0)
            for f, fit in zip(streets, fits, strict=True)
        ]
        highest = max(scores)
        # log-linear scores, so that these are odds
        weights = [math.exp(score - highest) for score in scores]
        ranked = sorted(
            range(len(streets)), key=lambda i: (-round(weights[i], 9), streets[i].members[0])
        )
        best, second = ranked[:2]
        if address_fit and fits[best] < max(fits):
            address_fit = NAMES_OTHER
        sure = min(weights[best] / sum(weights), 0.97)
        return _Choice(streets[best], sure, streets[second], address_fit)

    def _setback(self, frontage: _Frontage, lot: int) -> float:
        """Return how far the middle of the house stands behind a frontage, at most 30 m."""
        x, y = self.centers[lot]
        if not math.isfinite(x):
            return 0.0
        mx, my = self.middles[frontage.members[0]]
        depth = (mx - x) * frontage.normal[0] + (my - y) * frontage.normal[1]
        return float(min(max(depth, 0.0), 30.0))

    def _code(self, front: _Frontage, streets: list[_Frontage], area_m2: float) -> str:
        """Name the kind of lot."""
        others = [f for f in streets if f is not front]
        if others:
            x, y = front.normal
            opposite = any(f.normal[0] * x + f.normal[1] * y < -SLANT for f in others)
            beside = any(abs(f.normal[0] * x + f.normal[1] * y) <= SLANT for f in others)
            return CORNER if beside else THROUGH if opposite else INTERIOR
        narrow = front.width_m < 10.0 and front.width_m < FLAG_SHARE * math.sqrt(area_m2)
        return FLAG if narrow else INTERIOR

    def _guess(self, start: int, end: int) -> _Frontage:
        """Take the longest line as the front of a lot that faces nothing."""
        longest = max(range(start, end), key=lambda e: (round(self.lengths[e], 3), -e))
        return _Frontage([longest], 0.0, self.normals[longest], "", False)
