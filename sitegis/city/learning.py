"""The habits of a town from its laterals on record, before any lot is worked out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from .chunks import AROUND_M, BREAKS
from .habits import Choices, join_choices, learn
from .laterals import learned_notice
from .layer_arrays import Whole
from .lots import work_choices
from .read import City, basement_share
from .stored import Layers


def with_habits(city: City, chunks: list[Whole]) -> City:
    """Return a city whose habits are learned from its laterals on record, with a notice of them.

    A city without any stays as it is.

    Parameters
    ----------
    city
        The layers as read.
    chunks
        Places of neighboring lots, chunk by chunk.

    Returns
    -------
    City
        The city.
    """
    known = city.layers.laterals.lot
    parts: list[Choices] = []
    for chunk in chunks if len(known) else ():
        parts += _choices(city.layers, chunk[np.isin(chunk, known)])
        city.layers.release()
    if not parts:
        return city
    learned = learn(join_choices(parts), basement_share(city.file, city.layers.lots))
    city.layers.habits = learned.habits
    weights, depths = learned.habits.weights.tolist(), learned.habits.depths.T.tolist()
    whole = math.fsum(weights)
    means = [math.fsum(w * s for w, s in zip(weights, d, strict=True)) / whole for d in depths]
    notice = learned_notice(learned.lots, learned.right, learned.stated, means)
    return replace(city, notices=(*city.notices, notice))


def _choices(layers: Layers, lots: Whole) -> list[Choices]:
    """Return what some lots could choose from; a lot that breaks the arithmetic is left out.

    It is told when it is worked out.
    """
    if not len(lots):
        return []
    try:
        made = work_choices(layers.block(lots, AROUND_M))
    except BREAKS:
        middle = len(lots) // 2
        halves = (lots[:middle], lots[middle:]) if middle else ()
        return [part for half in halves for part in _choices(layers, half)]
    return [made] if len(made.lot) else []
