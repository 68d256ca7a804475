"""The corpus: every spoiled folder is a fixture, a seed, and the mutations drawn from it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random

from hypothesis import strategies as st

from . import files, shapes, tables, toml_text

FIXTURES = tuple(
    sorted(path.parent for path in (Path(__file__).parents[2] / "fixtures").glob("*/site.toml"))
)
Mutation = Callable[[Path, Random], None]
FAMILIES: dict[str, tuple[Mutation, ...]] = {
    "text": toml_text.MUTATIONS,
    "tables": tables.MUTATIONS,
    "shapes": shapes.MUTATIONS,
    "files": files.MUTATIONS,
}
# Weights by what they find: shapes and tables reach the later stages more often.
_SHARES = {"text": 0.3, "tables": 0.3, "shapes": 0.3, "files": 0.1}


@dataclass(frozen=True, slots=True)
class Spoiled:
    """One spoiled folder to be: which fixture, which mutations, and the seed of their draws."""

    fixture: Path
    mutations: tuple[Mutation, ...]
    seed: int

    @property
    def name(self) -> str:
        """The fixture and the mutations, in words."""
        return f"{self.fixture.name}#{self.seed}: " + ", ".join(m.__name__ for m in self.mutations)

    def write(self, folder: Path) -> Path:
        """Copy the fixture into a folder and spoil it."""
        shutil.copytree(self.fixture, folder, symlinks=True)
        random = Random(self.seed)
        for mutation in self.mutations:
            if (folder / "site.toml").is_file() and not (folder / "site.toml").is_symlink():
                mutation(folder, random)
        return folder


def drawn(seed: int) -> Spoiled:
    """Draw a spoiled folder: mostly one mutation, at times up to four."""
    random = Random(seed)
    families = random.choices(
        list(_SHARES), list(_SHARES.values()), k=random.choice((1, 1, 1, 2, 4))
    )
    mutations = tuple(random.choice(FAMILIES[family]) for family in families)
    layered = any(mutation.__name__.startswith("layer_") for mutation in mutations)
    pool = [f for f in FIXTURES if (f / "layers").is_dir()] if layered else FIXTURES
    return Spoiled(random.choice(pool), mutations, seed)


def spoiled(*families: str) -> st.SearchStrategy[Spoiled]:
    """Return a hypothesis strategy over spoiled folders of some families (or all)."""
    pool = [m for name in families or FAMILIES for m in FAMILIES[name]]
    return st.builds(
        Spoiled,
        st.sampled_from(FIXTURES),
        st.lists(st.sampled_from(pool), min_size=1, max_size=4).map(tuple),
        st.integers(0, 2**32 - 1),
    )
