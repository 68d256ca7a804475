"""How many small mistakes in the core mathematics some test notices.

``python -m tests.benchmarks.mutation 400`` draws that many mutants, each with one place of one
module of the core changed: a constant times 1.02, a sign, plus for minus, x for y, first for
last, less for more, sine for cosine, degrees for radians. Left alone are constants that their own
text calls judgment or common practice, which nothing outside can be held against, and guards under
1e-6 against a division by nothing. The tests that import the module run on
each in a forked process; a mutant that they all pass is printed with its line. A change within a
function is made where everything is imported already, which takes a fraction of the time; what
test modules work out while they are imported does not see it, so that a mutant may live for that
but is never noticed for it. Any other change is there before anything is imported. ``--seed`` draws
others, ``--module place/adjust`` looks at one module alone. Run it on a tree that nobody edits.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import importlib.machinery
import inspect
import io
import os
import random
import re
import resource
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache, partial
from multiprocessing import get_context
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "sitegis"
ROOMS = ("place", "line", "routes", "score", "dig", "geometry", "numerics", "pits")
# what writes words, or only calls
LEFT_OUT = ("__init__", "notices", "words", "stage", "assumptions", "case", "why", "sample", "plan",
            "reliability")  # fmt: skip
LIMIT_S = 240
LIBRARIES = ("numpy", "scipy.special", "scipy.stats", "scipy.optimize", "scipy.integrate",
             "shapely", "pyproj", "fiona", "pydantic", "hypothesis",
             "playwright.sync_api")  # fmt: skip
# a file of tests that takes minutes proves little more here
SLOW = ("calibration", "ranks", "coverage", "whole_site", "reliability", "what_if", "next_check",
        "hardness", "city", "write_map", "write_outputs", "write_exports")  # fmt: skip
OPTIONS = ("-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist",
           "-o", "addopts=-m 'not statistical'",
           "-W", "ignore::pytest.PytestAssertRewriteWarning")  # fmt: skip
INDIRECT = {
    "mixture": ("tests/test_line_bends.py", "tests/test_exit.py"),
    "hits": ("tests/test_dig_pits.py",),
    "raster": ("tests/test_dig_corridors.py",),
    "next_check": ("tests/test_score_next_check.py",),
    "what_if": ("tests/test_score_what_if.py",),
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the ``index``-th place of a module where ``operator`` applies."""

    path: Path
    operator: str
    index: int


def _is_float(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, float) and node.value >= 1e-6


def _scale(node: ast.Constant) -> ast.AST:
    return ast.Constant(node.value * 1.02)


def _swap(node: ast.BinOp) -> ast.AST:
    other = ast.Sub() if isinstance(node.op, ast.Add) else ast.Add()
    return ast.BinOp(node.left, other, node.right)


def _is_axis(node: ast.AST, values: tuple[int, int]) -> bool:
    last = node.slice if isinstance(node, ast.Subscript) else None
    last = last.elts[-1] if isinstance(last, ast.Tuple) else last
    if isinstance(last, ast.UnaryOp) and isinstance(last.operand, ast.Constant):
        return isinstance(last.op, ast.USub) and -1 in values and last.operand.value == 1
    return isinstance(last, ast.Constant) and last.value in values and last.value is not True


def _index(node: ast.Subscript, swapped: dict[int, int]) -> ast.AST:
    def other(item: ast.expr) -> ast.expr:
        return ast.parse(str(swapped[int(ast.literal_eval(item))]), mode="eval").body

    inside = node.slice
    if isinstance(inside, ast.Tuple):
        inside = ast.Tuple([*inside.elts[:-1], other(inside.elts[-1])], inside.ctx)
    else:
        inside = other(inside)
    return ast.Subscript(node.value, inside, node.ctx)


NAMES = {"sin": "cos", "cos": "sin", "min": "max", "max": "min", "minimum": "maximum",
         "maximum": "minimum", "radians": "degrees", "degrees": "radians"}  # fmt: skip
TURNED = {ast.Lt: ast.Gt, ast.Gt: ast.Lt, ast.LtE: ast.GtE, ast.GtE: ast.LtE}


def _rename(node: ast.Attribute | ast.Name) -> ast.AST:
    if isinstance(node, ast.Attribute):
        return ast.Attribute(node.value, NAMES[node.attr], node.ctx)
    return ast.Name(NAMES[node.id], node.ctx)


def _named(node: ast.AST) -> bool:
    return isinstance(node, (ast.Attribute, ast.Name)) and (
        getattr(node, "attr", getattr(node, "id", "")) in NAMES
    )


