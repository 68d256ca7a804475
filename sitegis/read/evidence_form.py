"""How evidence is asked for in a blank site: columns of the workbook, tables of ``site.toml``."""

from __future__ import annotations

from typing import Annotated, Any, get_args, get_origin

from ..evidence import KINDS
from ..model.fields import Ask, cell_of, inputs_of

_FIRST, _LAST = ("kind", "main", "manhole"), ("sd", "reliability")
_SHEETS = {"main": "mains"}  # the sheet whose names a column refers to
_COMMENT = 33  # column of the comments in a blank site.toml


def evidence_columns() -> list[dict[str, Any]]:
    """Describe the columns of all kinds as a sheet's description does; the example is the first's.

    A column's hint names the kinds that have it; what all share stands at the end.
    """
    asks: dict[str, dict[str, Ask]] = {}
    cells: dict[str, object] = {}
    for name, kind in KINDS.items():
        for key, annotation in inputs_of(kind.record).items():
            asks.setdefault(key, {})[name] = _ask(annotation)
            cells.setdefault(key, annotation)
    first = next(iter(KINDS))
    rows: list[dict[str, Any]] = [
        {
            "name": "kind",
            "kind": "choice",
            "choices": list(KINDS),
            "hint": "what it is",
            "example": [f"example {first}"],
        }
    ]
    for key in sorted(asks, key=_rank):
        if key == "kind":
            continue
        by_kind = asks[key]
        cell, choices, _ = cell_of(cells[key])
        last = next(reversed(by_kind.values()))
        hint = last.hint if last.shared else _hint(by_kind)
        if cell == "list" and isinstance(last.example, tuple):
            hint += f": {'; '.join(last.example)}; or none"
        example = by_kind[first].example if first in by_kind else None
        shown = [] if example is None else [_in_cell(example)]
        rows.append(
            {
                "name": key,
                "kind": cell,
                "choices": list(choices),
                "hint": hint,
                "example": shown,
                "from": _SHEETS.get(key),
            }
        )
    return rows


def evidence_tables() -> str:
    """Write one commented ``[[evidence]]`` table of each kind, as in a blank ``site.toml``."""
    lines = []
    for name, kind in KINDS.items():
        lines += ["# [[evidence]]", _line("kind", name, kind.words)]
        for key, annotation in inputs_of(kind.record).items():
            ask = _ask(annotation)
            if ask.example is not None:
                _, choices, _ = cell_of(annotation)
                lines.append(_line(key, ask.example, ", ".join(choices) or ask.hint))
    return "\n".join(lines)


def _ask(annotation: Any) -> Ask:
    """Return how a field is asked for, from its metadata."""
    parts = get_args(annotation) if get_origin(annotation) is Annotated else ()
    return next((part for part in parts if isinstance(part, Ask)), Ask())


def _rank(key: str) -> int:
    """Order the columns: what names the item first, what most share last."""
    if key in _FIRST:
        return _FIRST.index(key) - len(_FIRST)
    return 1 + _LAST.index(key) if key in _LAST else 0


def _hint(by_kind: dict[str, Ask]) -> str:
    """Name the kinds that have a column, and say what it holds where they say the same."""
    hints = {ask.hint for ask in by_kind.values()}
    return ", ".join(by_kind) + (f": {hints.pop()}" if len(hints) == 1 and any(hints) else "")


def _in_cell(value: object) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def _line(key: str, value: object, comment: str) -> str:
    """Write one commented line of TOML."""
    text = f"# {key} = {_toml(value)}"
    return f"{text:<{_COMMENT}} # {comment}" if comment else text


def _toml(value: object) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return f'"{value}"' if isinstance(value, str) else str(value).lower()


if __name__ == "__main__":
    print(evidence_tables())  # noqa: T201 - the copy for blank sites, template/evidence.toml
