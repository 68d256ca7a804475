"""How many small mistakes in the core mathematics some test notices.

``python -m tests.benchmarks.mutation 400`` draws that many mutants, each with one place of one
module of the core changed: a constant times 1.02, a sign, plus for minus, x for y, first for last,
less for more, sine for cosine, degrees for radians. Left alone are settings that their own text, or
the comment above their block, calls judgment or common practice, which nothing outside can be held
against, and guards under 1e-6 against a division by nothing. First each file of tests of the core,
and of its modules' examples, runs once, and it is kept which functions each test calls, and its
processor time; a test that fails then is left out. The tests that call the changed function (of a
module's setting: those that name it) run on each mutant in a forked process, up to ``--budget``
seconds of them, those that call the fewest functions first, and on a setting's those that read
settings alone and call none; a mutant that they all pass is printed with its line, and run again
where a later call has a larger budget. A change within a function is made where everything is
imported already; what test modules work out while they are imported does not see it, so that a
mutant may live for that but is never noticed for it. Any other change is there before anything is
imported. ``--seed`` draws others, ``--module place/adjust`` looks at one module alone. ``--keep
FOLDER`` keeps calls and results, and goes on from there; ``--minutes`` ends early. Run it on a tree
that nobody edits.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import importlib.machinery
import inspect
import io
import json
import os
import random
import re
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "sitegis"
ROOMS = ("place", "line", "routes", "score", "dig", "geometry", "numerics", "pits", "finds")
# what writes words, or only calls
LEFT_OUT = ("__init__", "notices", "words", "stage", "assumptions", "sample", "plan")
# processor time of a file of tests while it is watched
LIMIT_S = 240.0
# mutants that are handed to the workers together
SOME = 4
LIBRARIES = ("numpy", "scipy.special", "scipy.stats", "scipy.optimize", "scipy.integrate",
             "shapely", "pyproj", "fiona", "pydantic", "hypothesis",
             "playwright.sync_api")  # fmt: skip
# a file of tests that takes minutes proves little more here
SLOW = ("calibration", "ranks", "coverage", "whole_site", "reliability", "hardness", "hostile",
        "city", "library", "language", "developers", "write_map", "write_exports", "fixture_maps",
        "same_bytes", "ties")  # fmt: skip
# what a test that calls nothing of the package is about
SETTINGS = "settings"
# pytest rewrites the asserts of a module whose examples it runs, from its file: as it was
OPTIONS = ("-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--assert=plain",
           "-o", "addopts=--doctest-modules -m 'not statistical and not adverse'",
           "-W", "ignore::pytest.PytestAssertRewriteWarning")  # fmt: skip


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
        lambda n: isinstance(n, ast.BinOp) and isinstance(n.op, (ast.Add, ast.Sub)),
        _swap,
    ),
    "x for y": (lambda n: _is_axis(n, (0, 1)), lambda n: _index(n, {0: 1, 1: 0})),
    "first for last": (lambda n: _is_axis(n, (0, -1)), lambda n: _index(n, {0: -1, -1: 0})),
    "less for more": (
        lambda n: isinstance(n, ast.Compare) and type(n.ops[0]) in TURNED,
        lambda n: ast.Compare(n.left, [TURNED[type(n.ops[0])](), *n.ops[1:]], n.comparators),
    ),
    "another function": (_named, _rename),
}


def _blocks(tree: ast.Module, lines: list[str]) -> Iterator[tuple[str, list[ast.stmt], str]]:
    """Yield settings that follow each other line by line, the comment above and the text below."""
    block: list[ast.stmt] = []
    for node, after in zip(tree.body, [*tree.body[1:], ast.Pass()], strict=True):
        if not isinstance(node, (ast.Assign, ast.AnnAssign)):
            continue
        block.append(node)
        if isinstance(after, (ast.Assign, ast.AnnAssign)) and after.lineno - 1 == node.end_lineno:
            continue
        top = above = block[0].lineno - 1
        while lines[above - 1].startswith("#"):
            above -= 1
        text = str(getattr(after.value, "value", "")) if isinstance(after, ast.Expr) else ""
        yield " ".join(lines[above:top]), block, " ".join(text.split())
        block = []


def _judged(tree: ast.Module, lines: list[str]) -> Iterator[ast.stmt]:
    """Yield the module's settings that are judgment by their text.

    That is a comment behind the setting or the text below it; without one the comment above its
    block. "All judgment" above counts up to the next empty line, and below for the whole block.
    """
    for_all, ended = "", -1
    for above, block, below in _blocks(tree, lines):
        if ended < 0 or "" in lines[ended : block[0].lineno - 1]:
            for_all = ""
        for_all = above if "all judgment" in above.lower() else for_all
        ended = block[-1].end_lineno or 0
        for_block = below if "all judgment" in below.lower() else ""
        for node in block:
            own = " ".join(
                line.partition("#")[2] for line in lines[node.lineno - 1 : node.end_lineno]
            ).strip() or (below if node is block[-1] else "")
            said = (own or f"{for_all} {above} {for_block}").lower()
            if "judgment" in said or "common practice" in said:
                yield node


def _skipped(tree: ast.Module, lines: list[str]) -> set[ast.AST]:
    """Return the nodes of annotations, error texts and judged settings: nothing is derived."""
    found = {part for node in _judged(tree, lines) for part in ast.walk(node)}
    for node in ast.walk(tree):
        for part in (getattr(node, "annotation", None), getattr(node, "returns", None)):
            if part is not None:
                found |= set(ast.walk(part))
        if isinstance(node, (ast.Raise, ast.JoinedStr, ast.Assert)):
            found |= set(ast.walk(node))
    return found


def places(path: Path, operator: str) -> tuple[ast.Module, list[ast.AST]]:
    """Return a module, and its nodes where an operator applies, in the order of its text."""
    text = path.read_text("utf-8")
    tree, (applies, _) = ast.parse(text), OPERATORS[operator]
    skipped = _skipped(tree, text.splitlines())
    found = [node for node in ast.walk(tree) if node not in skipped and applies(node)]
    return tree, sorted(found, key=lambda node: (node.lineno, node.col_offset))


def mutants_of(path: Path) -> Iterator[Mutant]:
    """Yield every mutant of a module."""
    text = path.read_text("utf-8")
    tree = ast.parse(text)
    skipped = _skipped(tree, text.splitlines())
    nodes = [node for node in ast.walk(tree) if node not in skipped]
    for operator, (applies, _) in OPERATORS.items():
        for index in range(sum(map(applies, nodes))):
            yield Mutant(path, operator, index)


def mutate(mutant: Mutant) -> tuple[ast.Module, int]:
    """Return the changed module and the line of the change."""
    tree, found = places(mutant.path, mutant.operator)
    place = found[mutant.index]
    put = ast.copy_location(OPERATORS[mutant.operator][1](place), place)

    class Change(ast.NodeTransformer):
        def visit(self, node: ast.AST) -> ast.AST:
            return put if node is place else self.generic_visit(node)

    return ast.fix_missing_locations(Change().visit(tree)), place.lineno


def modules() -> list[Path]:
    """Return the modules of the core."""
    found = [p for room in ROOMS for p in sorted((PACKAGE / room).glob("*.py"))]
    return [PACKAGE / "exit.py", *(p for p in found if p.stem not in LEFT_OUT)]


@dataclass(frozen=True, slots=True)
class Calls:
    """A test that passes: its processor time and the functions that it calls, by file and name."""

    test: str
    seconds: float
    functions: frozenset[str]


def _forget() -> None:
    """Empty the caches of the package's functions: who calls them is seen, and what they give."""
    for name, module in list(sys.modules.items()):
        if name.split(".")[0] == PACKAGE.name:
            for value in list(vars(module).values()):
                getattr(value, "cache_clear", int)()


