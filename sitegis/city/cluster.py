"""The same chunks on a cluster: workers reckon, this process alone writes."""

from __future__ import annotations

import contextlib
import importlib
from collections.abc import Iterator
from typing import Any

from ..messages.catalog import fault_of
from ..messages.errors import BadInput, ComputationError
from .chunks import Task, finish_task, work_or_split

CONNECT_S = 15
# How long no worker at all may be there before the run gives up; judgment, no source.
WITHOUT_WORKERS_S = 60
IN_HAND = 2


def work_on_cluster(tasks: Iterator[Task], address: str) -> Iterator[int]:
    """Work the tasks off on a scheduler's workers; gives the lots of each chunk as it is kept.

    A worker gets a chunk's layers and sends its tables back, so it needs sitegis but no shared
    disk; site folders are read here. A lost worker's chunk is worked out again by another. Raises
    ``BadInput`` where the package is missing, ``ComputationError`` where the cluster is lost.

    Parameters
    ----------
    tasks
        The chunks to work on.
    address
        Address of the scheduler.

    Yields
    ------
    Iterator[int]
        Number of lots of each chunk.

    Raises
    ------
    BadInput
        The package is missing.
    ComputationError
        The cluster is lost.
    """
    distributed = _distributed()
    dask = importlib.import_module("dask")
    # a chunk is sent as it is: a copy left on one worker would be lost with it
    with (
        dask.config.set({"distributed.admin.large-graph-warning-threshold": "1 GiB"}),
        _client(distributed, address) as client,
        client.as_current(),
    ):
        waiting: dict[Any, Task] = {}
        for task in tasks:
            waiting[client.submit(work_or_split, task.block, pure=False)] = task
            if len(waiting) >= IN_HAND * max(_threads(client, address), 1):
                yield from _finished(distributed, client, waiting, address)
        while waiting:
            yield from _finished(distributed, client, waiting, address)


def _finished(
    distributed: Any, client: Any, waiting: dict[Any, Task], address: str
) -> Iterator[int]:
    """Wait for a chunk at least, and keep those that are done."""
    while True:
        try:
            distributed.wait(
                list(waiting), timeout=WITHOUT_WORKERS_S, return_when="FIRST_COMPLETED"
            )
            break
        except TimeoutError:
            if not _threads(client, address):
                raise _lost("cluster-lost:no-worker-left", address) from None
        except distributed.client.FuturesCancelledError as error:
            raise _lost("cluster-lost:given-up", address) from error
    for future in [future for future in waiting if future.done()]:
        try:
            tables = future.result()
        except distributed.scheduler.KilledWorker as error:
            raise _lost("cluster-lost:workers", address) from error
        except (distributed.client.FutureCancelledError, OSError) as error:
            raise _lost("cluster-lost:given-up", address) from error
        except (ImportError, RuntimeError) as error:
            # so dask tells that the far side cannot unpack what it was sent
            if isinstance(error, RuntimeError) and "deserializ" not in str(error):
                raise
            raise _lost("cluster-lost:no-start", address, error=str(error)[:200]) from error
        task = waiting.pop(future)
        finish_task(task, tables)
        yield task.lots


def _threads(client: Any, address: str) -> int:
    """Count the threads of all workers that are there now."""
    try:
        return sum(client.nthreads().values())
    except (OSError, TimeoutError) as error:
        raise _lost("cluster-lost", address) from error


@contextlib.contextmanager
def _client(distributed: Any, address: str) -> Iterator[Any]:
    """Connect to a scheduler that has a worker at least."""
    try:
        client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        reason = " ".join(str(error).split())[:200]
        raise _lost("cluster-lost:unreachable", address, reason=reason) from error
    try:
        try:
            client.wait_for_workers(1, timeout=WITHOUT_WORKERS_S)
        except TimeoutError:
            raise _lost("cluster-lost:no-worker", address) from None
        yield client
    finally:
        client.close(timeout=CONNECT_S)


def _distributed() -> Any:
    """Load dask.distributed, which only a cluster needs."""
    try:
        return importlib.import_module("distributed")
    except ImportError as error:
        fault = fault_of("cluster-package-missing", "--scheduler", None, "scheduler")
        raise BadInput((fault,)) from error


def _lost(name: str, address: str, /, **values: object) -> ComputationError:
    return ComputationError(fault_of(name, "CITY.toml", None, "--scheduler", address, **values))
