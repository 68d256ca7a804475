"""How the package is written: sections of docstrings, words of names, what the formatter skips.

The sections are read by numpydoc's own parser; the words are our own list.
"""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from numpydoc.docscrape import NumpyDocString

from tests.sources import tree_of

PACKAGE = Path(__file__).parent.parent / "sitegis"
MODULES = sorted(PACKAGE.rglob("*.py"))
SKIPPED = {"sitegis": 39, "tests": 100}
"""Tables of words, rows and columns that the formatter would lay out one value a line."""


def public_functions(path: Path) -> Iterator[tuple[str, ast.FunctionDef]]:
    """Yield the public functions and methods of a module, but for commands: theirs is help."""

    def within(body: list[ast.stmt], owner: str) -> Iterator[tuple[str, ast.FunctionDef]]:
        for node in body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                yield from within(node.body, f"{node.name}.")
            elif isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                marks = [ast.unparse(one) for one in node.decorator_list]
                if not any("click." in one for one in marks):
                    yield f"{path.relative_to(PACKAGE)}:{owner}{node.name}", node

    yield from within(tree_of(path).body, "")


def parameters_of(node: ast.FunctionDef) -> list[str]:
    """Return the names of what a function takes, a method's own object left out."""
    taken = node.args
    names = [one.arg for one in (*taken.posonlyargs, *taken.args, *taken.kwonlyargs)]
    names += [f"*{one.arg}" for one in (taken.vararg,) if one is not None]
    names += [f"**{one.arg}" for one in (taken.kwarg,) if one is not None]
    return [name for name in names if name not in ("self", "cls")]


def raised_by(node: ast.FunctionDef) -> set[str]:
    """Return the errors that a function raises itself, outside of any ``try``."""
    found: set[str] = set()
    todo: list[ast.AST] = list(node.body)
    while todo:
        one = todo.pop()
        if isinstance(one, ast.Raise) and isinstance(one.exc, ast.Call):
            found.add(ast.unparse(one.exc.func))
        elif not isinstance(one, ast.Try | ast.FunctionDef):
            todo += list(ast.iter_child_nodes(one))
    return {name for name in found if name[:1].isupper()}


def undescribed(path: Path) -> list[tuple[str, str]]:
    """Return what public functions leave out.

    Two parameters or more: each is described in order, and what is returned and raised.
    """
    lacking = []
    for name, node in public_functions(path):
        parameters = parameters_of(node)
        if len(parameters) < 2:
            continue
        sections = NumpyDocString(ast.get_docstring(node) or "")
        described = [one for row in sections["Parameters"] for one in row.name.split(", ")]
        if sorted(described) != sorted(parameters) or not all(
            "".join(row.desc) for row in sections["Parameters"]
        ):
            lacking.append((name, "Parameters"))
        gives = node.returns is not None and ast.unparse(node.returns) not in ("None", "NoReturn")
        if gives and not (sections["Returns"] or sections["Yields"]):
            lacking.append((name, "Returns"))
        if not raised_by(node) <= {row.type or row.name for row in sections["Raises"]}:
            lacking.append((name, f"Raises {raised_by(node)}"))
    return lacking


def test_the_formatter_lays_out_all_but_some_tables() -> None:
    """A line that it shall leave alone is a true table; a new one needs a reason."""
    ends = re.compile(r"# fmt: skip$", re.MULTILINE)
    for folder, most in SKIPPED.items():
        files = (PACKAGE.parent / folder).rglob("*.py")
        assert sum(len(ends.findall(path.read_text("utf-8"))) for path in files) <= most


OWN = {"library", "messages", "units"}
"""What every command may import: the public face, and what users are told and how."""
BESIDES = {
    "city": "the draft and blank CITY.toml, the name of a work folder",
    "doubt.usual": "blunders that would explain refused rows",
    "language": "the choice of languages",
    "model.site": "the type of a language",
    "place.report": "the adjustment as lines",
    "read": "blank folders",
    "read.interview": "the questions of start --ask",
    "rules.rule_set": "the choice of rule sets",
    "write.sketch": "the sketch of what was typed",
    "write.sketch_text": "the same in plain characters",
}