class _Watch:
    """Keep what each test calls while pytest runs it."""

    def __init__(self) -> None:
        self.calls: dict[str, tuple[float, list[str]]] = {}
        self.failed: set[str] = set()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        called: dict[int, CodeType] = {}
        _forget()
        begun = time.process_time()
        sys.settrace(lambda frame, *_: called.__setitem__(id(frame.f_code), frame.f_code))
        try:
            return (yield)  # type: ignore[return-value]
        finally:
            sys.settrace(None)
            found = {
                f"{Path(code.co_filename).relative_to(PACKAGE)}:{code.co_qualname}".split(".<")[0]
                for code in called.values()
                if code.co_filename.startswith(str(PACKAGE))
            }
            self.calls[item.nodeid] = time.process_time() - begun, sorted(found)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if not report.passed:
            self.failed.add(report.nodeid)


def files() -> list[str]:
    """Return the files of tests that import something of the core, and its modules' examples."""
    pattern = (
        rf"from sitegis\.({'|'.join((*ROOMS, 'exit'))})\b|from sitegis import exit|\(f\"sitegis"
    )
    tests = [
        f
        for f in sorted((ROOT / "tests").glob("test_*.py"))
        if not any(slow in f.stem for slow in SLOW) and re.search(pattern, f.read_text("utf-8"))
    ]
    examples = [path for path in modules() if ">>> " in path.read_text("utf-8")]
    return [str(f.relative_to(ROOT)) for f in (*tests, *examples)]


