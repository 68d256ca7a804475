"""The chunks on a dask cluster of this machine: a worker killed, all lost, none there."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path

import pytest
from click.testing import CliRunner

from sitegis.city import run_city
from sitegis.cli.main import cli
from sitegis.messages.errors import BadInput, ComputationError
from tests.invented_city import City, invent_city, write_city
from tests.test_city_run import assert_same

pytestmark = pytest.mark.adverse

# A cluster in a process of its own, as a real one is; each line it reads is a number of workers.
HOST = """
import logging
import sys

import distributed

if __name__ == "__main__":
    logging.disable()
    folder, workers, hidden = sys.argv[1:]
    for name in filter(None, [hidden]):
        sys.modules[name] = None
    with distributed.LocalCluster(
        n_workers=int(workers), threads_per_worker=1, processes=True, host="127.0.0.1",
        dashboard_address=None, local_directory=folder, silence_logs=50,
    ) as cluster:
        print(cluster.scheduler_address, flush=True)
        for line in sys.stdin:
            cluster.scale(int(line))
"""


class Host:
    """A cluster's process, its address, and a way to set its number of workers."""

    def __init__(self, folder: Path, workers: int, hidden: str = "") -> None:
        script = folder / "host.py"
        script.write_text(HOST)
        self.process = subprocess.Popen(
            [sys.executable, str(script), str(folder), str(workers), hidden],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.address = self.process.stdout.readline().strip()
        assert self.address.startswith("tcp://127.0.0.1:")

    def scale(self, workers: int) -> None:
        self.process.stdin.write(f"{workers}\n")
        self.process.stdin.flush()

    def close(self) -> None:
        try:
            self.process.communicate(timeout=30)
        except (subprocess.TimeoutExpired, BrokenPipeError):
            self.process.kill()
            self.process.wait()


@pytest.fixture
def host(tmp_path) -> Iterator[Callable[..., Host]]:
    """Start clusters that end with the test."""
    started = []

    def start(workers: int, hidden: str = "") -> Host:
        started.append(Host(tmp_path, workers, hidden))
        return started[-1]

    yield start
    for made in started:
        made.close()


@pytest.fixture(scope="module")
def city() -> City:
    return invent_city(96, seed=3, curve=6.0)


@pytest.fixture(scope="module")
def reference(city, tmp_path_factory) -> Path:
    """The answer of one plain run in this process."""
    folder = tmp_path_factory.mktemp("plain")
    run_city(write_city(city, folder, chunk=12), folder / "out.gpkg")
    return folder / "out.gpkg"


def test_killed_worker_changes_nothing(city, reference, host, tmp_path):
    """A worker killed with a chunk in its hands: another works it out, the answer is the same."""
    path, out = write_city(city, tmp_path, chunk=12), tmp_path / "out.gpkg"
    import distributed

    address = host(2).address
    killed, calls = [], []
    with distributed.Client(address, set_as_default=False) as client:

        def kill_once(now, total, before):
            calls.append((now, total, before))
            busy = [worker for worker, tasks in client.processing().items() if tasks]
            if killed or not busy or len(calls) < 3:
                return
            pids = client.run(os.getpid)
            os.kill(pids[busy[0]], signal.SIGKILL)
            killed.append(busy[0])

        run_city(path, out, scheduler=address, progress=kill_once)
        assert len(killed) == 1
        assert killed[0] not in client.nthreads()
    assert sum(now for now, _, _ in calls) == calls[0][1]
    assert_same(out, reference)
    assert not (tmp_path / "out.gpkg.work").exists()
    for workers in (1, 2):
        alike = tmp_path / f"with-{workers}.gpkg"
        run_city(path, alike, workers=workers)
        assert alike.read_bytes() == out.read_bytes()


def test_cluster_without_workers_left_is_told(city, reference, host, tmp_path, monkeypatch):
    """All workers gone for good: told in words, what is done is kept, a plain run goes on."""
    import distributed

    monkeypatch.setattr(import_module("sitegis.city.cluster"), "WITHOUT_WORKERS_S", 1)
    path, out = write_city(city, tmp_path, chunk=12), tmp_path / "out.gpkg"
    cluster = host(1)

    def dismiss(now, total, before):
        if now and len(kept()) == 2:
            cluster.scale(0)
            with distributed.Client(cluster.address, set_as_default=False) as client:
                limit = time.monotonic() + 30.0
                while client.nthreads() and time.monotonic() < limit:
                    time.sleep(0.02)

    def kept():
        return sorted((tmp_path / "out.gpkg.work").glob("chunk-*.npz"))

    with pytest.raises(ComputationError, match="No worker is left") as caught:
        run_city(path, out, scheduler=cluster.address, progress=dismiss)
    assert caught.value.fault.code == "cluster-lost"
    assert not out.exists()
    done = len(kept())
    assert 2 <= done < 8
    calls = []
    run_city(path, out, progress=lambda *now: calls.append(now))
    assert calls[0][2] == 12 * done
    assert_same(out, reference)


def test_lost_scheduler_is_told(city, host, tmp_path, monkeypatch):
    """The scheduler killed halfway: told in words, what is done is kept."""
    monkeypatch.setattr(import_module("sitegis.city.cluster"), "WITHOUT_WORKERS_S", 1)
    monkeypatch.setattr(import_module("sitegis.city.cluster"), "CONNECT_S", 2)
    path, out = write_city(city, tmp_path, chunk=12), tmp_path / "out.gpkg"
    cluster = host(1)

    def kill(now, total, before):
        if now:
            cluster.process.kill()
            cluster.process.wait()

    with pytest.raises(ComputationError, match="scheduler was lost") as caught:
        run_city(path, out, scheduler=cluster.address, progress=kill)
    assert caught.value.fault.code == "cluster-lost"
    assert list((tmp_path / "out.gpkg.work").glob("chunk-*.npz"))


def test_cluster_without_sitegis_is_told(city, host, tmp_path):
    """A far side that cannot load sitegis is told as such, not as a defect."""
    path = write_city(city, tmp_path)
    with pytest.raises(ComputationError, match="has it sitegis"):
        run_city(path, tmp_path / "out.gpkg", scheduler=host(1, "sitegis").address)


def test_scheduler_without_workers_is_told(city, host, tmp_path, monkeypatch):
    """A scheduler alone does no work: no waiting for ever."""
    monkeypatch.setattr(import_module("sitegis.city.cluster"), "WITHOUT_WORKERS_S", 1)
    with pytest.raises(ComputationError, match="has no worker"):
        run_city(write_city(city, tmp_path), tmp_path / "o.gpkg", scheduler=host(0).address)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense://x", ""])
def test_unreachable_scheduler_is_told(city, tmp_path, monkeypatch, address):
    """The command ends with code 2 and the option's name."""
    monkeypatch.setattr(import_module("sitegis.city.cluster"), "CONNECT_S", 1)
    given = ["city", str(write_city(city, tmp_path)), "--out", str(tmp_path / "out.gpkg")]
    done = CliRunner().invoke(cli, [*given, "--scheduler", address])
    assert done.exit_code == 2, done.output
    assert "[cluster-lost]" in done.stderr


def test_workers_or_scheduler(city, tmp_path):
    """The work is shared in one way."""
    given = ["city", str(write_city(city, tmp_path)), "--out", str(tmp_path / "out.gpkg")]
    done = CliRunner().invoke(cli, [*given, "--scheduler", "tcp://host:1", "--workers", "2"])
    assert done.exit_code == 2
    assert "--scheduler" in done.stderr


def test_missing_package_is_told(city, tmp_path, monkeypatch):
    """Without dask the remedy is the extra to install."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(BadInput, match=r"sitegis\[cluster\]"):
        run_city(write_city(city, tmp_path), tmp_path / "out.gpkg", scheduler="tcp://host:1")
