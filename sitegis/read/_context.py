"""What the modules that build records share while one folder is read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from .._frames import Array, LotFrame
from .._geodesy import grid_unit
from ._layers import LayerReference, Layers, Want, crs_text, to_crs
from ._report import Report
from ._schema import SiteFile


@dataclass(frozen=True, slots=True)
class Reading:
    """The checked file, the layers, the chosen CRS and the report."""

    file: SiteFile
    layers: Layers
    crs: CRS
    report: Report

    @property
    def crs_text(self) -> str:
        """The CRS by its authority code, else its WKT."""
        return crs_text(self.crs)

    def grid_shape(
        self, reference: LayerReference, key: str, *, wanted: Want, identifier: str | None
    ) -> BaseGeometry | None:
        """Read one feature as a geometry in grid metres."""
        feature = self.layers.feature(reference, key, wanted=wanted, identifier=identifier)
        return None if feature is None else self.in_grid(feature.shape, feature.crs, key)

    def in_grid(self, shape: BaseGeometry, source: CRS, key: str) -> BaseGeometry | None:
        """Take a geometry to grid metres; one that has no place there is a fault."""
        unit_m = grid_unit(self.crs_text).metres_per_unit
        moved = shapely.transform(to_crs(shape, source, self.crs), lambda xy: xy * unit_m)
        if not bool(np.isfinite(shapely.get_coordinates(moved)).all()):
            self.report.site("crs-out-of-range", f"{key}.layer", None,
                             "The feature lies outside the area of the site's CRS.",
                             "check site.crs and the layer's CRS.")  # fmt: skip
            return None
        return moved

    def lot_shape(
        self, frame: LotFrame, reference: LayerReference, key: str, *, wanted: Want,
        identifier: str | None,
    ) -> BaseGeometry | None:  # fmt: skip
        """Read one feature as a geometry in lot coordinates."""
        shape = self.grid_shape(reference, key, wanted=wanted, identifier=identifier)
        return None if shape is None else shapely.transform(shape, frame.from_grid_m)


def ring_of(shape: BaseGeometry) -> Array:
    """Give the outer ring (n, 2) of a polygon, unclosed."""
    return np.asarray(shapely.get_coordinates(shapely.get_exterior_ring(shape))[:-1])
