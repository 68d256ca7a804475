"""Stage ``read``: a site folder into frozen records, all faults reported together."""

from ._site_folder import read_site
from ._start import start_site

__all__ = ["read_site", "start_site"]
