"""Every choice among computed numbers names its rule: the source itself, read by ``ast``.

A bare ``argmax``, ``argsort``, ``max(key=…)`` or ``sorted(key=…)`` hangs on the last bit. Each one
outside ``numerics/ordering.py`` rounds within its own call, or stands below with the reason why
what it compares is no computed number, or was put in steps before.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path

import sitegis

from .sources import tree_of

PACKAGE = Path(sitegis.__file__).parent
PLACES = frozenset({"argmax", "argmin", "argpartition", "argsort", "nanargmax", "nanargmin"})
KEYED = frozenset({"max", "min", "sort", "sorted", "nlargest", "nsmallest"})
ROUNDING = frozenset({"in_steps", "on_lattice", "ordered", "relative_step", "round", "_steps"})
HARMLESS: Mapping[str, frozenset[str]] = {
    "names, whole numbers, flags": frozenset({
        "branches/weigh.weigh", "city/assemble._with", "city/corridors._strips",
        "city/chunks.__init__", "city/columns.count_words", "city/elevations._first",
        "city/in_order.__init__",
        "city/in_order._sorted",
        "city/stored.put_in_order",
        "city/filters._counted", "city/map_page._matched",
        "city/map_page._stops", "city/network._meeting",
        "cli/printing.notice_lines", "dig/hits._once_per_route", "dig/hits.cells_passed",
        "numerics/mixture.merge_poses", "place/blunders._prefer", "read/consistency.check_counts",
        "read/consistency.check_rooms_tied", "read/evidence_form.evidence_columns",
        "read/faults.raise_faults", "read/site_folder.read_revisions", "read/site_toml.validate",
        "read/workbook/blank._table", "routes/condition.draw_given", "routes/draw.draw_aimed",
        "routes/plan._given_the_yard", "routes/plan._yard_rules", "write/cutting.corner",
        "write/report/answer.flag_section",
    }),
    "as the user or a rule set gave them": frozenset({
        "dig/codes.branch_size", "line/order.order_downstream", "pits/cost.dearest_surfaces",
        "read/consistency._first_short", "score/intervals.stationing_manhole",
        "write/features._corridor_features", "write/found.status",
        "write/record/as_found.log_sections",
        "write/record/particulars.reach_of", "read/manholes.place_manholes",
    }),
    "handed over on their lattice": frozenset({
        "dig/cloud.whole_cloud", "write/answer._line", "write/report/answer.route_section",
        "write/text.check_sentence",
    }),
    "put in steps before, in the same function or by its key": frozenset({
        "city/lot_tables._best_routes", "dig/corridors._central_order", "dig/pits._places",
        "doubt/weigh.nearest_main", "read/plausible._mains_by_side", "score/next_check.rank_checks",
        "write/record/plan._draw_names",
    }),
    "equal values give the same quantile, sum or time, whichever is first": frozenset({
        "dig/corridors._come", "numerics/intervals.highest_density_intervals",
        "numerics/statistics.weighted_quantiles",
    }),
    "thresholds, by at_least or far from any": frozenset({
        "dig/corridors._corridor", "score/intervals._first_straight",
    }),
}  # fmt: skip


def _names(node: ast.AST) -> set[str]:
    """Return every name and attribute within a node."""
    return {
        part.attr if isinstance(part, ast.Attribute) else part.id
        for part in ast.walk(node)
        if isinstance(part, ast.Attribute | ast.Name)
    }


def bare_choices(tree: ast.AST, within: str = "") -> Iterator[str]:
    """Name the functions that choose by numbers and do not round them in the call."""
    for node in ast.iter_child_nodes(tree):
        inside = node.name if isinstance(node, ast.FunctionDef) else within
        if isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            called = node.func.id if isinstance(node.func, ast.Name) else called
            keyed = called in KEYED and any(word.arg == "key" for word in node.keywords)
            if (called in PLACES or keyed) and not _names(node) & ROUNDING:
                yield inside
        yield from bare_choices(node, inside)


def test_a_bare_choice_is_seen() -> None:
    """The reader itself: what rounds in the call passes, all else is named."""
    source = """
def one(x): return np.argmax(x)
def two(x): return np.argmax(in_steps(x, 1e-3))
def three(x): return sorted(x, key=lambda i: -i.weight)
def four(x): return sorted(x, key=lambda i: -round(i.weight, 6))
def five(x): return sorted(x), max(x)
def six(x): x.sort(key=cost)
"""
    assert list(bare_choices(ast.parse(source))) == ["one", "three", "six"]


def test_every_choice_rounds_or_has_its_reason() -> None:
    """No bare choice but the listed ones, and none listed that is not there any more."""
    found = set()
    for path in sorted(PACKAGE.rglob("*.py")):
        module = path.relative_to(PACKAGE).with_suffix("").as_posix()
        if module != "numerics/ordering":
            tree = tree_of(path)
            found |= {f"{module}.{name}" for name in bare_choices(tree)}
    listed = frozenset[str]().union(*HARMLESS.values())
    assert (sorted(found - listed), sorted(listed - found)) == ([], [])
