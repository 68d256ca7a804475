"""The process that reads one large layer for another, within limits of memory and time."""

from __future__ import annotations

import json
import logging
import resource
import signal
import sys
from dataclasses import asdict
from pathlib import Path

from ...late_dataclass import dataclass
from ..faults import Report
from .apart import MOST_CPU_S, MOST_MEMORY_BYTES, MOST_WAIT_S
from .features import Layers


@dataclass(frozen=True, slots=True)
class _Reference:
    layer: str
    layer_name: str | None
    id_field: str | None


class _Heard(logging.Handler):
    """Notes that GDAL told an error: where memory runs out it goes on, with a value missing."""

    any = False

    def emit(self, record: logging.LogRecord) -> None:
        """Note an error."""
        self.any = True


def main(asked: str) -> None:
    """Read the layer that is asked for and print it as JSON; a limit ends the process."""
    # address space, processor time, no core file, and an alarm for what only waits
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU_S, MOST_CPU_S))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    signal.alarm(MOST_WAIT_S)
    # GDAL carries on after an error: an answer with values missing is none
    heard = _Heard(logging.ERROR)
    logging.getLogger("fiona").addHandler(heard)
    question = json.loads(asked)
    report = Report()
    reference = _Reference(question["layer"], question["layer_name"], question["id_field"])
    features = Layers(Path(question["folder"]), report, is_apart=True).features(
        reference, question["key"], wanted=question["wanted"], identifier=question["identifier"]
    )
    if heard.any:
        sys.exit(1)
    answer = {
        "faults": [asdict(fault) for fault in report.faults],
        "crs": features[0].crs.to_wkt() if features else "",
        "features": [(feature.shape.wkb_hex, feature.attributes) for feature in features],
    }
    json.dump(answer, sys.stdout, default=str)


if __name__ == "__main__":
    main(sys.argv[1])
