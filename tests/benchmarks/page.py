"""How soon the dig card stands on a phone: ``python -m tests.benchmarks.page``.

Opens the page of the corner lot on 390 x 844 points, the processor slowed down by 1 and by 4
(Chromium's own throttle), and prints when the card was painted and when map and card could be
used, with the ratio of the two throttles, each the median of five openings.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from statistics import median

from playwright.sync_api import Browser, sync_playwright

from sitegis.write.page.html import map_bytes

from ..computed import computed
from ..conftest import CHROMIUM_FLAGS

TIMES = 5


def opened(browser: Browser, path: Path, slower: int) -> tuple[float, float]:
    """Open the page anew; return milliseconds to the first paint and until all can be used."""
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True, offline=True
    )
    page = context.new_page()
    session = context.new_cdp_session(page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": slower})
    page.goto(path.as_uri())
    page.wait_for_selector("body[data-ready]")
    painted, ready = page.evaluate(
        "() => [performance.getEntriesByName('first-contentful-paint')[0].startTime,"
        " performance.timing.domContentLoadedEventEnd - performance.timing.navigationStart]"
    )
    context.close()
    return float(painted), float(ready)


def say(line: str) -> None:
    """Print a line."""
    sys.stdout.write(line + "\n")


def main() -> None:
    """Print the table."""
    program = shutil.which("chromium")
    rows = {}
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        path = Path(folder) / "map.html"
        path.write_bytes(map_bytes(computed("corner-lot-alley")))
        browser = playwright.chromium.launch(executable_path=program, args=CHROMIUM_FLAGS)
        for slower in (1, 4):
            times = [opened(browser, path, slower) for _ in range(TIMES)]
            rows[slower] = [median(column) for column in zip(*times, strict=True)]
        size = path.stat().st_size
        browser.close()
    say("python -m tests.benchmarks.page   (corner-lot-alley)")
    say(f"map.html {size / 1000:.0f} kB; medians of {TIMES} openings, ms; aim: 2000 at 4x")
    say(f"{'':24}{'1x':>8}{'4x':>8}{'ratio':>8}")
    for name, index in (("dig card painted", 0), ("map and card usable", 1)):
        one, four = rows[1][index], rows[4][index]
        say(f"{name:24}{one:8.0f}{four:8.0f}{four / one:8.1f}")


if __name__ == "__main__":
    main()
