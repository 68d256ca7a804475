"""The network of one site: which unknowns there are and what was measured between them.

Everything is adjusted in the lot frame. The building's pose is an unknown observed with its own
standard deviations, so the covariance of the points contains the building's.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..geometry import polyline
from ..geometry.frames import Array, rotation
from ..messages.catalog import fault_of
from ..messages.errors import ComputationError
from ..model.site import CORNER_SIDES, Locate, Room, Side, Site, Tie, corner_index
from ..numerics.ordering import MATTERS_M, in_steps
from .network import Network, Observation

BUILDING = "building"
_COORDINATE_NAMES = ("x", "y")
# Judgment, no source: a pose that is stated without a spread is still not known to a hair.
_LEAST_SD_M, _LEAST_SD_RAD = 1e-3, 1e-4
# Judgment, no source: no tape is read to less; a smaller spread would make the sums singular.
_LEAST_READ_M = 1e-4


def corner_name(site: Site, index: int) -> str:
    """Name a building corner: front-left and so on, else by its number.

    Parameters
    ----------
    site
        The site as read.
    index
        Vertex of the outline.

    Returns
    -------
    str
        The name.
    """
    outline, sides = building_outline(site), site.building.sides
    for name in CORNER_SIDES:
        if corner_index(outline, sides, name) == index:
            return name
    return f"corner {index + 1}"


def building_outline(site: Site) -> Array:
    """Return the building's outside corners in the building frame (n, 2)."""
    building = site.building
    # right-multiplied by R(θ): every row is turned back by the building's angle
    return np.asarray((building.vertices - building.vertices[0]) @ rotation(building.angle_rad))


def find_room(site: Site, name: str) -> Room | None:
    """Find a room by id, then by name.

    Parameters
    ----------
    site
        The site as read.
    name
        Id or name of a room.

    Returns
    -------
    Room | None
        The room, None where there is none.
    """
    for room in site.rooms:
        if room.id == name:
            return room
    # ids go before names, for a name may be another room's id
    return next((room for room in site.rooms if room.name == name), None)


def site_network(
    site: Site, *, wall_edges: dict[int, int] | None = None, all_corners: bool = False
) -> Network:
    """Build the network of a site, with the building corners that are used (or all).

    ``wall_edges`` names the edge of the building for a wall contact (by its place in
    ``site.wall_contacts``); the longest edge on its side is taken otherwise. Raises
    ``ComputationError`` where a tie or a row names something that is not there.

    Parameters
    ----------
    site
        The site as read.
    wall_edges
        Edge of the building by place in ``site.wall_contacts``, None for the longest of
        each side.
    all_corners
        Whether corners that nothing is tied to are nodes too.

    Returns
    -------
    Network
        The network.

    Raises
    ------
    ComputationError
        A tie or a row names something that is not there.
    """
    builder = _Builder(site)
    builder.add_building()
    for room in site.rooms:
        builder.add_room(room)
    for locate in site.locates:
        builder.add_locate(locate)
    for tie in site.ties:
        builder.add_tie(tie)
    for i in range(len(site.wall_contacts)):
        builder.add_wall(i, (wall_edges or {}).get(i))
    if all_corners:
        builder.add_corners()
    return Network(
        builder.nodes, builder.poses, builder.size, tuple(_distinct(builder.observations))
    )


def _distinct(observations: list[Observation]) -> Iterator[Observation]:
    """Yield each observation under a name of its own: one that occurs again is numbered."""
    seen: dict[str, int] = {}
    for item in observations:
        seen[item.name] = seen.get(item.name, 0) + 1
        again = "" if seen[item.name] == 1 else f" (again, {seen[item.name]})"
        sd = max(float(item.sd), _LEAST_READ_M)
        yield replace(item, name=item.name + again, value=float(item.value), sd=sd)


