"""Stage ``routes``: weighted samples of complete routes to every main on record."""

from .sample import UNLISTED_LOG_FIT, sample_routes

__all__ = ["UNLISTED_LOG_FIT", "sample_routes"]
