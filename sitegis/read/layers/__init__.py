"""GIS layers: files looked into before GDAL reads them, one feature at a time."""
