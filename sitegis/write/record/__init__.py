"""The lateral record: a PDF that a municipality files."""

from .document import record_bytes

__all__ = ["record_bytes"]
