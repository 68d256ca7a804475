"""The model of a lateral's way, written again for the tests, for one hypothesis at a time.

A point of the unit cube becomes a whole route (``lay``) and its log weight (``log_weight``):
habits × hard constraints × likelihood of the evidence. From the package come only the numbers
that say what the habits are (``COUNT_SHARES``, ``ANGLE_SHARES``, ``OFFSET_SHARE``), the area that
is allowed and the ground's elevation. Geometry is shapely's, densities are scipy's, and nothing is
aimed: every coordinate is drawn from its own prior.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
import shapely
from scipy import stats
from scipy.special import ndtri

from sitegis.evidence import OutdoorLocate, SurfaceSign, TapRecord
from sitegis.finds.ground import UNEVEN, UNEVEN_ASSUMED
from sitegis.finds.records import Found, Missed
from sitegis.geometry.frames import Array
from sitegis.model.results import Exit
from sitegis.model.site import Ground, Main, Side, Site
from sitegis.pits.cost import may_run_in
from sitegis.routes.bends import ANGLE_SHARES, COUNT_SHARES, OFFSET_SHARE

CUBE = 15
SHORTEST_M = 0.3
RULES_END_M = 0.762  # IPC, chapter 2, building drain: 30 in outside the wall
STRAYS_M, STRAYS_DEEP_M, SHORTEST_BLOCK_M = 20.0, 2.0, 30.0
NORMALS = {"front": -np.pi / 2, "right": 0.0, "rear": np.pi / 2, "left": np.pi}


@dataclass(frozen=True)
class Faces:
    """The house (square to the lot) and the yards beside it."""

    box: tuple[float, float, float, float]
    yards: dict[str, float]

    def strip(self, side: str, width: float) -> shapely.Polygon:
        """Return the strip of some width beside a face."""
        left, front, right, rear = self.box
        boxes = {
            "left": (left - width, front, left, rear),
            "right": (right, front, right + width, rear),
            "front": (left, front - width, right, front),
            "rear": (left, rear, right, rear + width),
        }
        return shapely.box(*boxes[side])

    def length(self, side: str) -> float:
        """Return the length of a face."""
        left, front, right, rear = self.box
        return rear - front if side in ("left", "right") else right - left

    def run(self, routes: Array, side: str, width: float) -> Array:
        """Return the length that routes run along a face, within a width of it."""
        parts, index = shapely.get_parts(
            shapely.intersection(routes, self.strip(side, width)), return_index=True
        )
        pairs, of_part = shapely.get_coordinates(parts, return_index=True)
        axis = 1 if side in ("left", "right") else 0
        same = of_part[1:] == of_part[:-1]
        steps = np.abs(np.diff(pairs[:, axis])) * same
        return (
            np.bincount(index[of_part[1:]], steps, minlength=len(routes))
            if len(steps)
            else (np.zeros(len(routes)))
        )


@dataclass(frozen=True)
class RouteModel:
    """One hypothesis: a direct way (``yard`` None) or a run beside a side of the house."""

    site: Site
    exit: Exit
    main: Main
    yard: Side | None
    least_slope: float

    @cached_property
    def line(self) -> shapely.LineString:
        return shapely.LineString(self.main.line)

    @cached_property
    def reach(self) -> float:
        return float(shapely.distance(self.line, shapely.Point(self.exit.x_m, self.exit.y_m)))

    @cached_property
    def faces(self) -> Faces:
        left, front, right, rear = shapely.bounds(shapely.Polygon(self.site.building.vertices))
        low, high = self.site.lot.vertices.min(axis=0), self.site.lot.vertices.max(axis=0)
        yards = {
            "left": left - low[0],
            "right": high[0] - right,
            "front": front - low[1],
            "rear": high[1] - rear,
        }
        return Faces((left, front, right, rear), {k: min(v, 4.0) for k, v in yards.items()})

    @cached_property
    def sequences(self) -> tuple[Array, Array, Array]:
        """List turns (s, 3), number of bends and prior; where what cannot serve has none."""
        signed = [
            (hand * np.radians(a), share / 2)
            for a, share in ANGLE_SHARES.items()
            for hand in (1, -1)
        ]
        rows = [
            (
                [t for t, _ in drawn] + [0.0] * (3 - n),
                n,
                COUNT_SHARES[n] * np.prod([p for _, p in drawn]),
            )
            for n in range(4)
            for drawn in product(signed, repeat=n)
        ]
        turns, counts = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
        prior = np.array([r[2] for r in rows], float)
        # half of two bends are an offset: the first is drawn, the other one turns back as much
        pairs = counts == 2
        prior[pairs] *= 1.0 - OFFSET_SHARE
        shares = [ANGLE_SHARES[round(a, 6)] / 2 for a in np.degrees(np.abs(turns[pairs, 0]))]
        back = turns[pairs, 0] + turns[pairs, 1] == 0.0
        prior[pairs] += COUNT_SHARES[2] * OFFSET_SHARE * np.where(back, shares, 0.0)
        if self.yard is None:
            prior[(counts > 2) | (np.abs(turns).sum(axis=1) > np.radians(120.0) + 1e-9)] = 0.0
        else:
            # Given the way, over what can serve it from here; where an exit square in the wall
            # away from the main could be served more easily, as from there.
            axis, forward = self._along()
            away = (np.pi / 2 if axis == 1 else 0.0) + (np.pi if forward > 0 else 0.0)
            here = self._served(turns, counts, prior, self.exit.angle_rad)
            usual = self._served(turns, counts, prior, away)
            prior = here / max(here.sum(), usual.sum())
        order = np.argsort(turns.sum(axis=1), kind="stable")
        return turns[order], counts[order], prior[order]

    @cached_property
    def toward(self) -> float:
        near = shapely.shortest_line(shapely.Point(self.exit.x_m, self.exit.y_m), self.line)
        (x, y), (to_x, to_y) = shapely.get_coordinates(near)
        return float(np.arctan2(to_y - y, to_x - x))

    @cached_property
    def allowed(self) -> shapely.Geometry:
        """Return lot, rights-of-way and easements, prepared for many tests."""
        area = may_run_in(self.site)
        shapely.prepare(area)
        return area

    def _along(self) -> tuple[int, float]:
        """Return the axis along the yard and the direction (±1) of the run."""
        axis = 1 if self.yard in ("left", "right") else 0
        toward = (np.cos(self.toward), np.sin(self.toward))[axis]
        return axis, 1.0 if toward >= 0 else -1.0

    def _served(self, turns: Array, counts: Array, prior: Array, exit_angle: float) -> Array:
        """Return the prior of sequences from an exit direction, 0 where they cannot serve the yard.

        What serves has a straight along the yard after a bend, one that leaves the house on that
        side (within 75°) before it, and an end within 75° (+ 4 sd of the exit's angle) of square
        to the main. The nearer the yard's straight is to parallel, the likelier: sd 7° and that
        of the exit's angle, floor 0.15.
        """
        yard, off = self._yard_straight(turns, counts, exit_angle)
        headings = exit_angle + np.cumsum(np.column_stack([np.zeros(len(turns)), turns]), axis=1)
        leaves = np.abs(_turn(headings - NORMALS[str(self.yard)])) <= np.radians(75.0) + 1e-12
        leaves &= np.arange(4) < yard[:, None]
        variance = self.exit.covariance[2, 2]
        square = np.abs(_turn(headings[:, -1] - self.toward))
        serves = (yard <= counts) & leaves.any(axis=1)
        serves &= square <= np.radians(75.0) + 4.0 * np.sqrt(variance)
        parallel = stats.norm(0.0, np.sqrt(np.radians(7.0) ** 2 + variance))
        return prior * serves * (0.15 + 0.85 * parallel.pdf(off) / parallel.pdf(0.0))

    def _yard_straight(self, turns: Array, counts: Array, exit_angle: float) -> tuple[Array, Array]:
        """Return the first straight after a bend within 25° of the yard, and its angle from it.

        Its number is 9 where there is none.
        """
        axis, forward = self._along()
        wanted = (np.pi / 2 if axis == 1 else 0.0) + (0.0 if forward > 0 else np.pi)
        off = np.abs(_turn(exit_angle + np.cumsum(turns, axis=1) - wanted))
        close = off <= np.radians(25.0) + 1e-12
        close &= np.arange(1, 4) <= counts[:, None]
        first = np.argmax(close, axis=1)
        return np.where(close.any(axis=1), 1 + first, 9), off[np.arange(len(off)), first]

    def lay(self, cube: Array) -> dict[str, Array]:
        """Turn points of the cube (n, 15) into routes."""
        cube = np.clip(cube, 1e-12, 1.0 - 1e-9)
        spread = np.sqrt(np.diag(self.exit.covariance))
        start = np.array([self.exit.x_m, self.exit.y_m]) + spread[:2] * ndtri(cube[:, :2])
        heading = self.exit.angle_rad + spread[2] * ndtri(cube[:, 2])
        invert, slope = self._levels(cube[:, 3:8])
        turns, counts, prior = self.sequences
        chosen = np.minimum(np.searchsorted(np.cumsum(prior), cube[:, 8]), len(prior) - 1)
        possible = cube[:, 8] < prior.sum()
        turns, counts = turns[chosen], counts[chosen]
        # 15 in 100 bends are rolled, joined or bent pipe: 12° about a catalog angle; others 2°
        rolled, u = cube[:, 12:] < 0.15, cube[:, 12:]
        off = np.where(rolled, 12.0 * ndtri(u / 0.15), 2.0 * ndtri((u - 0.15) / 0.85))
        vertices, here, fits = [start], start, possible & (slope > 0)
        direction = heading
        for i in range(3):
            ahead = np.column_stack([np.cos(direction), np.sin(direction)])
            length = self._length(i, cube[:, 9 + i], here, ahead, turns, counts)
            bends = counts > i
            fits &= ~bends | (length >= SHORTEST_M)
            here = here + np.where(bends, length, 0.0)[:, None] * ahead
            direction = direction + np.where(bends, turns[:, i] + np.radians(off[:, i]), 0.0)
            vertices.append(here)
        return {
            "vertices": np.stack(vertices, axis=1),
            "final": direction,
            "heading": heading,
            "invert": invert,
            "slope": slope,
            "bed": ndtri(cube[:, 7]),
            "fits": fits,
        }

    def _levels(self, cube: Array) -> tuple[Array, Array]:
        """Draw invert and slope: a component of the profile, then perhaps another slope."""
        shares = np.cumsum([c.weight for c in self.exit.profile])
        which = np.minimum(np.searchsorted(shares, cube[:, 0], side="right"), len(shares) - 1)
        means = np.stack([c.mean for c in self.exit.profile])[which]
        spreads = np.stack([np.sqrt(np.diag(c.covariance)) for c in self.exit.profile])[which]
        invert, slope = (means + spreads * ndtri(cube[:, 1:3])).T
        anew = self.least_slope + (cube[:, 3] - 0.6) / 0.4 * (0.06 - self.least_slope)
        return invert, np.where(cube[:, 3] < 0.6, slope, anew)

    def _length(
        self, i: int, u: Array, here: Array, ahead: Array, turns: Array, counts: Array
    ) -> Array:
        """Draw the length of the straight before bend i."""
        toward = ahead @ np.array([np.cos(self.toward), np.sin(self.toward)])
        aside = (i == 0) & (toward < np.cos(np.radians(60.0)))
        if self.yard is None:
            most = max(self.reach, 0.6)
            return np.where(
                aside,
                _near_or_even(u, SHORTEST_M, most, RULES_END_M),
                _short_or_even(u, SHORTEST_M, most),
            )
        left, front, right, rear = self.faces.box
        strip = self.faces.yards[self.yard]
        free = _short_or_even(u, SHORTEST_M, max(min(self.reach, 6.0), 0.6))
        within = _short_or_even(u, SHORTEST_M, max(min(strip - 0.15, 6.0), 0.6))
        into = _near_or_even(u, 0.15, max(strip - 0.15, 0.3), RULES_END_M)
        past = _short_or_even(u, 0.15, max(self.reach, 0.3))
        axis, forward = self._along()
        face = {"left": left, "right": right, "front": front, "rear": rear}[self.yard]
        outward = 1.0 if self.yard in ("right", "rear") else -1.0
        far = ((left, right), (front, rear))[axis][int(forward > 0)]
        goal_into = (face + outward * into - here[:, 1 - axis]) / _safe(ahead[:, 1 - axis])
        goal_past = (far + forward * past - here[:, axis]) / _safe(ahead[:, axis])
        yard, _ = self._yard_straight(turns, counts, self.exit.angle_rad)
        near_most = np.full(len(u), max(min(self.reach, 6.0), 0.6))
        if self.exit.side == self.yard:
            free = np.where(yard > i + 1, within, free)
            near_most = np.where(yard > i + 1, max(min(strip - 0.15, 6.0), 0.6), near_most)
        near = _near_or_even(u, SHORTEST_M, near_most, RULES_END_M)
        free = np.where(aside, near, free)
        return np.where(yard == i + 1, goal_into, np.where(yard == i, goal_past, free))

    def log_weight(self, cube: Array) -> tuple[Array, Array]:
        """Return log weights (n,), −inf where a route cannot be, and the stations of the taps."""
        laid = self.lay(np.atleast_2d(cube))
        vertices, fits = laid["vertices"], laid["fits"]
        here, line = vertices[:, -1], self.line
        ahead = np.column_stack([np.cos(laid["final"]), np.sin(laid["final"])])
        met = shapely.intersection(
            shapely.linestrings(np.stack([here, here + 300 * ahead], 1)), line
        )
        hit = shapely.get_type_id(met) == 0
        tap = np.where(
            hit[:, None], np.column_stack([shapely.get_x(met), shapely.get_y(met)]), here
        )
        fits = fits & hit & (np.hypot(*(tap - here).T) >= SHORTEST_M)
        fits &= ~shapely.intersects(shapely.linestrings(vertices), line)
        routes = shapely.linestrings(np.concatenate([vertices, tap[:, None]], axis=1))
        station = shapely.line_locate_point(line, shapely.points(tap))
        slant, off_wall = self._slants(laid)
        run = shapely.length(routes)
        bed = np.interp(station, [0.0, line.length], self.main.inverts_m)
        arrival = laid["invert"] - laid["slope"] * run - bed - self.main.invert_sd_m * laid["bed"]
        fits &= (np.cos(off_wall) > 0.17) & (slant <= np.radians(75.0)) & (arrival >= 0)
        fits &= np.asarray(shapely.contains_properly(self.allowed, routes))
        fits &= self._clear_of_house(laid, tap) & self._beside(routes)
        weight = 0.15 + 0.85 * np.exp(-0.5 * (slant / np.radians(30.0)) ** 2)
        weight = weight * (0.3 + 0.7 * np.exp(-np.maximum(arrival - 1.0, 0.0)))
        value = np.log(weight) + self._evidence(routes, station, laid)
        return np.where(fits, value, -np.inf), station

    def _slants(self, laid: dict[str, Array]) -> tuple[Array, Array]:
        """Return the angles off square at the main and at the wall."""
        flow = np.arctan2(*(self.main.line[1] - self.main.line[0])[::-1])
        slant = np.arccos(np.clip(np.abs(np.sin(laid["final"] - flow)), 0, 1))
        return slant, np.abs(_turn(laid["heading"] - NORMALS[self.exit.side]))

    def _clear_of_house(self, laid: dict[str, Array], tap: Array) -> Array:
        """Return which routes stay out of the house once they are 5 mm outside its wall."""
        vertices = np.concatenate([laid["vertices"], tap[:, None]], axis=1)
        normal = NORMALS[self.exit.side]
        out = np.array([np.cos(normal), np.sin(normal)])
        corner = self.site.building.vertices[self.exit.wall_index]
        inside = np.maximum(0.005 - (vertices[:, 0] - corner) @ out, 0.0)
        ahead = np.column_stack([np.cos(laid["heading"]), np.sin(laid["heading"])])
        moved = vertices[:, 0] + (inside / _safe(ahead @ out))[:, None] * ahead
        same = np.all(vertices == vertices[:, :1], axis=2)
        vertices = np.where(same[..., None], moved[:, None], vertices)
        house = shapely.Polygon(self.site.building.vertices)
        return np.asarray(~shapely.intersects(shapely.linestrings(vertices), house))

    def _beside(self, routes: Array) -> Array:
        """Return which routes run beside half of the face they should, or of none where direct."""
        faces = self.faces
        if self.yard is None:
            beside = np.zeros(len(routes), bool)
            for side, width in faces.yards.items():
                beside |= faces.run(routes, side, width) >= 0.5 * faces.length(side)
            return ~beside
        run = faces.run(routes, self.yard, faces.yards[self.yard])
        whole = shapely.intersection(routes, faces.strip(self.yard, 1e3))
        lot = shapely.Polygon(self.site.lot.vertices).buffer(1e-9)
        return np.asarray((run >= 0.5 * faces.length(self.yard)) & shapely.covers(lot, whole))

    def _evidence(self, routes: Array, station: Array, laid: dict[str, Array]) -> Array:
        """Return the log likelihood of the site's evidence."""
        total = np.zeros(len(routes))
        for item in self.site.evidence:
            if isinstance(item, TapRecord):
                total += np.log(self._tap_record(item, station))
            elif isinstance(item, SurfaceSign):
                gap = shapely.distance(routes, shapely.Point(item.x_m, item.y_m))
                total += np.log(0.5 * stats.norm.pdf(gap, 0, item.radius_m) + 0.5 / STRAYS_M)
            elif isinstance(item, OutdoorLocate):
                total += np.log(self._locate(item, routes, laid))
            elif isinstance(item, Missed):
                total += np.log(1.0 - 0.95 * shapely.intersects(routes, _hole(item)))
        if found := [item for item in self.site.evidence if isinstance(item, Found)]:
            total += np.log(self._found(found, routes, laid))
        return total

    def _found(self, items: list[Found], routes: Array, laid: dict[str, Array]) -> Array:
        """Weigh pipes seen in test pits: 49 in 50 are this drain, others lie anywhere.

        Summed over which of them are; depths of those share the ground's error.
        """
        whole = np.zeros(len(routes))
        seen = [self._seen(item, routes, laid) for item in items]
        for right in product((True, False), repeat=len(items)):
            density, gaps, places = np.ones(len(routes)), [], []
            for item, own, (plain, gap, stray) in zip(items, right, seen, strict=True):
                density = density * (0.98 * plain if own else 0.02 * stray)
                if own and gap is not None:
                    gaps.append(gap)
                    places.append((item.x_m, item.y_m))
            if gaps:
                spread = ground_covariance(self.site.ground, np.array(places))
                spread = spread + 0.02**2 * np.eye(len(gaps))
                depths = np.stack(gaps, axis=1)
                density = density * stats.multivariate_normal.pdf(depths, cov=spread)
            whole += density
        return whole

    def _seen(
        self, item: Found, routes: Array, laid: dict[str, Array]
    ) -> tuple[Array, Array | None, float]:
        """Return a find's density without its depth, how far routes lie above it, and a stray's."""
        point = shapely.Point(item.x_m, item.y_m)
        spread = np.hypot(0.02, item.sd_m)
        right = stats.norm.pdf(shapely.distance(routes, point), 0.0, spread)
        run, stray, gap = shapely.line_locate_point(routes, point), 1.0 / STRAYS_M, None
        if item.depth_to_invert_m is not None:
            here = np.array([item.x_m, item.y_m])
            found = float(self.site.ground.elevation_m(here)) - item.depth_to_invert_m
            gap, stray = laid["invert"] - laid["slope"] * run - found, stray / STRAYS_DEEP_M
        if item.direction_rad is not None:
            before, after = (
                shapely.get_coordinates(shapely.line_interpolate_point(routes, run + step))
                for step in (-0.01, 0.01)
            )
            axis = np.arctan2(*(after - before).T[::-1]) - item.direction_rad
            off = np.abs(np.mod(axis + np.pi / 2, np.pi) - np.pi / 2)
            right, stray = right * stats.norm.pdf(off, 0.0, np.radians(5.0)), stray / np.pi
        return right, gap, stray

    def _tap_record(self, item: TapRecord, station: Array) -> Array:
        block = max(self.line.length, SHORTEST_BLOCK_M)
        stray = 0.2 / len(self.site.mains) / block
        if item.main != self.main.id:
            return np.full(len(station), stray)
        manhole = next(m for m in self.main.manholes if m.id == item.manhole)
        sd = np.hypot(0.6, 0.2)
        return 0.8 * stats.norm.pdf(station, manhole.station_m + item.distance_m, sd) + stray

    def _locate(self, item: OutdoorLocate, routes: Array, laid: dict[str, Array]) -> Array:
        point = shapely.Point(item.x_m, item.y_m)
        noise, nu = self.site.noise, self.site.noise.degrees_of_freedom
        assert item.depth_m is not None
        reading = max(noise.horizontal_floor_m, noise.horizontal_share * item.depth_m)
        sd = np.hypot(reading, noise.session_horizontal_m)
        right = stats.t.pdf(shapely.distance(routes, point) / sd, nu) / sd
        run = shapely.line_locate_point(routes, point)
        ground = float(self.site.ground.elevation_m(np.array([item.x_m, item.y_m])))
        head = laid["invert"] - laid["slope"] * run + self.site.head_above_invert_m
        own = max(noise.depth_floor_m, noise.depth_share * item.depth_m)
        deep_sd = np.sqrt(own**2 + (noise.session_depth_scale * item.depth_m) ** 2 + 0.15**2)
        right = right * stats.t.pdf((item.depth_m - (ground - head)) / deep_sd, nu) / deep_sd
        return np.asarray(0.95 * right + 0.05 / STRAYS_M / STRAYS_DEEP_M)


def _hole(item: Missed) -> shapely.Polygon:
    """Return a hole that is square to the lot; no pipe lies below its bottom in these tests."""
    middle, half = np.array([item.x_m, item.y_m]), np.array([item.length_m, item.width_m]) / 2
    return shapely.box(*(middle - half), *(middle + half))


def _turn(angle: Array) -> Array:
    return np.asarray((angle + np.pi) % (2 * np.pi) - np.pi)


def _safe(rate: Array) -> Array:
    return np.where(np.abs(rate) > 1e-6, rate, 1e-6)


def _short_or_even(u: Array, least: float, most: float) -> Array:
    """Draw a length: 0.4 of them an exponential of mean 1 m past the least, the rest even."""
    short = least - np.log1p(-np.minimum(u / 0.4, 1.0 - 1e-12))
    return np.where(u < 0.4, short, least + (u - 0.4) / 0.6 * (most - least))


def _near_or_even(u: Array, least: float, most: Array | float, end: float) -> Array:
    """Draw a length: 0.7 of them log-normal about where the drain ends, the rest even."""
    middle = np.minimum(end, 0.5 * (least + most))
    near = middle * np.exp(0.3 * ndtri(np.minimum(u / 0.7, 1.0 - 1e-12)))
    return np.where(u < 0.7, near, least + (u - 0.7) / 0.3 * (most - least))


def ground_covariance(ground: Ground, places: Array) -> Array:
    """Return the covariance of the ground's error between places (k, 2), written apart."""
    own, together = [], np.empty((len(places), len(places)))
    for place in places:
        near = 1.0 / (np.sum((ground.spots - place) ** 2, axis=1) + 1e-6)
        own.append(near / near.sum() * ground.sds_m)
    uneven = UNEVEN_ASSUMED if ground.assumed else UNEVEN
    for a, one in enumerate(own):
        for b, other in enumerate(own):
            cosine = one @ other / np.linalg.norm(one) / np.linalg.norm(other)
            gap = np.hypot(*(places[a] - places[b])) * uneven / ground.sds_m.mean()
            together[a, b] = one.sum() * other.sum() * cosine * np.exp(-0.5 * gap**2)
    return together
