"""Where do the drains of many houses leave? A folder of sites, on one map.

python exits_on_one_map.py SITES map.html
"""

import sys
from pathlib import Path

import sitegis

sites, map_file = map(Path, sys.argv[1:])
shown = None
for path in sorted(sites.glob("*/site.toml")):
    result = sitegis.run(path.parent)
    shown = result.explore("exit", on=shown)
    place = result.to_gdf("exit").to_crs("EPSG:4326").geometry.iloc[0]
    print(f"{place.y:.6f} {place.x:.6f}  {result!r}")
assert shown is not None, f"no sites in {sites}"
shown.save(str(map_file))
