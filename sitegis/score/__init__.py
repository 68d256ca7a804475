"""Stage ``score``: evidence per hypothesis, posterior, contributions, the best next check."""

from .stage import score_hypotheses

__all__ = ["score_hypotheses"]
