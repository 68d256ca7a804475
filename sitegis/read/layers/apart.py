"""Large layers are read by a process of their own, which a limit may end without harm to this one.

It answers in JSON, so that nothing of a file that might have taken it over is run here.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from ...messages.errors import Fault
from ..faults import Report

# Judgment, no source: more than a layer of 2 GB in a usual format needs.
MOST_MEMORY_BYTES = 2 * 2**30
MOST_CPU_S, MOST_WAIT_S = 60, 600
MOST_ANSWER_BYTES = 200_000_000
CHILD = "sitegis.read.layers.child"


def environment_apart() -> dict[str, str]:
    """Return the environment of a process of its own: the same imports, never from where it is."""
    paths = os.pathsep.join(entry for entry in sys.path if Path(entry).is_absolute())
    # threads reserve address space, which is limited in the child
    return {**os.environ, "PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1"}


def read_apart(
    folder: Path, question: dict[str, str | None], report: Report
) -> dict[str, Any] | None:
    """Return what the other process read: ``crs`` (WKT) and ``features`` (WKB as hex, attributes).

    ``question`` has the keys ``layer``, ``layer_name``, ``id_field``, ``key``, ``wanted`` and
    ``identifier``. Faults that were found are gathered, that of its death among them: None then.

    Parameters
    ----------
    folder
        The site folder.
    question
        Which features of which layer.
    report
        Where faults and notices are gathered.

    Returns
    -------
    dict[str, Any] | None
        What was read, None with the faults gathered.
    """
    asked = json.dumps({**question, "folder": str(folder.resolve())})
    with subprocess.Popen(
        # -P: nothing from the folder it is started in is imported
        [sys.executable, "-P", "-m", CHILD, asked],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment_apart(),
    ) as child:
        assert child.stdout is not None
        # an answer without end must not fill this process instead
        raw = child.stdout.read(MOST_ANSWER_BYTES + 1)
        if len(raw) > MOST_ANSWER_BYTES:
            child.kill()
    if child.returncode != 0:
        report.fault(
            "layer-too-heavy",
            f"{question['key']}.layer",
            question["layer"],
            most_cpu_s=MOST_CPU_S,
            most_memory_bytes=MOST_MEMORY_BYTES / 2**30,
        )
        return None
    answer: dict[str, Any] = json.loads(raw)
    for found in answer["faults"]:
        fault = Fault(**found)
        report.at_key(fault, fault.field, fault.value or None)
    return answer
