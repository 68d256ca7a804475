"""Stage ``line``: the building drain in plan and in profile under the slab.

Imported on use: others take its constants, and no fit.
"""

from typing import TYPE_CHECKING

from ..on_use import imported_on_use

if TYPE_CHECKING:
    from .stage import fit_line

__all__ = ["fit_line"]

__getattr__ = imported_on_use(__name__, {"fit_line": ".stage"})
