"""The rule sets against what the codes say, and the check of the data files."""

from __future__ import annotations

import json
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import fields
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from openpyxl import load_workbook
from pydantic import ValidationError

from sitegis.city.schema import CityTable
from sitegis.pipeline import compute
from sitegis.read import start_site
from sitegis.read.workbook.form import load_sheets
from sitegis.rules import rule_set as _rules
from sitegis.rules.rule_set import RuleSet, load_rules, rule_set_names, rules_from_table
from sitegis.write.outputs import output_files

INCH, FOOT = 0.0254, 0.3048
RULE_SETS = rule_set_names()
UNITED_STATES, CANADA = ("us-ipc", "us-upc"), ("ca-npc", "ca-obc")


def table(name: str = "us-ipc") -> dict[str, Any]:
    text = resources.files("sitegis").joinpath("rules", f"{name}.toml").read_text("utf-8")
    return tomllib.loads(text)


def test_rule_sets_are_the_files_of_the_folder() -> None:
    """Every data file is a rule set of its name."""
    assert RULE_SETS == ("ca-npc", "ca-obc", "us-ipc", "us-upc")
    assert tuple(load_rules(name).name for name in RULE_SETS) == RULE_SETS


@pytest.mark.parametrize(
    ("inches", "percent"), [(2.0, 2.083), (2.5, 2.083), (3.0, 1.042), (6.0, 1.042), (8.0, 0.521)]
)
def test_ipc_slopes(inches: float, percent: float) -> None:
    """IPC 704.1: 1/4 in per foot to 2 1/2 in, 1/8 from 3 to 6 in, 1/16 from 8 in."""
    rule = load_rules("us-ipc").least_slope(inches * INCH)
    assert rule.slope * 100 == pytest.approx(percent, abs=5e-4)
    assert "704.1" in rule.section


@pytest.mark.parametrize(("millimeters", "slope"), [(65, 1 / 48), (75, 1 / 96), (160, 1 / 96)])
def test_metric_sizes_fall_under_the_rule_of_their_trade_size(
    millimeters: float, slope: float
) -> None:
    """A 65, 75 or 160 mm pipe is a 2 1/2, 3 or 6 in pipe to the IPC table."""
    assert load_rules("us-ipc").least_slope(millimeters / 1000).slope == pytest.approx(slope)


@pytest.mark.parametrize("inches", [2.0, 4.0, 8.0])
def test_upc_slope(inches: float) -> None:
    """UPC 708.1 (from memory): 1/4 in per foot; the flatter 1/8 is told as needing approval."""
    rule = load_rules("us-upc").least_slope(inches * INCH)
    assert rule.slope == pytest.approx(0.25 / 12)
    assert ("1/8" in rule.section) == (inches >= 4)


@pytest.mark.parametrize("name", CANADA)
@pytest.mark.parametrize(
    ("inches", "run"),
    [
        (2.0, 50),
        (3.0, 50),
        (4.0, 100),
        (5.0, 133),
        (6.0, 133),
        (8.0, 200),
        (10.0, 200),
        (12.0, 400),
    ],
)
def test_canadian_slopes(name: str, inches: float, run: float) -> None:
    """Ontario Building Code 7.4.8.1 (1:50 to 3 in), Table 7.4.10.8 (first column with an entry).

    The National Plumbing Code's are the same, from memory, and say so.
    """
    rule = load_rules(name).least_slope(inches * INCH)
    assert rule.slope == pytest.approx(1 / run)
    assert ("from memory" in rule.section) == (name == "ca-npc")


@pytest.mark.parametrize(("millimeters", "run"), [(80, 50), (110, 100), (160, 133), (250, 200)])
def test_canadian_slopes_of_metric_sizes(millimeters: float, run: float) -> None:
    """110 mm is a 4 in pipe, 160 mm a 6 in, 250 mm a 10 in one to Table 7.4.10.8."""
    assert load_rules("ca-obc").least_slope(millimeters / 1000).slope == pytest.approx(1 / run)


@pytest.mark.parametrize(("name", "least"), [("us-ipc", 0.010417), ("ca-obc", 0.007519)])
def test_a_six_inch_drain_at_0_8_percent(name: str, least: float) -> None:
    """0.80 % is below IPC's 1/8 in per foot (1.042 %) and above Ontario's 1:133 (0.752 %)."""
    rule = load_rules(name).least_slope(6 * INCH)
    assert rule.slope == pytest.approx(least, abs=1e-6)
    assert (rule.slope <= 0.008) == (name == "ca-obc")