Rule = tuple[Callable[[ast.AST], bool], Callable[..., ast.AST]]
OPERATORS: dict[str, Rule] = {
    "a constant times 1.02": (_is_float, _scale),
    "a sign left out": (
        lambda n: isinstance(n, ast.UnaryOp) and isinstance(n.op, ast.USub),
        lambda n: n.operand,
    ),
    "plus for minus": (
        lambda n: isinstance(n, ast.BinOp) and isinstance(n.op, (ast.Add, ast.Sub)), _swap,
    ),
    "x for y": (lambda n: _is_axis(n, (0, 1)), lambda n: _index(n, {0: 1, 1: 0})),
    "first for last": (lambda n: _is_axis(n, (0, -1)), lambda n: _index(n, {0: -1, -1: 0})),
    "less for more": (
        lambda n: isinstance(n, ast.Compare) and type(n.ops[0]) in TURNED,
        lambda n: ast.Compare(n.left, [TURNED[type(n.ops[0])](), *n.ops[1:]], n.comparators),
    ),
    "another function": (_named, _rename),
}  # fmt: skip


def _judged(tree: ast.Module, lines: list[str]) -> Iterator[ast.stmt]:
    """Give the module's settings whose comment, or text below, says that they are judgment."""
    for node, after in zip(tree.body, [*tree.body[1:], ast.Pass()], strict=True):
        if isinstance(node, (ast.Assign, ast.AnnAssign)):
            first, last = node.lineno - 1, node.end_lineno or node.lineno
            above = lines[first - 1] if lines[first - 1].startswith("#") else ""
            below = ast.unparse(after) if isinstance(after, ast.Expr) else ""
            said = " ".join([above, *lines[first:last], below]).lower()
            if "judgment" in said or "common practice" in said:
                yield node


def _skipped(tree: ast.Module, lines: list[str]) -> set[ast.AST]:
    """Give the nodes of annotations, error texts and judged settings, where nothing is derived."""
    found = {part for node in _judged(tree, lines) for part in ast.walk(node)}
    for node in ast.walk(tree):
        for part in (getattr(node, "annotation", None), getattr(node, "returns", None)):
            if part is not None:
                found |= set(ast.walk(part))
        if isinstance(node, (ast.Raise, ast.JoinedStr, ast.Assert)):
            found |= set(ast.walk(node))
    return found


def places(path: Path, operator: str) -> tuple[ast.Module, list[ast.AST]]:
    """Give a module, and its nodes where an operator applies, in the order of its text."""
    text = path.read_text("utf-8")
    tree, (applies, _) = ast.parse(text), OPERATORS[operator]
    skipped = _skipped(tree, text.splitlines())
    found = [node for node in ast.walk(tree) if node not in skipped and applies(node)]
    return tree, sorted(found, key=lambda node: (node.lineno, node.col_offset))


def mutants_of(path: Path) -> Iterator[Mutant]:
    """Give every mutant of a module."""
    for operator in OPERATORS:
        for index in range(len(places(path, operator)[1])):
            yield Mutant(path, operator, index)


def mutate(mutant: Mutant) -> tuple[ast.Module, int]:
    """Give the changed module and the line of the change."""
    tree, found = places(mutant.path, mutant.operator)
    place = found[mutant.index]
    put = ast.copy_location(OPERATORS[mutant.operator][1](place), place)

    class Change(ast.NodeTransformer):
        def visit(self, node: ast.AST) -> ast.AST:
            return put if node is place else self.generic_visit(node)

    return ast.fix_missing_locations(Change().visit(tree)), place.lineno


def modules() -> list[Path]:
    """Give the modules of the core."""
    found = [p for room in ROOMS for p in sorted((PACKAGE / room).glob("*.py"))]
    return [PACKAGE / "exit.py", *(p for p in found if p.stem not in LEFT_OUT)]


def tests_of(path: Path) -> list[str]:
    """Give the files of tests that import a module or its package's names, quick ones first."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    dotted, package = ".".join(parts), ".".join(parts[:-1])
    patterns = [
        rf"from {re.escape(dotted)} import",
        rf"from {re.escape(package)} import[^)]*\b{path.stem}\b",
    ]
    files = [f for f in sorted((ROOT / "tests").glob("test_*.py"))
             if not any(slow in f.stem for slow in SLOW)
             and any(re.search(pattern, f.read_text("utf-8")) for pattern in patterns)]  # fmt: skip
    own = [f for f in sorted((ROOT / "tests").glob(f"test_{path.parent.name}_*.py"))
           if not any(slow in f.stem for slow in SLOW)]  # fmt: skip
    files += [f for f in own if f not in files and f.stem.endswith(("stage", path.stem))]
    return [*(str(f.relative_to(ROOT)) for f in files), *INDIRECT.get(path.stem, ())]


def _load_instead(path: Path, tree: ast.Module) -> None:
    """Let whoever imports a module's file get another text for it."""
    loader: Any = importlib.machinery.SourceFileLoader
    usual = loader.get_code

    def get_code(self: Any, name: str) -> Any:
        if Path(self.path) == path:
            return compile(tree, self.path, "exec")
        return usual(self, name)

    loader.get_code = get_code


