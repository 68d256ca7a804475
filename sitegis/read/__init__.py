"""Stage ``read``: a site folder into frozen records, all faults reported together.

``read_site`` is imported on use, so that ``start``, which reads nothing, starts at once.
"""

from typing import TYPE_CHECKING, Any

from .start import start_site

if TYPE_CHECKING:
    from .site_folder import read_site

__all__ = ["read_site", "start_site"]


def __getattr__(name: str) -> Any:
    """Import ``read_site`` when it is asked for."""
    if name != "read_site":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from .site_folder import read_site  # noqa: PLC0415 - start-up

    return read_site
