"""Fixtures shared by the tests: a headless browser with the network off."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

# The matrices are small: several BLAS threads cost more than they save. Before numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Start headless Chromium; without one the test fails in CI and is skipped elsewhere."""
    program = next(
        filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
    )
    if program is None:
        reason = "no Chromium on this machine: install the package 'chromium' for the map tests"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=CHROMIUM_FLAGS)
        yield started
        started.close()