class _Builder:
    """Collects unknowns and observations in the order of the site's records."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.nodes: dict[str, int] = {}
        self.poses: dict[str, int] = {}
        self.size = 0
        self.observations: list[Observation] = []
        self.outline = building_outline(site)

    def _claim(self, count: int) -> int:
        column, self.size = self.size, self.size + count
        return column

    def _pose(self, name: str) -> int:
        if name not in self.poses:
            self.poses[name] = self._claim(3)
        return self.poses[name]

    def _observe(self, item: Observation) -> None:
        self.observations.append(item)

    def _fix(self, column: int, value: Array, sd: float, what: str, joins: str) -> None:
        """Observe the coordinates of a node in the lot."""
        for axis in (0, 1):
            name = f"{what} {_COORDINATE_NAMES[axis]}"
            self._observe(
                # the two coordinates are observed apart, of equal spread and uncorrelated
                Observation(name, "value", (column + axis,), float(value[axis]), sd, joins=(joins,))
            )

    def _offset(
        self,
        node: int,
        pose: int,
        value: tuple[float, float],
        sd: tuple[float, float],
        what: str,
        room: str,
        joins: tuple[str, ...],
    ) -> None:
        """Observe the offsets of a node in a pose; one that was not measured is left out."""
        columns = (node, pose)
        if math.isfinite(value[0]):
            self._observe(
                Observation(f"{what} x", "offset-x", columns, value[0], sd[0], room, joins)
            )
        if math.isfinite(value[1]):
            self._observe(
                Observation(f"{what} y", "offset-y", columns, value[1], sd[1], room, joins)
            )

    def add_building(self) -> None:
        """Add the building's pose as observed."""
        building = self.site.building
        pose = self._pose(BUILDING)
        sd = max(building.position_sd_m, _LEAST_SD_M)
        self._fix(pose, building.vertices[0], sd, "building position", BUILDING)
        self._observe(
            Observation(
                # in rad, which the table of the adjustment writes as m per m
                "building direction (m per m)",
                "value",
                (pose + 2,),
                building.angle_rad,
                max(building.angle_sd_rad, _LEAST_SD_RAD),
                joins=(BUILDING,),
            )
        )

    def add_room(self, room: Room) -> None:
        """Add a room's pose, and what is known of it against the building."""
        pose, building = self._pose(room.id), self.poses[BUILDING]
        # the first two columns of the pose are its origin: a tie to it needs no unknown of its own
        self.nodes[f"{room.id}:origin"] = pose
        joins = (room.id, BUILDING)
        if room.origin_m is not None:
            sd = max(room.origin_sd_m, _LEAST_SD_M)
            what = f"origin of room {room.id}"
            self._offset(pose, building, room.origin_m, (sd, sd), what, "", joins)
        # stated against the building, not the lot: a turned house turns its rooms along
        if room.x_toward_rad is not None:
            self._observe(
                Observation(
                    f"direction of room {room.id} (m per m)",
                    "turn",
                    (pose + 2, building + 2),
                    room.x_toward_rad,
                    max(room.x_toward_sd_rad, _LEAST_SD_RAD),
                    joins=joins,
                )
            )

    def add_locate(self, locate: Locate) -> None:
        """Add one row of the table of points."""
        node = self.nodes.get(locate.id)
        if node is None:
            node = self.nodes[locate.id] = self._claim(2)
        noise = self.site.noise
        value = (locate.x_m, locate.y_m)
        sds = (noise.tape_sd_m(locate.x_m), noise.tape_sd_m(locate.y_m))
        # taped from the lot's own lines: the corners those start from are uncertain too
        if locate.room == "lot":
            # one spread for both axes, the larger, since the lines taped from need not be square
            spread = max(math.hypot(sd, self.site.lot.corner_sd_m) for sd in sds)
            self._fix(node, np.array(value), spread, f"{locate.id} in the lot,", locate.id)
            return
        room = find_room(self.site, locate.room)
        if room is None:
            raise _unknown("name-unknown:room", "locates.csv", locate.row, "room", locate.room)
        self._offset(
            node,
            self.poses[room.id],
            value,
            sds,
            f"{locate.id} in room {room.id},",
            room.id,
            (locate.id, room.id),
        )

    def add_tie(self, tie: Tie) -> None:
        """Add a taped distance."""
        start, end = self._named(tie.from_name, tie), self._named(tie.to_name, tie)
        if start == end:
            raise _unknown("name-unknown:itself", "ties.csv", tie.row, "to", tie.to_name)
        self._observe(
            Observation(
                f"tie {tie.from_name} to {tie.to_name}",
                "distance",
                (start, end),
                tie.distance_m,
                tie.sd_m,
                joins=(tie.from_name, tie.to_name),
            )
        )

    def add_wall(self, index: int, edge: int | None) -> None:
        """Add a point on the inside face of an outside wall."""
        contact = self.site.wall_contacts[index]
        node = self.nodes.get(contact.point)
        if node is None:
            raise _unknown("name-unknown:point", "site.toml", None, "wall.point", contact.point)
        edges = wall_candidates(self.site, contact.side)
        if not edges:
            raise _unknown("name-unknown:side", "site.toml", None, "wall.side", contact.side)
        first = edges[0] if edge is None else edge
        # the corners are unknowns too, tied to the building's pose: the outline's
        # own spread then counts in the wall's place
        ends = (self._corner(first), self._corner((first + 1) % len(self.outline)))
        self._observe(
            Observation(
                f"{contact.point} on the {contact.side} wall",
                "wall",
                (node, *ends),
                # the point lies inside by the wall's thickness: that is what is observed
                contact.thickness_m,
                max(contact.sd_m, _LEAST_SD_M),
                joins=(contact.point, f"{contact.side} wall"),
            )
        )

    def add_corners(self) -> None:
        """Add every building corner, used or not."""
        for index in range(len(self.outline)):
            self._corner(index)

    def _corner(self, index: int) -> int:
        """Return the node of a building corner, observed in the building's outline."""
        name = corner_name(self.site, index)
        key = f"{BUILDING}:{name}"
        if key not in self.nodes:
            node = self.nodes[key] = self._claim(2)
            sd = max(self.site.building.outline_sd_m, _LEAST_SD_M)
            value = (float(self.outline[index, 0]), float(self.outline[index, 1]))
            self._offset(
                node,
                self.poses[BUILDING],
                value,
                (sd, sd),
                f"building corner {name},",
                "",
                (key, BUILDING),
            )
        return self.nodes[key]

    def _named(self, name: str, tie: Tie) -> int:
        """Return the node that a tie's end names."""
        if name in self.nodes:
            return self.nodes[name]
        owner, _, corner = name.rpartition(":")
        if owner == BUILDING and corner in CORNER_SIDES:
            return self._corner(corner_index(self.outline, self.site.building.sides, corner))
        if owner == "lot" and corner in CORNER_SIDES:
            index = corner_index(self.site.lot.vertices, self.site.lot.sides, corner)
            node = self.nodes[name] = self._claim(2)
            sd = max(self.site.lot.corner_sd_m, _LEAST_SD_M)
            self._fix(node, self.site.lot.vertices[index], sd, f"lot corner {corner},", name)
            return node
        room = find_room(self.site, owner) if corner == "origin" else None
        if room is not None:
            return self.poses[room.id]
        raise _unknown("name-unknown", "ties.csv", tie.row, "from, to", name)


