"""Stage ``place``: points in the lot from tape, ties, walls and the receiver."""

from .stage import place_points

__all__ = ["place_points"]
