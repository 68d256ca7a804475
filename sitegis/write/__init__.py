"""Stage ``write``: the answer as files that appear together or not at all."""

from .derive import find
from .outputs import write_outputs
from .summary import summary_lines

__all__ = ["find", "summary_lines", "write_outputs"]
