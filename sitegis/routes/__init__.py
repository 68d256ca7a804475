"""Stage ``routes``: weighted samples of complete routes to every main on record."""

from .sample import sample_routes

__all__ = ["sample_routes"]
