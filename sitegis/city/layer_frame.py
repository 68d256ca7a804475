"""One layer's file as a frame, in this process or in the one that tries it first."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import geopandas


def read_frame(path: Path, layer_name: str | None) -> Any:
    """Read a layer as a frame; raises what geopandas raises, ValueError where it has no shapes.

    Parameters
    ----------
    path
        The layer's file.
    layer_name
        Name of the layer, None for the only one.

    Returns
    -------
    Any
        The rows as a GeoDataFrame.

    Raises
    ------
    ValueError
        It holds no shapes.
    """
    if path.suffix.lower() == ".parquet":
        return geopandas.read_parquet(path)
    options = {"layer": layer_name} if layer_name else {}
    with warnings.catch_warnings():
        # a column of mixed or odd types is still read; what matters of it is checked later
        warnings.simplefilter("ignore", UserWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        frame = geopandas.read_file(path, **options)
    if not isinstance(frame, geopandas.GeoDataFrame):
        raise ValueError("the layer holds no shapes")
    return frame
