"""Fixtures shared by the tests: a headless browser with the network off, a spreadsheet program."""

from __future__ import annotations

import gc
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from .lacking import lacking

# The matrices are small: several BLAS threads cost more than they save. Before numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Programs that tests start hundreds of times keep what they compile, as Python does by itself.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Files that take longest, a file being one worker's: begun first, no core idles at the end.
LONGEST = (
    "test_hardness_corpus", "test_same_bytes", "test_workbook_spreadsheet", "test_ties",
    "test_write_dig_card", "test_fixture_maps", "test_city_run", "test_city_cluster",
    "test_score_finds", "test_write_map_browser", "test_library", "test_hardness_outputs",
    "test_hardness_numbers", "test_city_layers", "test_cli", "test_workbook_faults",
    "test_hostile_terminal", "test_doubt", "test_write_finds", "test_routes_condition",
    "test_hardness_security", "test_routes_model", "test_write_exports", "test_score_what_if",
    "test_city_postgis", "test_hostile_layers",
)  # fmt: skip

# scripts, run by their own test; importing them would run them too
collect_ignore = ["examples", "qgis_look.py"]

IN_MEMORY, LEAST_FREE_BYTES = Path("/dev/shm"), 4_000_000_000  # POSIX shared memory, on Linux

CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Start one worker more than there are cores: some wait for a browser or a database."""
    return (os.cpu_count() or 1) + 1


def pytest_configure(config: pytest.Config) -> None:
    """Share a folder among workers; look for no garbage while hundreds of modules are imported.

    Passing files go into memory where there is room: waiting for a disk took a tenth of the time.
    """
    if not hasattr(config, "workerinput"):
        if IN_MEMORY.is_dir() and shutil.disk_usage(IN_MEMORY).free > LEAST_FREE_BYTES:
            for name in ("TMPDIR", "PYTEST_DEBUG_TEMPROOT"):
                os.environ.setdefault(name, str(IN_MEMORY))
        shared = tempfile.TemporaryDirectory()
        os.environ["SITEGIS_TESTS_SHARED"] = shared.name
        config.add_cleanup(shared.cleanup)
    gc.disable()


def pytest_collection_finish() -> None:
    """Never look again at what was imported."""
    gc.freeze()
    gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first, the others after them in their order."""
    rank = {name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: rank.get(item.path.stem, len(rank)))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Start headless Chromium; without one the test fails in CI and is skipped elsewhere."""
    program = next(
        filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
    )
    if program is None:
        lacking("Chromium", "apt-get install chromium")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=CHROMIUM_FLAGS)
        yield started
        started.close()


@pytest.fixture(scope="session")
def resave(tmp_path_factory: pytest.TempPathFactory) -> Callable[[list[Path]], Path]:
    """Return what opens workbooks in LibreOffice Calc and saves them again, into a new folder.

    Without LibreOffice the test fails in CI and is skipped elsewhere.
    """
    program = shutil.which("soffice")
    if program is None:
        lacking("LibreOffice Calc", "apt-get install libreoffice-calc-nogui")
    profile = tmp_path_factory.mktemp("profile")

    def run(paths: list[Path]) -> Path:
        saved = tmp_path_factory.mktemp("saved")
        command = [
            program,
            f"-env:UserInstallation={profile.as_uri()}",
            "--headless",
            "--convert-to",
            "xlsx:Calc MS Excel 2007 XML",
            "--outdir",
            str(saved),
            *map(str, paths),
        ]
        subprocess.run(command, check=True, capture_output=True, timeout=120)
        return saved

    return run
