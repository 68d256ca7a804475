"""Stage ``write``: the answer as files that appear together or not at all.

Its functions are imported on use: ``city`` needs its styles, and no writer of a site's files.
"""

from typing import TYPE_CHECKING

from ..on_use import imported_on_use

if TYPE_CHECKING:
    from .derive import find
    from .outputs import write_outputs
    from .summary import summary_lines

__all__ = ["find", "summary_lines", "write_outputs"]

__getattr__ = imported_on_use(
    __name__, {"find": ".derive", "summary_lines": ".summary", "write_outputs": ".outputs"}
)
