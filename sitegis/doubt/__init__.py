"""Stage ``doubt``: is what was told what was meant? Other readings of the same numbers."""

from .hits import lower_hits
from .stage import doubt_input

__all__ = ["doubt_input", "lower_hits"]
