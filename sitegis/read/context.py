"""What the modules that build records share while one folder is read."""

from __future__ import annotations

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import Array, LotFrame
from ..geometry.georeference import grid_unit
from ..late_dataclass import dataclass
from .faults import Report
from .layers.features import LayerReference, Layers, Want, crs_text, to_crs
from .schema import SiteFile

# All judgment, no source. Surveyed lots and mains have fewer vertices than are left alone; one
# with more is simplified, which moves nothing by more than the tolerance. What is left bounds
# the time: each route is held against each straight.
PLAIN_VERTICES, MOST_VERTICES, MOST_LEFT = 200, 10_000, 1000
TOLERANCE_M = 0.02


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
        """Read one feature as a geometry in grid meters, with all its vertices.

        Parameters
        ----------
        reference
            Layer and id as written.
        key
            Dotted key of ``site.toml``.
        wanted
            Kinds of geometry that will do.
        identifier
            Id of the feature, None for all of the layer.

        Returns
        -------
        BaseGeometry | None
            Geometry in grid m, None with the fault gathered.
        """
        feature = self.layers.feature(reference, key, wanted=wanted, identifier=identifier)
        return None if feature is None else self.in_grid(feature.shape, feature.crs, key)

    def simplified(self, shape: BaseGeometry, key: str) -> BaseGeometry | None:
        """Simplify a geometry in meters that has more vertices than surveyed ones have.

        One that has far more, or keeps too many, is a fault.

        Parameters
        ----------
        shape
            Geometry in m.
        key
            Dotted key of ``site.toml``.

        Returns
        -------
        BaseGeometry | None
            The simpler geometry, None with the fault gathered.
        """
        many = int(shapely.get_num_coordinates(shape))
        if many <= PLAIN_VERTICES:
            return shape
        # a rougher one is not even tried: the time may grow with the square
        shape = shapely.simplify(shape, TOLERANCE_M) if many <= MOST_VERTICES else shape
        left = int(shapely.get_num_coordinates(shape))
        if left > MOST_LEFT:
            self.report.fault(
                "shape-too-detailed",
                f"{key}.layer",
                None,
                many=many,
                left=left,
                tolerance_cm=TOLERANCE_M * 100,
                most_left=MOST_LEFT,
            )
            return None
        self.report.note(
            "shape-simplified",
            f"{key}.layer",
            text=key,
            many=many,
            tolerance_cm=TOLERANCE_M * 100,
            left=left,
        )
        return shape

    def in_grid(self, shape: BaseGeometry, source: CRS, key: str) -> BaseGeometry | None:
        """Take a geometry to grid meters; one that has no place there is a fault.

        Parameters
        ----------
        shape
            Geometry in the layer's CRS.
        source
            CRS of the layer.
        key
            Dotted key of ``site.toml``.

        Returns
        -------
        BaseGeometry | None
            Geometry in grid m, None with the fault gathered.
        """
        unit_m = grid_unit(self.crs_text).meters_per_unit
        moved = shapely.transform(to_crs(shape, source, self.crs), lambda xy: xy * unit_m)
        if not bool(np.isfinite(shapely.get_coordinates(moved)).all()):
            self.report.fault("crs-out-of-range", f"{key}.layer", None)
            return None
        return moved

    def lot_shape(
        self,
        frame: LotFrame,
        reference: LayerReference,
        key: str,
        *,
        wanted: Want,
        identifier: str | None,
    ) -> BaseGeometry | None:
        """Read one feature as a geometry in lot coordinates.

        Parameters
        ----------
        frame
            The lot on the grid.
        reference
            Layer and id as written.
        key
            Dotted key of ``site.toml``.
        wanted
            Kinds of geometry that will do.
        identifier
            Id of the feature, None for all of the layer.

        Returns
        -------
        BaseGeometry | None
            Geometry in the lot, m; None with the fault gathered.
        """
        shape = self.grid_shape(reference, key, wanted=wanted, identifier=identifier)
        return None if shape is None else shapely.transform(shape, frame.from_grid_m)


def ring_of(shape: BaseGeometry) -> Array:
    """Return the outer ring (n, 2) of a polygon, unclosed."""
    return np.asarray(shapely.get_coordinates(shapely.get_exterior_ring(shape))[:-1])
