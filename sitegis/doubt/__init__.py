"""Stage ``doubt``: is what was told what was meant? Other readings of the same numbers."""

from .stage import doubt_input, lower_hits

__all__ = ["doubt_input", "lower_hits"]