@pytest.mark.parametrize("name", UNITED_STATES)
def test_united_states_excavation(name: str) -> None:
    """29 CFR 1926.651 and .652: 4 ft egress, 5 ft protection, 20 ft engineer, 2 ft spoil."""
    rules = load_rules(name)
    assert rules.egress_depth_m == pytest.approx(4 * FOOT)
    assert rules.protective_depth_m == pytest.approx(5 * FOOT)
    assert rules.engineer_depth_m == pytest.approx(20 * FOOT)
    assert rules.spoil_setback_m == pytest.approx(2 * FOOT)
    assert rules.tolerance_zone_m == pytest.approx(24 * INCH)


@pytest.mark.parametrize("name", UNITED_STATES)
def test_united_states_trench_slopes(name: str) -> None:
    """29 CFR 1926 Subpart P, Table B-1: 3/4, 1, 1 1/2 to 1; plan on C."""
    rules = load_rules(name)
    assert dict(rules.trench_slopes) == {"A": 0.75, "B": 1.0, "C": 1.5}
    assert rules.default_soil == "C"


@pytest.mark.parametrize("name", CANADA)
def test_canadian_excavation(name: str) -> None:
    """O. Reg. 213/91: protection past 1.2 m; types 1 to 3 at 1:1, type 4 at 3:1; 1 m tolerance."""
    rules = load_rules(name)
    assert rules.protective_depth_m == 1.2
    assert dict(rules.trench_slopes) == {"1": 1.0, "2": 1.0, "3": 1.0, "4": 3.0}
    assert rules.tolerance_zone_m == 1.0


def test_ipc_drain_end_and_cleanouts() -> None:
    """IPC chapter 2: the building drain ends 30 in outside; 708.1.1: a cleanout every 100 ft."""
    rules = load_rules("us-ipc")
    assert rules.building_drain_beyond_wall_m == pytest.approx(30 * INCH)
    assert rules.cleanout_spacing_m == pytest.approx(100 * FOOT)


@pytest.mark.parametrize("name", RULE_SETS)
def test_every_number_has_a_source(name: str) -> None:
    """Each field that is not words has its section, and each slope its own."""
    rules = load_rules(name)
    words = {
        "name",
        "title",
        "edition",
        "sources",
        "call_first",
        "cautions",
        "pit_cautions",
        "pit_statements",
    } | {"plumbing"}
    assert set(rules.sources) == {field.name for field in fields(RuleSet)} - words
    assert all(rules.sources.values())
    assert all(rule.section for rule in rules.slopes)


@pytest.mark.parametrize("name", RULE_SETS)
@pytest.mark.parametrize(
    "word",
    [
        "one-call", "no depth", "laterals", "tolerance zone", "ladder", "shoring", "dug before",
        "spoil", "unprotected", "gas line", "biohazard", "upstream", "silica", "post-tensioned",
        "not a locate", "Local code", "ASCE 38", "in white", "ticket's number", "last valid day",
        "competent person", "every day", "water stands", "manhole", "gas test",
        "water service", "frost",
    ],
)  # fmt: skip
def test_every_caution_is_there(name: str, word: str) -> None:
    """No rule set lacks one of the cautions that are always shown."""
    assert sum(word in caution for caution in load_rules(name).cautions) >= 1


@pytest.mark.parametrize("name", UNITED_STATES)
@pytest.mark.parametrize(
    ("section", "word"),
    [
        ("1926.651(c)(2)", "25 ft"),
        ("1926.651(g)(1)", "19.5 %"),
        ("1926.651(h)", "water"),
        ("1926.651(i)(2)", "footing"),
        ("1926.651(j)(2)", "2 ft"),
        ("1926.651(k)", "competent"),
        ("1926.652", "shore"),
        ("1926 Subpart AA", "manhole"),
    ],
)
def test_what_excavation_rules_ask_has_its_section(name: str, section: str, word: str) -> None:
    """The paragraphs of 29 CFR 1926 that a crew is held to, each beside what it asks."""
    rules = load_rules(name)
    said = [*rules.cautions, *(row.words for row in rules.pit_statements)]
    assert any(section in words and word in words for words in said)


@pytest.mark.parametrize(
    ("name", "distance", "section"),
    [("us-ipc", "5 ft", "603.2"), ("us-upc", "12 in", "720"), ("ca-obc", "2.44 m", "7.3.5.6")],
)
def test_separation_from_a_water_service(name: str, distance: str, section: str) -> None:
    """IPC 603.2: 5 ft; UPC 720: none or 12 in above; OBC 7.3.5.6 and 7.3.5.7: 2.44 m."""
    (words,) = [one for one in load_rules(name).cautions if one.startswith("Sewer and")]
    assert distance in words
    assert section in words


@pytest.mark.parametrize("name", ["", "us", "../us-ipc", "us-ipc.toml"])
def test_unknown_rule_set(name: str) -> None:
    """A name that is not a rule set, or tries to be a path, is refused with the names there are."""
    with pytest.raises(FileNotFoundError, match="ca-npc, ca-obc, us-ipc, us-upc"):
        load_rules(name)


