"""The same bytes on any processor: old ones emulated, one and two threads, in other processes.

What is compared with is another processor's arithmetic: numpy without its vector units past
SSE4.2 (``NPY_DISABLE_CPU_FEATURES``), OpenBLAS with the kernels of a processor of 2004
(``OPENBLAS_CORETYPE``), and the C library without fused multiply and AVX2 (``GLIBC_TUNABLES``).
On a processor that has none of these the two sides are the same program. The other side starts
with another seed of Python's hashes, so that a repeat is proved as well.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from sitegis.city import run_city

from .computed import written
from .same_bytes import FIXTURES, PROJECT, TOWN

OTHERS: Mapping[str, Mapping[str, str]] = {
    "today": {"OPENBLAS_NUM_THREADS": "2", "OMP_NUM_THREADS": "2"},
    "numpy of an old processor": {
        "OPENBLAS_NUM_THREADS": "1",
        "NPY_DISABLE_CPU_FEATURES": "X86_V3,X86_V4",
    },
    "all of an old processor, two threads": {
        "OPENBLAS_NUM_THREADS": "2",
        "NPY_DISABLE_CPU_FEATURES": "X86_V3,X86_V4",
        "OPENBLAS_CORETYPE": "Prescott",
        "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX2,-FMA,-AVX2_Usable,-FMA_Usable",
    },
}

*PARTS, WHOLE = OTHERS


def _written(folder: Path, environment: Mapping[str, str], *command: str) -> dict[str, bytes]:
    """Run a module with other settings and give every file it wrote, by name."""
    # a feature that this processor or this numpy does not have is named in a warning, no more
    settings = {**os.environ, "PYTHONWARNINGS": "ignore", **environment}
    subprocess.run(
        [sys.executable, "-m", *command],
        cwd=PROJECT,
        env=settings,
        check=True,
        stdout=subprocess.DEVNULL,
    )
    return _content(folder)


def _content(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder, by name."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Return what the fixtures and the town give as this machine writes it with one thread."""
    town = tmp_path_factory.mktemp("here") / "town.gpkg"
    run_city(TOWN, town)
    files = {
        f"{name}/{file}": content for name in FIXTURES for file, content in written(name).items()
    } | {town.name: town.read_bytes()}
    assert len(files) == 9 * len(FIXTURES) + 1
    return files


# the last has every difference of the first two at once; they tell which one it was
@pytest.mark.parametrize(
    "other", [*(pytest.param(name, marks=pytest.mark.statistical) for name in PARTS), WHOLE]
)
def test_every_output_is_the_same_to_the_byte(
    here: dict[str, bytes], other: str, tmp_path: Path
) -> None:
    """Fixtures, nine files each, and a city's tables in their file."""
    files = _written(tmp_path, OTHERS[other], "tests.same_bytes", str(tmp_path))
    assert files.keys() == here.keys()
    assert [name for name in files if files[name] != here[name]] == []
