"""The features for a GIS: GeoPackage layers that open styled."""

from typing import TYPE_CHECKING

from ...on_use import imported_on_use

if TYPE_CHECKING:
    from .geopackage import geopackage_bytes

__all__ = ["geopackage_bytes"]

__getattr__ = imported_on_use(__name__, {"geopackage_bytes": ".geopackage"})
