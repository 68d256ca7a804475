"""Runs the command line on a folder and says whether it kept its promises."""

from __future__ import annotations

import json
import math
import signal
import socket
import time
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from click.testing import CliRunner

from sitegis.cli.main import cli

LONGEST_S = 10  # of computing: the clock runs on while others use the machine
LONGEST_WAIT_S = 60


class TooSlow(BaseException):
    """A run took longer than is allowed."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one run: exit code, seconds of computing, words, and promises broken."""

    code: int
    seconds: float
    errors: str
    broken: tuple[str, ...]


@contextmanager
def limited() -> Iterator[None]:
    """Interrupt what computes longer than is allowed, or waits for what never comes."""

    def too_slow(*_: object) -> NoReturn:
        raise TooSlow

    before = [signal.signal(number, too_slow) for number in (signal.SIGPROF, signal.SIGALRM)]
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    signal.setitimer(signal.ITIMER_REAL, LONGEST_WAIT_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGPROF, before[0])
        signal.signal(signal.SIGALRM, before[1])


@contextmanager
def no_network() -> Iterator[None]:
    """Let every opening of a socket fail."""
    kept = socket.socket

    class Blocked(kept):
        def __init__(self, *_: object, **__: object) -> None:
            raise AssertionError("a socket was opened")

    socket.socket = Blocked  # type: ignore[misc]
    try:
        yield
    finally:
        socket.socket = kept  # type: ignore[misc]


def judge(command: str, site: Path, out: Path, *options: str) -> Outcome:
    """Run ``check`` or ``run`` in this process, without a network, warnings being errors."""
    arguments = [command, str(site), *options]
    if command == "run":
        arguments += ["--out", str(out)]
    before = _content(out)
    beside = sorted(p.name for p in out.parent.iterdir()) if out.parent.is_dir() else []
    start = time.process_time()
    broken: list[str] = []
    code, errors = -1, ""
    try:
        with limited(), no_network(), warnings.catch_warnings():
            warnings.simplefilter("error")
            result = CliRunner().invoke(cli, arguments)
        code, errors = result.exit_code, result.stderr
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            broken.append(_defect(result.exception))
            errors = "".join(traceback.format_exception(result.exception))
    except TooSlow:
        broken.append("longer than allowed")
        errors = traceback.format_exc()
    seconds = time.process_time() - start
    if not broken:
        broken += _broken(command, code, errors, out, before)
        after = sorted(p.name for p in out.parent.iterdir()) if out.parent.is_dir() else []
        if set(after) - set(beside) - {out.name}:
            broken.append(f"leavings beside the outputs: {after}")
    return Outcome(code, seconds, errors, tuple(broken))


def _defect(error: BaseException) -> str:
    """Name a defect by its kind and the place in the project where it came up."""
    frames = traceback.extract_tb(error.__traceback__)
    inside = [f for f in frames if "sitegis" in f.filename and "hardness" not in f.filename]
    place = f"{Path(inside[-1].filename).name}:{inside[-1].name}" if inside else "?"
    return f"{type(error).__name__} in {place}"


def _content(out: Path) -> dict[str, bytes] | None:
    if not out.is_dir():
        return None
    return {p.name: p.read_bytes() for p in sorted(out.iterdir()) if p.is_file()}


def _broken(
    command: str, code: int, errors: str, out: Path, before: dict[str, bytes] | None
) -> list[str]:
    """List the promises that an orderly run broke."""
    broken = []
    if code not in (0, 1, 2, 3):
        broken.append(f"exit code {code}")
    if "Traceback" in errors:
        broken.append("a traceback on stderr")
    if code == 2 and ("to do:" not in errors and "Usage:" not in errors):
        broken.append("no report on stderr")
    if code == 3 and "Could not write" not in errors:
        broken.append("no reason on stderr")
    after = _content(out)
    if code in (2, 3) and after != before:
        broken.append("outputs changed by a failed run")
    if command == "run" and code in (0, 1):
        broken += _broken_outputs(after or {})
    return broken


def _broken_outputs(files: dict[str, bytes]) -> list[str]:
    """List what is wrong with a set of outputs."""
    missing = {"answer.json", "lateral.geojson", "map.html"} - set(files)
    if missing:
        return [f"outputs missing: {sorted(missing)}"]
    try:
        answer = json.loads(files["answer.json"], parse_constant=_no_constant)
        json.loads(files["lateral.geojson"], parse_constant=_no_constant)
    except ValueError as error:
        return [f"outputs not JSON: {error}"]
    total = math.fsum(h["probability"] for h in answer["hypotheses"])
    broken = [] if abs(total - 1.0) <= 1e-9 else [f"probabilities sum to {total}"]
    if any(p["probability"] < 0 for p in answer["hypotheses"]):
        broken.append("a probability below 0")
    return broken + [f"negative spread at {path}" for path in _negative_sds(answer, "")]


def _no_constant(text: str) -> NoReturn:
    raise ValueError(f"{text} in a number's place")


def _negative_sds(value: Any, path: str) -> Iterator[str]:
    if isinstance(value, dict):
        for key, item in value.items():
            if "_sd" in key and isinstance(item, int | float) and item < 0:
                yield f"{path}.{key}"
            yield from _negative_sds(item, f"{path}.{key}")
    elif isinstance(value, list):
        for item in value:
            yield from _negative_sds(item, f"{path}[]")
