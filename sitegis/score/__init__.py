"""Stage ``score``: evidence per hypothesis, posterior, contributions, the best next check.

``join_exit`` then reads the exit from the same weighted routes.
"""

from .exit_after import join_exit
from .stage import score_hypotheses
from .what_if import suppose

__all__ = ["join_exit", "score_hypotheses", "suppose"]
