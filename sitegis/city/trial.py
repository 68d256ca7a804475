"""Whether a large layer can be read within limits: tried by a process of its own first.

A city's layers may be as large as the city, so the limits grow with the file; what ends the trial
would have ended, or never ended, the run.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from ..read.layers.apart import environment_apart
from ..read.layers.features import LARGE_BYTES
from ..read.layers.files import files_of

if TYPE_CHECKING:
    from .layer_frame import Source

# Judgment, no source: a usual layer of 100 MB takes 10 s and 1 GB.
MEMORY_BYTES, MEMORY_PER_BYTE = 2 * 2**30, 30
CPU_S, CPU_S_PER_MB = 60, 2


def limits_of(size_bytes: int) -> tuple[int, int]:
    """Return the memory in bytes and the processor time in seconds that reading may take."""
    return (
        MEMORY_BYTES + MEMORY_PER_BYTE * size_bytes,
        CPU_S + CPU_S_PER_MB * size_bytes // 1_000_000,
    )


def size_of(path: Path) -> int:
    """Return the size in bytes of a layer's file and of those beside it that belong to it."""
    files = path.iterdir() if path.is_dir() else files_of(path)
    return sum(file.stat().st_size for file in files if file.is_file())


def ends_within_limits(source: Source) -> bool:
    """Try to read a layer of more than 5 MB; a smaller one is not tried.

    A layer that cannot be read passes: who reads it then tells why.
    """
    size_bytes = size_of(source.path)
    if size_bytes <= LARGE_BYTES:
        return True
    memory_bytes, cpu_s = limits_of(size_bytes)
    written = {**asdict(source), "path": str(source.path.resolve())}
    arguments = [json.dumps(written), str(memory_bytes), str(cpu_s)]
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "sitegis.city.trial", *arguments],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=environment_apart(),
            timeout=10 * cpu_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0


def main(source: str, memory_bytes: str, cpu_s: str) -> None:
    """Read the layer for nothing; a limit ends the process.

    Parameters
    ----------
    source
        The fields of its :class:`.layer_frame.Source` in JSON.
    memory_bytes
        Limit of memory, bytes.
    cpu_s
        Limit of processor time, s.
    """
    resource.setrlimit(resource.RLIMIT_AS, (int(memory_bytes),) * 2)
    resource.setrlimit(resource.RLIMIT_CPU, (int(cpu_s),) * 2)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    from .layer_frame import Source  # noqa: PLC0415 - within the limits

    written = json.loads(source)
    try:
        for _piece in Source(**{**written, "path": Path(written["path"])}).frames():
            pass
    except MemoryError:
        sys.exit(1)
    except (OSError, ValueError, RuntimeError, ImportError):
        sys.exit(0)  # told by who reads it next


if __name__ == "__main__":
    main(*sys.argv[1:])
