"""Stage ``score``: evidence per hypothesis, posterior, contributions, the best next check.

``join_exit`` then reads the exit from the same weighted routes. Imported on use: ``city`` takes
the measure of information alone.
"""

from typing import TYPE_CHECKING

from ..on_use import imported_on_use

if TYPE_CHECKING:
    from .exit_after import join_exit
    from .stage import score_hypotheses
    from .what_if import suppose

__all__ = ["join_exit", "score_hypotheses", "suppose"]

__getattr__ = imported_on_use(
    __name__, {"join_exit": ".exit_after", "score_hypotheses": ".stage", "suppose": ".what_if"}
)
