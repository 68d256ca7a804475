"""Start-up: processor time of the commands beside a process that only imports the libraries.

``python -m tests.benchmarks.start_up`` prints the least of interleaved repeats, both sides in one
run: other work on the machine only adds. The aims are the ratios of run and check and the seconds
over a bare interpreter of the help and of start. Each command runs once before it is measured, so
that every module is compiled, as an installer leaves it, and the page as a first run does.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from .heading import heading

REPEATS = 7
CORNER_LOT = Path(__file__).parents[2] / "fixtures" / "corner-lot-alley"
READING = "import numpy, scipy.special, shapely, pyproj, fiona, pydantic"


def processor_s(arguments: Sequence[str]) -> float:
    """Run the interpreter with arguments and give its user and system time in seconds."""
    settings = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    ended = subprocess.run(
        [sys.executable, *arguments], capture_output=True, check=False, env=settings
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if ended.returncode > 1:
        raise RuntimeError(ended.stderr.decode())
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the least times and what the aims compare."""
    with tempfile.TemporaryDirectory() as folder:
        site, out = str(CORNER_LOT), f"{folder}/out"
        sitegis = ("-m", "sitegis")
        commands = {
            "bare": ("-c", "pass"),
            "libraries of check": ("-c", READING),
            "libraries of run": ("-c", f"{READING}, folium, ezdxf, reportlab"),
            "run": (*sitegis, "run", site, "--out", out),
            "check": (*sitegis, "check", site),
            "run --help": (*sitegis, "run", "--help"),
            "start": (*sitegis, "start"),
        }
        times: dict[str, list[float]] = {name: [] for name in commands}
        for repeat in range(REPEATS + 1):
            for name, arguments in commands.items():
                more = [f"{folder}/new-{repeat}"] if name == "start" else []
                times[name].append(processor_s([*arguments, *more]))
    least = {name: min(found[1:]) for name, found in times.items()}
    lines = [
        f"processor time (user + system) of one process, least of {REPEATS} interleaved, s",
        *(f"{name:<20}{seconds:7.2f}" for name, seconds in least.items()),
    ]
    for name in ("run", "check"):
        ratio = least[name] / least[f"libraries of {name}"]
        lines.append(f"{name} / libraries of {name}: {ratio:.2f} (aim 1.7)")
    for name in ("run --help", "start"):
        lines.append(f"{name} over bare: {least[name] - least['bare']:.2f} s (aim 0.25)")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    sys.stdout.write(heading("seed: the fixture's own"))
    main()
