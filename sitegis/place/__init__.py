"""Stage ``place``: points in the lot from tape, ties, walls and the locator."""

from .stage import place_points

__all__ = ["place_points"]
