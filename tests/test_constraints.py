"""The committed versions: every dependency is pinned, at a version that is allowed, and used."""

from __future__ import annotations

import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def pins() -> dict[str, Requirement]:
    lines = (ROOT / ".constraints.txt").read_text("utf-8").splitlines()
    pinned = [Requirement(line) for line in lines if line and not line.startswith("#")]
    return {canonicalize_name(one.name): one for one in pinned}


def test_every_dependency_is_pinned_at_a_version_that_is_allowed() -> None:
    extras = [one for extra in PROJECT["optional-dependencies"].values() for one in extra]
    for text in (*PROJECT["dependencies"], *extras):
        asked = Requirement(text)
        (exact,) = pins()[canonicalize_name(asked.name)].specifier
        assert exact.operator == "=="
        assert asked.specifier.contains(exact.version), text


def test_both_commands_of_the_readme_install_with_the_pins() -> None:
    lines = (ROOT / "README.md").read_text("utf-8").splitlines()
    commands = [line for line in lines if line.startswith("python3 -m venv .venv && ")]
    assert len(commands) == 2
    assert all("pip install --quiet -c .constraints.txt " in line for line in commands)
