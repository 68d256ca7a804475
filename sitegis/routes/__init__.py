"""Stage ``routes``: weighted samples of complete routes to every main on record.

Imported on use: ``city`` takes its priors and limits, and no sampler.
"""

from typing import TYPE_CHECKING

from ..on_use import imported_on_use

if TYPE_CHECKING:
    from .sample import sample_routes

__all__ = ["sample_routes"]

__getattr__ = imported_on_use(__name__, {"sample_routes": ".sample"})
