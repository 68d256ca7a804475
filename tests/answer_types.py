"""Types of ``answer.json`` from its schema: ``python -m tests.answer_types`` writes the module.

Each object of the schema becomes a ``TypedDict``, what it takes from another its base; one whose
members are all there and all alike a ``dict`` of their names. A test holds that the module is what
the schema gives.
"""

from __future__ import annotations

import json
import keyword
import re
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

PACKAGE = Path(__file__).parents[1] / "sitegis"
SCHEMA = PACKAGE / "write" / "assets" / "answer.schema.json"
MODULE = PACKAGE / "library" / "answer_types.py"
HEAD = '''"""What ``Result.answer`` holds: written from its schema by tests/answer_types.py."""

from __future__ import annotations

from typing import Any, Literal, NotRequired, TypedDict
'''
PLAIN = {"string": "str", "number": "float", "integer": "int", "boolean": "bool", "null": "None",
         "object": "dict[str, Any]"}  # fmt: skip
Schema = dict[str, Any]


class Types:
    """Gathers the classes in the order in which they rest on each other."""

    def __init__(self, root: Schema) -> None:
        self.shared: Schema = root["$defs"]
        self.classes: dict[str, str] = {}
        self.made: dict[str, str] = {}

    def of(self, schema: Schema, name: str, path: str) -> str:
        """Return the type of a part of the schema; a class that it needs has ``name``."""
        if "$ref" in schema:
            return self.reference(schema["$ref"].rpartition("/")[2])
        if "anyOf" in schema:
            return " | ".join(self.of(part, name, path) for part in schema["anyOf"])
        if "enum" in schema or "const" in schema:
            return _literal(schema.get("enum", [schema.get("const")]))
        kinds = schema.get("type", "object")
        if isinstance(kinds, list):
            return " | ".join(self.of({**schema, "type": kind}, name, path) for kind in kinds)
        return self.one(kinds, schema, name, path)

    def one(self, kind: str, schema: Schema, name: str, path: str) -> str:
        """Return the type of a part that is of one kind."""
        if kind == "array":
            return f"list[{self.of(schema['items'], _singular(name), f'{path}[]')}]"
        if kind == "object" and "properties" in schema:
            return self.table(schema, name, path)
        return PLAIN[kind]

    def reference(self, name: str) -> str:
        """Return the type of a shared part, made once."""
        if name not in self.made:
            self.made[name] = self.of(self.shared[name], _camel(name), name)
        return self.made[name]

    def table(self, schema: Schema, name: str, path: str = "") -> str:
        """Make the class of an object and return its name."""
        bases = [
            self.reference(part["$ref"].rpartition("/")[2]) for part in schema.get("allOf", [])
        ]
        required = set(schema.get("required", ()))
        fields = {
            key: (self.of(part, name + _camel(key), f"{path}.{key}".lstrip(".")), key in required)
            for key, part in schema["properties"].items()
        }
        kinds = {kind for kind, needed in fields.values() if needed}
        if name != "Place" and not bases and len(kinds) == 1 and set(fields) == required:
            return f"dict[{_literal(list(fields))}, {kinds.pop()}]"
        if any(keyword.iskeyword(key) for key in fields):
            pairs = ", ".join(f'"{key}": {kind}' for key, (kind, _) in fields.items())
            self.classes[name] = f'{name} = TypedDict("{name}", {{{pairs}}})\n'
            return name
        lines = [
            f"    {key}: {kind if needed else f'NotRequired[{kind}]'}\n"
            for key, (kind, needed) in fields.items()
        ]
        head = f"class {name}({', '.join(bases) or 'TypedDict'}):\n"
        told = _docstring(path, schema.get("description", ""))
        self.classes[name] = head + told + "".join(lines)
        return name


def _docstring(path: str, described: str) -> str:
    """Return a class's docstring: its place in the file, then what the schema says of it."""
    place = f"``{path}`` of ``answer.json``." if path else "``answer.json``."
    fill = textwrap.fill(described, 96, initial_indent="    ", subsequent_indent="    ")
    body = f"\n\n{fill}\n    " if described else ""
    return f'    """{place}{body}"""\n\n'


def _literal(values: list[Any]) -> str:
    """Return the type of listed values; numbers with a fraction have no literal."""
    if any(isinstance(value, float) for value in values):
        return "float"
    return f"Literal[{', '.join(json.dumps(v) if v is not None else 'None' for v in values)}]"


def _camel(name: str) -> str:
    return "".join(part.capitalize() for part in name.split("_"))


def _singular(name: str) -> str:
    """Name one of several.

    >>> _singular("Hypotheses"), _singular("Pits"), _singular("Evidence")
    ('Hypothesis', 'Pit', 'Evidence')
    """
    return name[:-2] + "is" if name.endswith("theses") else name.removesuffix("s")


def module_text() -> str:
    """Return the module that the schema gives, formatted."""
    root = json.loads(SCHEMA.read_text("utf-8"))
    types = Types(root)
    types.table(root, "Answer")
    classes = {
        name.removeprefix("Answer") or "Answer": body for name, body in types.classes.items()
    }
    text = HEAD + "\n\n" + "\n\n".join(types.classes.values())
    for name in classes:
        if f"Answer{name}" in types.classes and name not in types.classes:
            text = _renamed(text, f"Answer{name}", name)
    command = [sys.executable, "-m", "ruff", "format", "--stdin-filename", str(MODULE), "-"]
    return subprocess.run(command, input=text, text=True, capture_output=True, check=True).stdout


def _renamed(text: str, old: str, new: str) -> str:
    return re.sub(rf"\b{old}\b", new, text)


if __name__ == "__main__":
    MODULE.write_text(module_text(), "utf-8")