def named_places(site: Site, network: Network, x: Array) -> dict[str, Array]:
    """Return the place (2,) of every node and building corner in the lot at unknowns (size,).

    Parameters
    ----------
    site
        The site as read.
    network
        Nodes, poses and observations of the site.
    x
        Unknowns (size,), m and rad.

    Returns
    -------
    dict[str, Array]
        Places (2,) in the lot by name, m.
    """
    pose = x[network.poses[BUILDING] : network.poses[BUILDING] + 3]
    corners = pose[:2] + building_outline(site) @ rotation(pose[2]).T
    places = {f"{BUILDING}:{corner_name(site, i)}": corner for i, corner in enumerate(corners)}
    return places | {name: x[column : column + 2] for name, column in network.nodes.items()}


def wall_candidates(site: Site, side: Side) -> list[int]:
    """Return the building's edges on a side, longest first.

    Parameters
    ----------
    site
        The site as read.
    side
        Side of the building.

    Returns
    -------
    list[int]
        Edge numbers.
    """
    lengths = polyline.segment_lengths(polyline.closed(site.building.vertices))
    edges = [i for i, name in enumerate(site.building.sides) if name == side]
    return sorted(edges, key=lambda i: -float(in_steps(lengths[i], MATTERS_M)))


def _unknown(name: str, file: str, row: int | None, field: str, value: str) -> ComputationError:
    """Return the error for something named that is not there."""
    return ComputationError(fault_of(name, file, row, field, value, side=value))
