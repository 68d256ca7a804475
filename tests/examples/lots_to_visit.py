"""Which lots of a town are least sure? A city file, read back as a table.

python lots_to_visit.py CITY.toml town.gpkg
"""

import sys

import geopandas as gpd

import sitegis

city_file, town = sys.argv[1:]
summary = sitegis.city(city_file, town)
print("\n".join(summary.lines()))
lots = gpd.read_file(town, layer="lots", engine="fiona")
unsure = lots.sort_values(["probability", "parcel"]).head(5)
print(unsure[["parcel", "main", "probability", "entropy_bits"]].to_string(index=False))
