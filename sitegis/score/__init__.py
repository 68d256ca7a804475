"""Stage ``score``: evidence per hypothesis, posterior, contributions, the best next check."""

from .stage import score_hypotheses
from .what_if import suppose

__all__ = ["score_hypotheses", "suppose"]