def calls_of(file: str, folder: Path) -> list[Calls]:
    """Run a file of tests, unless its calls are kept in the folder, and give each test's."""
    kept = folder / f"{_dotted(ROOT / file).removeprefix('tests.')}.json"
    if not kept.exists():

        def watched() -> int:
            watch = _Watch()
            code = int(pytest.main([*OPTIONS[1:], file], plugins=[watch]))
            good = {test: one for test, one in watch.calls.items() if test not in watch.failed}
            kept.with_suffix(".new").write_text(json.dumps(good), "utf-8")
            kept.with_suffix(".new").rename(kept)
            return code

        importlib.import_module(_dotted(ROOT / file))
        forked(watched, LIMIT_S)
    told = json.loads(kept.read_text("utf-8")).items() if kept.exists() else ()
    return [Calls(test, seconds, frozenset(names or {SETTINGS})) for test, (seconds, names) in told]


def _naming(text: str, name: str) -> bool:
    return re.search(rf"\b{name}\b", text) is not None


def functions_at(path: Path, line: int) -> set[str]:
    """Name the functions that a change at a line reaches: its own, or those naming a setting."""
    text = path.read_text("utf-8")
    tree = ast.parse(text)
    place = _function_at(tree, line)
    if place is not None:
        return {f"{path.relative_to(PACKAGE)}:{'.'.join(filter(None, place))}"}
    holder = next(n for n in tree.body if n.lineno <= line <= (n.end_lineno or n.lineno))
    names = [
        n.id for n in ast.walk(holder) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)
    ]
    names += [holder.name] if isinstance(holder, (ast.ClassDef, ast.FunctionDef)) else []
    for node in tree.body:  # a setting made of it
        target = node.targets[0] if isinstance(node, ast.Assign) else None
        if isinstance(target, ast.Name) and any(_naming(ast.unparse(node), n) for n in names):
            names.append(target.id)
    found = {SETTINGS}
    for file in PACKAGE.rglob("*.py"):
        inside = file.read_text("utf-8")
        if any(_naming(inside, name) for name in names):
            found |= {
                f"{file.relative_to(PACKAGE)}:{name}"
                for name, source in _sources(inside)
                if any(_naming(source, one) for one in names)
            }
    return found


def _sources(text: str) -> Iterator[tuple[str, str]]:
    """Yield name and text of the outermost functions of a module."""
    for node in ast.parse(text).body:
        for one in node.body if isinstance(node, ast.ClassDef) else [node]:
            if isinstance(one, ast.FunctionDef):
                inside = f"{node.name}." if isinstance(node, ast.ClassDef) else ""
                yield inside + one.name, ast.unparse(one)


def tests_of(functions: set[str], calls: list[Calls], budget_s: float) -> list[str]:
    """Return the tests that call one of the functions, by file, the most direct ones first."""
    calling = sorted(
        (one for one in calls if one.functions & functions),
        key=lambda one: (len(one.functions), one.test),
    )
    chosen, spent = [], 0.0
    for one in calling:
        spent += one.seconds
        if spent <= budget_s or not chosen:
            chosen.append(one)
    first: dict[str, int] = {}
    for one in chosen:
        first.setdefault(one.test.split("::")[0], len(one.functions))
    return [o.test for o in sorted(chosen, key=lambda o: (first[o.test.split("::")[0]], o.test))]


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
    """Yield the functions of a compiled module and of its classes."""
    for inner in code.co_consts:
        if isinstance(inner, CodeType):
            yield inner
            yield from _codes(inner)


def _exchange(path: Path, tree: ast.Module, line: int) -> bool:
    """Put changed code into a function that is loaded already; return whether it could."""
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
            _forget()
            return True
    return False


def _change(path: Path, tree: ast.Module, line: int) -> None:
    """Put the changed text in the place of the module's."""
    if not _exchange(path, tree, line):
        _load_instead(path, tree)
        for name in [name for name in sys.modules if name.split(".")[0] in {"sitegis", "tests"}]:
            del sys.modules[name]


def forked(work: Callable[[], int], limit_s: float) -> int:
    """Do something in a fork, silently; give its exit code, -1 if killed, as past its time."""
    child = os.fork()
    if child == 0:
        code = 70
        try:
            # of its own time: on a busy machine a slow run is no noticed mistake
            resource.setrlimit(resource.RLIMIT_CPU, (int(limit_s), int(limit_s)))
            with open(os.devnull, "w", encoding="utf-8") as nothing:
                os.dup2(nothing.fileno(), 1)
                os.dup2(nothing.fileno(), 2)
                with contextlib.redirect_stdout(io.StringIO()):
                    code = work()
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return os.WEXITSTATUS(status) if os.WIFEXITED(status) else -1


class _Chosen:
    """Let pytest run some tests alone, in a given order."""

    def __init__(self, tests: list[str]) -> None:
        self.place = {test: i for i, test in enumerate(tests)}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted(
            (item for item in items if item.nodeid in self.place),
            key=lambda item: self.place[item.nodeid],
        )


