"""Records of arrays that share their first axis: their rows taken and joined, field by field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Record = TypeVar("Record", bound="DataclassInstance")


def take_rows(record: Record, index: NDArray[Any]) -> Record:
    """Return a record with some rows of each of its arrays.

    Parameters
    ----------
    record
        Dataclass whose fields are arrays (m, ...), or records of such.
    index
        Row numbers (k,), or a mask (m,) of the rows to keep.

    Returns
    -------
    record
        Of the same type, with arrays (k, ...).
    """
    # a mask is looked through once, not again for each array
    rows = np.flatnonzero(index) if index.dtype == bool else index
    taken = {}
    for field in fields(record):
        value = getattr(record, field.name)
        taken[field.name] = (
            value.take(rows, axis=0) if isinstance(value, np.ndarray) else take_rows(value, rows)
        )
    return replace(record, **taken)


def join_rows(records: Sequence[Record]) -> Record:
    """Return one record of the rows of several (at least one), in their order."""
    names = [field.name for field in fields(records[0])]
    joined = {name: np.concatenate([getattr(one, name) for one in records]) for name in names}
    return replace(records[0], **joined)
