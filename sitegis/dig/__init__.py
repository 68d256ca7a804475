"""Stage ``dig``: where to dig, how deep, what it costs, and how to find the place."""

from .plan import plan_dig

__all__ = ["plan_dig"]