@dataclass(frozen=True, slots=True)
class Judged:
    """What became of a mutant: noticed or not, where it was, and how many tests reach it."""

    place: str
    operator: str
    index: int
    noticed: bool
    words: str
    tests: int

    @property
    def mutant(self) -> Mutant:
        """The mutant itself."""
        return Mutant(PACKAGE / self.place, self.operator, self.index)


def reaching(mutant: Mutant, calls: list[Calls], budget_s: float) -> list[str]:
    """Return the tests that reach a mutant, as many as the budget allows."""
    return tests_of(functions_at(mutant.path, mutate(mutant)[1]), calls, budget_s)


def judge(mutant: Mutant, calls: list[Calls], budget_s: float) -> Judged:
    """Run the tests that reach a mutant."""
    tree, line = mutate(mutant)
    tests = reaching(mutant, calls, budget_s)
    among = list(dict.fromkeys(test.split("::")[0] for test in tests))
    for file in among:
        importlib.import_module(_dotted(ROOT / file))

    def changed() -> int:
        _change(mutant.path, tree, line)
        return int(pytest.main([*OPTIONS, *among], plugins=[_Chosen(tests)]))

    # a mutant that takes many times as long is noticed
    code = forked(changed, 40.0 + 5.0 * budget_s) if tests else 0
    if code == pytest.ExitCode.NO_TESTS_COLLECTED:
        raise RuntimeError(f"the tests of {mutant.path.stem} are not those that were kept")
    name = str(mutant.path.relative_to(PACKAGE))
    text = mutant.path.read_text("utf-8").splitlines()[line - 1].strip()
    words = f"{name}:{line}: {mutant.operator}: {text}"
    return Judged(name, mutant.operator, mutant.index, code != 0, words, len(tests))


def run(
    drawn: list[Mutant],
    calls: list[Calls],
    pool: ProcessPoolExecutor,
    budget_s: float,
    kept: Path,
    ends: float,
) -> tuple[int, int]:
    """Run mutants in the order they were drawn, print those that live; noticed, and run.

    Whoever ends it early has a smaller sample, as random as the whole. One that lived is run again
    where the budget allows more tests now.
    """
    lines = kept.read_text("utf-8").splitlines() if kept.exists() else []
    # the last line of a mutant counts
    judged = {one.mutant: one for one in (Judged(**json.loads(line)) for line in lines)}
    left = (
        one
        for one in drawn
        if one not in judged
        or not (judged[one].noticed or judged[one].tests >= len(reaching(one, calls, budget_s)))
    )
    with kept.open("a", encoding="utf-8") as file:
        while time.monotonic() < ends and (some := list(islice(left, SOME))):
            for one in pool.map(partial(judge, calls=calls, budget_s=budget_s), some):
                judged[one.mutant] = one
                file.write(json.dumps(asdict(one)) + "\n")
                file.flush()
    noticed = 0
    for done, one in enumerate(judged.values(), 1):
        noticed += one.noticed
        if not one.noticed:
            print(f"lives ({noticed} of {done} noticed, {one.tests} tests): {one.words}")  # noqa: T201
    return noticed, len(judged)


def main() -> None:
    """Draw mutants, run them and print what they came to; exit code 1 below ``--least``."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("count", type=int)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--module", help="one module alone, such as place/adjust")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--least", type=float, default=0.0, help="share that must be noticed")
    parser.add_argument("--budget", type=float, default=20.0, help="seconds of tests a mutant")
    parser.add_argument("--minutes", type=float, default=1e6, help="ends after about so many")
    parser.add_argument("--keep", type=Path, help="folder for what is worked out")
    given = parser.parse_args()
    ends = time.monotonic() + 60.0 * given.minutes
    os.chdir(ROOT)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    for name in LIBRARIES:
        importlib.import_module(name)
    chosen = [PACKAGE / f"{given.module}.py"] if given.module else modules()
    every = [mutant for path in chosen for mutant in mutants_of(path)]
    drawn = random.Random(given.seed).sample(every, min(given.count, len(every)))
    with (
        contextlib.nullcontext(given.keep) if given.keep else tempfile.TemporaryDirectory() as made,
        ProcessPoolExecutor(given.workers, mp_context=get_context("fork")) as pool,
    ):
        folder = Path(made)
        folder.mkdir(exist_ok=True)
        calls: list[Calls] = []
        for file in files():
            if time.monotonic() > ends:
                return
            calls += pool.submit(calls_of, file, folder).result()
        noticed, done = run(drawn, calls, pool, given.budget, folder / "judged.jsonl", ends)
    print(f"{noticed} of {done} mutants noticed, of {len(every)} possible ones")  # noqa: T201
    if noticed < given.least * done:
        sys.exit(1)


if __name__ == "__main__":
    main()