def _dotted(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def _function_at(tree: ast.Module, line: int) -> tuple[str, str] | None:
    """Name class (or "") and function, outermost, whose body holds a line."""
    classes = [node for node in tree.body if isinstance(node, ast.ClassDef)]
    for holder, body in [("", tree.body), *((node.name, node.body) for node in classes)]:
        for node in body:
            if isinstance(node, ast.FunctionDef) and (
                node.body[0].lineno <= line <= (node.end_lineno or line)
            ):
                return holder, node.name
    return None


def _codes(code: CodeType) -> Iterator[CodeType]:
    """Give the functions of a compiled module and of its classes."""
    for inner in code.co_consts:
        if isinstance(inner, CodeType):
            yield inner
            yield from _codes(inner)


def _exchange(path: Path, tree: ast.Module, line: int) -> bool:
    """Give a function that is loaded already its changed code; tell whether it could."""
    place, module = _function_at(tree, line), sys.modules.get(_dotted(path))
    if place is None or module is None:
        return False
    found = vars(getattr(module, place[0]) if place[0] else module).get(place[1])
    found = getattr(found, "fget", None) or getattr(found, "__func__", None) or found
    function = inspect.unwrap(found) if callable(found) else None
    if not isinstance(function, FunctionType):
        return False
    old = function.__code__
    for code in _codes(compile(tree, str(path), "exec", dont_inherit=True)):
        if (code.co_qualname, code.co_firstlineno) == (old.co_qualname, old.co_firstlineno):
            function.__code__ = code
            return True
    return False


def _change(path: Path, tree: ast.Module, line: int) -> None:
    """Put the changed text in the place of the module's."""
    if not _exchange(path, tree, line):
        _load_instead(path, tree)
        for name in [name for name in sys.modules if name.split(".")[0] in {"sitegis", "tests"}]:
            del sys.modules[name]


def outcome(path: Path, tree: ast.Module | None, tests: list[str], line: int = 0) -> int:
    """Run the tests on a changed module in a fork; give pytest's exit code, -1 if killed."""
    for test in tests:
        importlib.import_module(_dotted(ROOT / test))
    child = os.fork()
    if child == 0:
        code = 70
        try:
            # of its own time: on a busy machine a slow run is no noticed mistake
            resource.setrlimit(resource.RLIMIT_CPU, (LIMIT_S, LIMIT_S))
            with open(os.devnull, "w", encoding="utf-8") as nothing:
                os.dup2(nothing.fileno(), 1)
                os.dup2(nothing.fileno(), 2)
                if tree is not None:
                    _change(path, tree, line)
                with contextlib.redirect_stdout(io.StringIO()):
                    code = int(pytest.main([*OPTIONS, *tests]))
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return os.WEXITSTATUS(status) if os.WIFEXITED(status) else -1


@dataclass(frozen=True, slots=True)
class Judged:
    """What became of a mutant: noticed or not, and where it was."""

    mutant: Mutant
    noticed: bool
    line: int

    @property
    def words(self) -> str:
        """The place and the change, as one line."""
        text = self.mutant.path.read_text("utf-8").splitlines()[self.line - 1].strip()
        name = self.mutant.path.relative_to(PACKAGE)
        return f"{name}:{self.line}: {self.mutant.operator}: {text}"


@cache
def _pass_without(path: Path) -> bool:
    return outcome(path, None, tests_of(path)) == 0


def judge(mutant: Mutant, *, trusting: bool) -> Judged:
    """Run a mutant; unless ``trusting``, its tests must pass without it.

    Raises ``RuntimeError`` where they do not.
    """
    if not trusting and not _pass_without(mutant.path):
        raise RuntimeError(f"the tests of {mutant.path.stem} fail without any mistake in it")
    tree, line = mutate(mutant)
    return Judged(mutant, outcome(mutant.path, tree, tests_of(mutant.path), line) != 0, line)


def run(drawn: list[Mutant], workers: int, *, trusting: bool) -> tuple[int, int]:
    """Run mutants in the order they were drawn, print those that live; noticed, and run.

    Whoever interrupts it has a smaller sample, as random as the whole.
    """
    noticed = done = 0
    with ProcessPoolExecutor(workers, mp_context=get_context("fork")) as pool:
        try:
            for judged in pool.map(partial(judge, trusting=trusting), drawn):
                done, noticed = done + 1, noticed + judged.noticed
                if not judged.noticed:
                    print(f"lives ({noticed} of {done} noticed): {judged.words}", flush=True)  # noqa: T201
        except KeyboardInterrupt:
            pool.shutdown(wait=False, cancel_futures=True)
    return noticed, done


def main() -> None:
    """Draw mutants, run them and print what they came to; exit code 1 below ``--least``."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("count", type=int)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--module", help="one module alone, such as place/adjust")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--least", type=float, default=0.0, help="share that must be noticed")
    parser.add_argument("--trusting", action="store_true", help="the suite has just passed")
    given = parser.parse_args()
    os.chdir(ROOT)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    for name in LIBRARIES:
        importlib.import_module(name)
    chosen = [PACKAGE / f"{given.module}.py"] if given.module else modules()
    every = [mutant for path in chosen for mutant in mutants_of(path)]
    drawn = random.Random(given.seed).sample(every, min(given.count, len(every)))
    noticed, done = run(drawn, given.workers, trusting=given.trusting)
    print(f"{noticed} of {done} mutants noticed, of {len(every)} possible ones")  # noqa: T201
    if noticed < given.least * done:
        sys.exit(1)


if __name__ == "__main__":
    main()
