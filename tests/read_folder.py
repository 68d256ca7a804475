"""A tiny good site folder, invented, for the tests of stage ``read`` to spoil."""

from __future__ import annotations

from pathlib import Path

SITE = """\
[site]
name = "Invented tiny site"
units = "ft"
depth_units = "in"
rule_set = "us-ipc"
crs = "EPSG:26916"
slab_elevation = 583.2
ground_above_slab = "7'0\\""

[lot]
sides = {front = "50 ft", right = "125 ft", rear = "50 ft", left = "125 ft"}
longitude = -87.5
latitude = 41.2
front_azimuth = 90.0

[building]
setbacks = {front = "25 ft", left = "6 ft"}
width = "26 ft"
depth = "44 ft"
wall_thickness = "1 ft"

[[room]]
id = "R1"
name = "Laundry"
corner = "front-left"
size = ["24 ft", "20 ft"]

[[room]]
id = "R2"
name = "Boiler"
corner = "rear-right"

[[street]]
name = "First Street"
side = "front"
row_width = "66 ft"
ground_above_slab = "6 ft"

[[street]]
name = "Alley"
side = "rear"
kind = "alley"
row_width = "16 ft"

[[main]]
id = "front-main"
street = "First Street"
offset = "33 ft"
invert = 575.10
diameter = "8 in"
flow_toward = "left"
manholes = [{id = "MH-1", offset_along = "-40 ft"}, {id = "MH-2", offset_along = "200 ft"}]
taps = [{manhole = "MH-2", distance = "31 ft"}]

[[evidence]]
kind = "dye"
manhole = "MH-1"
seen = true
waited = 20

[[evidence]]
kind = "neighbors"
main = "front-main"
draining = 4
asked = 5

[[fixture]]
id = "WC"
kind = "water-closet"
room = "R1"
x = "3 ft"
y = "4 ft"
"""

LOCATES = """\
id,kind,room,x,y,depth,footage,note
CO,cleanout,R1,12,18,,0,
P1,locate,R1,12,15,18,3,
P2,locate,R1,12,12,19,6,
P3,locate,R1,12,9,20,9,
P4,locate,R1,12,6,20.5,12,
P5,locate,R1,12,3,21,15,
"""

TIES = """\
from,to,distance,sd
CO,R1:origin,21' 7 1/2in,
P1,building:front-left,20' 7in,2in
"""


def write_folder(
    folder: Path, *, site: str = SITE, locates: str = LOCATES, ties: str | None = TIES
) -> Path:
    """Write a site folder and give its path."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(site, encoding="utf-8")
    (folder / "locates.csv").write_text(locates, encoding="utf-8")
    if ties is not None:
        (folder / "ties.csv").write_text(ties, encoding="utf-8")
    return folder


def without(text: str, *starts: str) -> str:
    """Drop the lines that begin with one of some texts."""
    return "\n".join(line for line in text.splitlines() if not line.startswith(starts)) + "\n"
