"""Stage ``branches``: several runs of the cable as a tree of pipes that meet in wyes and tees."""

from .stage import fit_drains

__all__ = ["fit_drains"]
