"""What DEVELOPERS.md says of the way of a number is how the program runs."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from types import FrameType

from sitegis.place import place_points
from sitegis.read import read_site
from sitegis.write.page.html import map_bytes

from .filled import filled_survey

ROOT = Path(__file__).parent.parent
HOPS = re.findall(r"^\d+\. `([\w/]+\.\w+):(\w+)`", (ROOT / "DEVELOPERS.md").read_text(), re.M)


def test_a_depth_goes_from_table_to_map_as_the_developers_page_says() -> None:
    """Each function named is entered, after the one before it, in at most fifteen hops."""
    called: list[tuple[str, str]] = []

    def note(frame: FrameType, event: str, _: object) -> None:
        if event == "call" and "sitegis" in frame.f_code.co_filename:
            file = frame.f_code.co_filename.rpartition("/sitegis/")[2]
            called.append((file, frame.f_code.co_name))

    survey = filled_survey()
    sys.setprofile(note)
    try:
        place_points(read_site(ROOT / "fixtures" / "tape-only"))
        map_bytes(survey)
    finally:
        sys.setprofile(None)
    *python, (script, function) = HOPS
    assert 10 < len(HOPS) <= 15
    place = 0
    for file, name in python:
        place = called.index((file, name), place) + 1
    assert f"function {function}(" in (ROOT / "sitegis" / script).read_text()
