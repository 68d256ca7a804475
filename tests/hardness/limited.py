"""The command line in a process that the system ends at a limit of processor time or memory.

Limits are counted by the kernel for that process alone, so that what others do on the machine
does not change the outcome.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

# 20 s and 1 GiB are what an ordinary file may take, the program itself included.
CPU_S, MEMORY_MB = 20, 1024
_RUN = """
import resource, sys
limits = [int(n) for n in sys.argv[1:3]]
resource.setrlimit(resource.RLIMIT_CPU, (limits[0], limits[0]))
resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
from sitegis.cli.main import main
try:
    main(sys.argv[3:])
finally:
    # of this program alone: ru_maxrss would count what the caller held when it forked
    status = dict(line.split(":", 1) for line in open("/proc/self/status"))
    most_mb = int(status["VmHWM"].split()[0]) // 1024
    if most_mb > limits[1]:
        print(f"took {most_mb} MB", file=sys.stderr)
        sys.stderr.flush()
        import os
        os._exit(99)
"""


def run_limited(
    *arguments: str | Path, cpu_s: int = CPU_S, memory_mb: int = MEMORY_MB
) -> subprocess.CompletedProcess[str]:
    """Run the command line; code -24 or -9 where the time was up, 99 where the memory was."""
    return subprocess.run(
        [sys.executable, "-c", _RUN, str(cpu_s), str(memory_mb), *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
        timeout=600,
    )
