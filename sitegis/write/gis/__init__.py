"""The features for a GIS: GeoPackage layers that open styled."""

from .geopackage import geopackage_bytes

__all__ = ["geopackage_bytes"]
