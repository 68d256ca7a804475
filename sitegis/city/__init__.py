"""Many lots at once, from a city's own layers, with the stages' habits and priors."""

from .run import run_city

__all__ = ["run_city"]
