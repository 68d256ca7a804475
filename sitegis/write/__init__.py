"""Stage ``write``: the answer as files that appear together or not at all."""

from .outputs import write_outputs

__all__ = ["write_outputs"]
