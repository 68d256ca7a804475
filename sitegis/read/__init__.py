"""Stage ``read``: a site folder into frozen records, all faults reported together.

``read_site`` is imported on use, so that ``start``, which reads nothing, starts at once.
"""

from typing import TYPE_CHECKING

from ..on_use import imported_on_use
from .start import start_site

if TYPE_CHECKING:
    from .site_folder import read_site

__all__ = ["read_site", "start_site"]

__getattr__ = imported_on_use(__name__, {"read_site": ".site_folder"})