def test_pipe_at_the_end_of_a_rule() -> None:
    """A pipe of just the size a rule goes up to falls under it, a rounding notwithstanding."""
    rules = load_rules("us-ipc")
    first = rules.slopes[0]
    assert rules.least_slope(first.up_to_diameter_m + 1e-9) == first
    assert rules.least_slope(first.up_to_diameter_m + 1e-4) == rules.slopes[1]


def test_diameter_past_a_table_that_ends() -> None:
    """Where a rule set's table ends, a larger pipe has no rule."""
    data = table()
    data["slopes"] = data["slopes"][:2]
    with pytest.raises(ValueError, match="no slope rule"):
        rules_from_table("trial", data).least_slope(0.3)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"egress_depth_m": -1.0}, "not above 0: \\['egress_depth_m'\\]"),
        ({"spoil_setback_m": 0.0}, "spoil_setback_m"),
        ({"trench_slopes": {"C": 0.0}}, "trench slope C"),
        ({"practice_slope": 0.0}, "practice_slope"),
        ({"bulking": {"C": 1.2}}, "do not agree"),
        ({"undisturbed_soils": ["Z"]}, "do not agree"),
        ({"default_soil": "D"}, "no trench slope for 'D'"),
        ({"slopes": []}, "do not rise"),
        ({"sources": {}}, "gives no source"),
        ({"pit_statements": [{"words": "x", "at": "deep"}]}, "no known depth"),
        ({"sloeps": 1}, "not known: \\['sloeps'\\]"),
    ],
)
def test_faults_of_a_data_file(change: dict[str, Any], reason: str) -> None:
    """A fault in a data file is told by the field it is in."""
    with pytest.raises(ValueError, match=reason):
        rules_from_table("trial", table() | change)


def _files(folder: Path, rule_set: str) -> dict[str, bytes]:
    """Run the metric fixture under a rule set and give its files."""
    shutil.copytree(Path(__file__).parents[1] / "fixtures" / "metric-rear-main", folder)
    site = (folder / "site.toml").read_text("utf-8")
    assert 'rule_set = "ca-npc"' in site
    (folder / "site.toml").write_text(site.replace('"ca-npc"', f'"{rule_set}"'), "utf-8")
    return output_files(compute(folder))


@pytest.fixture
def trial_rules(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Put the Canadian rule set a second time into the folder, under a name of its own."""
    folder = tmp_path / "rules"
    shutil.copytree(str(_rules.FOLDER), folder)
    shutil.copy(folder / "ca-npc.toml", folder / "trial-set.toml")
    monkeypatch.setattr(_rules, "FOLDER", folder)
    load_sheets.cache_clear()  # they name the rule sets
    yield folder
    load_sheets.cache_clear()


@pytest.mark.usefixtures("trial_rules")
def test_a_copy_of_a_rule_set_gives_the_same_files(tmp_path: Path) -> None:
    """Nothing but the printed name follows from what a rule set is called."""
    first = _files(tmp_path / "first" / "site", "ca-npc")
    second = _files(tmp_path / "second" / "site", "trial-set")
    assert second.keys() == first.keys()
    assert b"trial-set" in second["answer.json"]
    for name, content in second.items():
        assert content.replace(b"trial-set", b"ca-npc") == first[name], name
    path = resources.files("sitegis.write").joinpath("assets", "answer.schema.json")
    Draft202012Validator(json.loads(path.read_text("utf-8"))).validate(
        json.loads(second["answer.json"])
    )


@pytest.mark.usefixtures("trial_rules")
def test_a_copy_of_a_rule_set_is_offered_wherever_one_is_chosen(tmp_path: Path) -> None:
    """The drop-down, the blank site.toml, the city's schema and its refusal name the copy."""
    start_site(tmp_path / "text")
    assert "trial-set" in (tmp_path / "text" / "site.toml").read_text("utf-8")
    start_site(tmp_path / "book", workbook=True)
    sheet = load_workbook(tmp_path / "book" / "fieldbook.xlsx")["site"]
    offered = [rule.formula1 for rule in sheet.data_validations.dataValidation]
    assert '"ca-npc,ca-obc,trial-set,us-ipc,us-upc"' in offered
    assert '"1,2,3,4,A,B,C"' in [
        rule.formula1
        for rule in load_workbook(tmp_path / "book" / "fieldbook.xlsx")[
            "settings"
        ].data_validations.dataValidation
    ]
    assert CityTable(name="x", rule_set="trial-set").rule_set == "trial-set"
    with pytest.raises(ValidationError, match="'trial-set'"):
        CityTable(name="x", rule_set="ca")