def test_the_command_line_computes_by_the_library_alone() -> None:
    """Commands compute by what ``import sitegis`` offers, and take no private name of a module."""
    taken = [
        (node.module, name.name)
        for path in (PACKAGE / "cli").glob("*.py")
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.ImportFrom) and node.level == 2 and node.module
        for name in node.names
    ]
    assert {module for module, _ in taken if module.split(".")[0] not in OWN} <= set(BESIDES)
    assert not [name for _, name in taken if name.startswith("_")]


BRITISH = re.compile(
    r"neighbour|cent(?:re|red|ring)\b|\bmetres?\b|judgement|catalogue|levelled|colour|licence\b"
    r"|behaviour|favour|modell|normalise|minimise|optimise|labelled|travell",
    re.IGNORECASE,
)


def british(path: Path) -> list[str]:
    """Return names, comments and docstrings that are not spelled the American way.

    Keys and words that are read as written may differ.
    """
    source = path.read_text("utf-8")
    if not BRITISH.search(source):
        return []
    said = [
        token.string
        for token in tokenize.generate_tokens(io.StringIO(source).readline)
        if token.type in (tokenize.NAME, tokenize.COMMENT)
    ]
    said += [
        ast.get_docstring(node) or ""
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
    ]
    return [text for text in said if BRITISH.search(re.sub(r"[\"'`]\w+[\"'`]", "", text))]


RETIRED = re.compile(
    r"(?:^|_)(?:tells?|told|says?|said|spoken|speaks?|takes?|leaves?|gives?|why|swap|scene|case"
    r"|spots?|slips?|basin|toilet|promise|beforehand|(?<!of_)ways?|chances?|left_at)(?:_|$)"
)
"""Words in the names of functions and classes for which the trades or numpy have another one."""
NUMPYS_WORD = {"take_rows"}


def retired(path: Path) -> list[str]:
    """Return names of functions and classes for which the trades have another word."""
    names = [
        re.sub(r"(?<=[a-z])(?=[A-Z])", "_", node.name).lower()
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and node.name not in NUMPYS_WORD
    ]
    return [name for name in names if RETIRED.search(name)]


def test_the_list_finds_what_was_retired() -> None:
    """Names of the release before are found, others are not."""
    assert all(map(RETIRED.search, ["say_odds", "why_nothing_fits", "build_case", "way_words"]))
    assert not any(map(RETIRED.search, ["right_of_way_area", "weigh_site", "read_rows"]))


def told_or_given(path: Path) -> list[str]:
    """Return functions whose docstring does not begin with Return, as PEP 257 has it.

    And locals that are called what was told or said.
    """
    tree = tree_of(path)
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    first = [(node.name, (ast.get_docstring(node) or "").partition(" ")[0]) for node in functions]
    stored = [
        node.id
        for node in ast.walk(tree)
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
    ]
    return [name for name, word in first if word in ("Give", "Gives", "Tell", "Tells")] + [
        name for name in stored if name in ("told", "said", "spoken")
    ]


ROOMS = sorted({path.relative_to(PACKAGE).parts[0] for path in MODULES})


@pytest.mark.parametrize("rule", [undescribed, british, retired, told_or_given])
@pytest.mark.parametrize("room", ROOMS)
def test_modules_keep_the_rule(room: str, rule: Callable[[Path], list[object]]) -> None:
    """Each module of a room; types of an output bear the names of its members, retired ones too."""
    paths = [path for path in MODULES if path.relative_to(PACKAGE).parts[0] == room]
    found = {
        str(path): rule(path)
        for path in paths
        if rule in (undescribed, told_or_given) or path.name != "answer_types.py"
    }
    assert not {path: faults for path, faults in found.items() if faults}


def test_docstrings_in_tests_do_so_too() -> None:
    """The same of the functions that tests share."""
    opening = re.compile(r'^ +r?"""(?:Give|Tell)s? ', re.MULTILINE)
    files = (PACKAGE.parent / "tests").rglob("*.py")
    assert not [path.name for path in files if opening.search(path.read_text("utf-8"))]
