"""The exam blueprint: a file is read, or refused with the place and the remedy; its digest is of what it says."""

from __future__ import annotations

import re
import shutil
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from blowerbench.faults import COMPETENCIES
from blowergrade.exam.blueprint import Blueprint, BlueprintError, load_blueprint, names_fault, parse_blueprint

EXAMPLE = (Path(str(files("blowergrade"))) / "exam" / "blueprints" / "example.toml").read_text(encoding="utf-8")
GUIDES = Path(str(files("blowerlessons"))) / "guides"
FURNACE = "furnace_120_constant_torque"


def swapped(old: str, new: str, text: str = EXAMPLE) -> str:
    assert old in text, f"the example no longer holds {old!r}"
    return text.replace(old, new, 1)


def refused(text: str) -> str:
    """The error of a blueprint file with this text."""
    with pytest.raises(BlueprintError) as caught:
        parse_blueprint(text, "mine.toml")
    return str(caught.value)


# ---------------------------------------------------------------------- what is right
def test_the_example_is_read_as_its_file_says() -> None:
    made, raw = load_blueprint("example"), tomllib.loads(EXAMPLE)
    assert (made.title, made.calls, made.forms, made.minutes) == (raw["title"], raw["calls"], raw["forms"], raw["minutes"])
    assert made.equipment == tuple(raw["equipment"]) and made.languages == ("en", "es") and made.exposure == 1
    assert made.enemies == (("filter_dirty", "registers_closed"),) and made.excluded == ("healthy_unit",)
    assert (made.pass_rule.points, made.pass_rule.calls, made.pass_rule.critical) == (70, 4, "sitting")
    assert [(s.competencies, s.difficulty, s.count, s.minutes) for s in made.section] == [
        (("power input",), (2, 4), 1, 30), (("low voltage", "command"), (2, 4), 1, 30),
        (("control or motor",), (3, 5), 2, 30), (("airflow", "safeties"), (2, 4), 1, 25),
    ]  # fmt: skip
    assert made.familiarisation is not None and made.familiarisation.fault == "filter_dirty"


def test_a_blueprint_is_found_by_its_path_and_by_its_name(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(EXAMPLE, encoding="utf-8")
    assert load_blueprint(tmp_path / "mine.toml") == load_blueprint("example") == parse_blueprint(EXAMPLE, "x.toml")


def test_what_is_left_out_has_its_default() -> None:
    optional = ("exposure", "languages", "rubric", "excluded", "enemies", "longest", "critical")
    shortened = "\n".join(line for line in EXAMPLE.splitlines() if not line.startswith(optional))
    made = parse_blueprint(shortened, "mine.toml")
    assert (made.exposure, made.languages, made.rubric, made.excluded, made.enemies) == (1, ("en",), "default", (), ())
    assert (made.longest_minutes, made.level_minutes, made.pass_rule.critical) == (0, 10, "sitting")


def test_a_section_is_called_by_its_name_or_by_what_it_asks_for() -> None:
    made = parse_blueprint(swapped('competency = "power input"', 'competency = "power input"\nname = "Power"'), "mine.toml")
    assert [s.title for s in made.section[:2]] == ["Power", "low voltage or command, difficulty 2 to 4"]


def test_comments_and_order_leave_the_digest_alone_and_every_value_changes_it() -> None:
    digest = parse_blueprint(EXAMPLE, "a.toml").digest
    bare = "\n".join(line.partition(" #")[0] for line in EXAMPLE.splitlines() if not line.startswith("#"))
    first, second = "calls = 5", "forms = 4"
    turned = bare.replace(first, "@").replace(second, first).replace("@", second)
    assert turned != EXAMPLE and parse_blueprint(turned, "b.toml").digest == digest
    changes = [
        ("forms = 4", "forms = 3"), ("minutes = 150", "minutes = 151"), ("points = 70", "points = 71"),
        ('critical = "sitting"', 'critical = "call"'), ("exposure = 1", "exposure = 2"), ("[2, 4]", "[2, 3]"),
        ('["en", "es"]', '["en"]'), ('["healthy_unit"]', "[]"), ("longest_minutes = 45", "longest_minutes = 46"),
        ('fault = "filter_dirty"', 'fault = "registers_closed"'), ("minutes = 25", "minutes = 24"),
    ]  # fmt: skip
    found = {parse_blueprint(swapped(*change), "c.toml").digest for change in changes}
    assert len(found) == len(changes) and digest not in found


@pytest.mark.parametrize(
    ("pattern", "means"),
    [
        ("filter_dirty", True), ("filter_dirty/1", True), (f"{FURNACE}:filter_dirty", True),
        (f"{FURNACE}:filter_dirty/1", True),
        ("filter_dirty/0", False), ("other:filter_dirty", False), ("filter", False), ("", False), (f"{FURNACE}:", False),
    ],
)  # fmt: skip
def test_a_fault_is_named_alone_with_its_severity_with_its_unit_or_with_both(pattern: str, means: bool) -> None:
    assert names_fault(pattern, FURNACE, "filter_dirty/1") is means


# ---------------------------------------------------------------------- what is wrong
def test_a_file_that_is_not_there_or_no_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BlueprintError, match=r"none\.toml: can't be read \(No such file.*give the path of a \.toml file"):
        load_blueprint(tmp_path / "none.toml")
    with pytest.raises(BlueprintError, match=r"no_such\.toml: can't be read"):
        load_blueprint("no_such")
    (tmp_path / "latin.toml").write_bytes('title = "Prüfung"'.encode("latin-1"))
    with pytest.raises(BlueprintError, match=r"latin\.toml: not UTF-8 .*save it as UTF-8"):
        load_blueprint(tmp_path / "latin.toml")


#: (old text, new text, what the error says after "mine.toml: ")
KEYS = [
    ("calls = 5", "calls = ", r"not TOML \(.*line 4.*\); mend that line"),
    ("forms = 4", "form = 4", r"unknown key 'form'; did you mean 'forms'\?"),
    ("forms = 4", "colour = 4", r"unknown key 'colour'; the keys here are title, equipment, calls, forms"),
    ("forms = 4\n", "", r"missing key `forms`; compare it with blueprints/example\.toml"),
    ("forms = 4", 'forms = "four"', r"Expected `int`, got `str` - at `forms`"),
    ("forms = 4", "forms = 0", r"Expected `int` >= 1 - at `forms`"),
    (
        f'equipment = ["{FURNACE}", "furnace_120_split_capacitor"]', "equipment = []",
        r"Expected `array` of length >= 1 - at `equipment`",
    ),
    ("points = 70 ", "points = 101 ", r"pass_rule: Expected `int` <= 100 - at `points`"),
    ('critical = "sitting"', 'critical = "never"', r"pass_rule: Invalid enum value 'never' - at `critical`"),
    ("points = 70", "pionts = 70", r"pass_rule: unknown key 'pionts'; did you mean 'points'\?"),
    (
        '[familiarisation]\nequipment', '[familiarisation]\nunit',
        r"familiarisation: unknown key 'unit'; the keys here are equipment, fault",
    ),
    ("count = 2", "cuont = 2", r"section 3: unknown key 'cuont'; did you mean 'count'\?"),
    ("count = 2", "count = -2", r"section 3: Expected `int` >= 1 - at `count`"),
    ("count = 2\n", "", r"section 3: missing key `count`"),
    ("difficulty = [3, 5]", "difficulty = [3]", r"section 3: Expected `array` of length 2, got 1 - at `difficulty`"),
]  # fmt: skip
#: What contradicts itself, and what the catalogues don't know.
SENSE = [
    ("Alderwick Trade School: blower diagnosis, practical exam", "  ", r"title: '  ' is empty, too long or holds control char"),
    ("Alderwick Trade School", "A\\nB", r"title: 'A\\nB.* control characters; write one line of text"),
    ("Alderwick Trade School", "A" * 200, r"title: 'A{60}' is empty, too long"),
    ("calls = 5", "calls = 6", r"calls: the sections hold 5 calls, not 6; write calls = 5, or change a section's count"),
    ("minutes = 150", "minutes = 144", r"minutes: the calls take 145 minutes, the exam 144; write minutes = 145 or more"),
    ("calls = 4", "calls = 6", r"pass_rule\.calls: 6 of 5 calls can't be passed; ask for 5 at most"),
    ("exposure = 1", "exposure = 5", r"exposure: an item can't stand in 5 of 4 forms; write exposure = 4 or less"),
    ("[3, 5]", "[5, 3]", r"section 3: difficulty: \[5, 3\] is no range; give two numbers from 1 to 5, the lower first"),
    ("[3, 5]", "[3, 6]", r"section 3: difficulty: \[3, 6\] is no range"),
    ("[3, 5]", "[0, 5]", r"section 3: difficulty: \[0, 5\] is no range"),
    ('"control or motor"', "[]", rf"section 3: competency: none is named; use one of {', '.join(COMPETENCIES)}"),
    ('"control or motor"', '"motors"', r"section 3: competency: unknown 'motors'; use one of power input"),
    (
        "count = 2", 'count = 2\nequipment = ["outdoor_fan_240"]',
        r"section 3: equipment: 'outdoor_fan_240' is not among the exam's units",
    ),
    ('"furnace_120_split_capacitor"', f'"{FURNACE}"', rf"equipment: '{FURNACE}' stands twice; name it once"),
    ('["en", "es"]', '["en", "en"]', r"languages: 'en' stands twice; name it once"),
    ('["en", "es"]', "[]", r'languages: none is named; write languages = \["en"\]'),
    ('["en", "es"]', '["en", "xx"]', r"languages: there is no 'xx'; use en or one of es"),
    (
        '["filter_dirty", "registers_closed"]', '["filter_dirty", "filter_dirty"]',
        r"enemies, group 1: a group needs two faults or more",
    ),
    ('"furnace_120_split_capacitor"', '"furnace_9"', r"equipment: no equipment 'furnace_9'; give one of"),
    ('rubric = "default"', 'rubric = "mild"', r"rubric: mild\.toml: .*compare it with rubrics/default\.toml"),
    (
        '["healthy_unit"]', '["helthy_unit"]',
        r"excluded: no fault 'helthy_unit' in furnace_120_constant_torque, .*did you mean 'healthy_unit'\?",
    ),
    ('["healthy_unit"]', '["zzz"]', r"excluded: no fault 'zzz' in .*; `blowerbench faults` lists them"),
    ('["healthy_unit"]', '["healthy_unit/7"]', r"excluded: no fault 'healthy_unit/7' in .*did you mean 'healthy_unit'\?"),
    (
        '"registers_closed"]]', '"registers_open"]]',
        r"enemies, group 1: no fault 'registers_open' in .*did you mean 'registers_closed'\?",
    ),
    (
        f'[familiarisation]\nequipment = "{FURNACE}"', '[familiarisation]\nequipment = "f"',
        r"familiarisation\.equipment: no equipment 'f'",
    ),
    (
        'fault = "filter_dirty"', 'fault = "filter_clean"',
        r"familiarisation\.fault: no fault 'filter_clean' in furnace_120_constant_torque;",
    ),
    (
        'fault = "filter_dirty"', f'fault = "{FURNACE}:filter_dirty"',
        r"familiarisation\.fault: no fault .*did you mean 'filter_dirty'\?",
    ),
    (
        'fault = "filter_dirty"', 'fault = "filter_dirty"\ncomplaint = "no_air"',
        r"familiarisation\.complaint: filter_dirty does not lead to 'no_air'; it leads to ",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "says"), KEYS + SENSE, ids=lambda value: value[:24] if isinstance(value, str) else None)
def test_what_is_wrong_is_said_with_its_place_and_the_remedy(old: str, new: str, says: str) -> None:
    told = refused(swapped(old, new))
    assert re.match(rf"mine\.toml: {says}", told, re.DOTALL), told


def test_a_section_that_is_no_table_is_refused() -> None:
    head = EXAMPLE[: EXAMPLE.index("[pass_rule]")]
    rest = EXAMPLE[EXAMPLE.index("[pass_rule]") : EXAMPLE.index("[[section]]")]
    assert refused(f"section = [3]\n{head}{rest}").startswith("mine.toml: section 1: Expected `object`, got `int`")
    assert "section" in refused(f"section = 3\n{head}{rest}")
    assert refused(f"{head}{rest}").startswith("mine.toml: missing key `section`")


def test_two_files_of_one_unit_are_refused(tmp_path: Path) -> None:
    for folder in ("one", "two"):
        for end in (".toml", ".faults.toml"):
            (tmp_path / folder).mkdir(exist_ok=True)
            shutil.copy(GUIDES / f"small_unit{end}", tmp_path / folder / f"small_unit{end}")
    units = f'["{tmp_path}/one/small_unit.toml", "{tmp_path}/two/small_unit.toml"]'
    text = small_blueprint(units)
    assert "two/small_unit.toml' is a second file of 'small_unit'; name one of the two" in refused(text)
    assert isinstance(parse_blueprint(small_blueprint(f'["{tmp_path}/one/small_unit.toml"]'), "mine.toml"), Blueprint)


def test_a_unit_without_faults_and_a_fault_without_complaint_are_refused(tmp_path: Path) -> None:
    shutil.copy(GUIDES / "small_unit.toml", tmp_path / "small_unit.toml")
    text = small_blueprint(f'["{tmp_path}/small_unit.toml"]')
    assert "equipment: small_unit: no fault file; write small_unit.faults.toml beside" in refused(text)
    faults = (GUIDES / "small_unit.faults.toml").read_text(encoding="utf-8")
    silent = swapped('complaints = ["no_air"]', "complaints = []", faults)
    (tmp_path / "small_unit.faults.toml").write_text(silent, encoding="utf-8")
    trying = f'[familiarisation]\nequipment = "{tmp_path}/small_unit.toml"\nfault = "disconnect_burnt"\n'
    assert "familiarisation.fault: disconnect_burnt leads to no complaint; choose a fault that does" in refused(text + trying)


def small_blueprint(units: str) -> str:
    return f"""title = "Small"\nequipment = {units}\ncalls = 1\nforms = 2\nminutes = 20
[pass_rule]\npoints = 70\ncalls = 1
[[section]]\ncompetency = "power input"\ndifficulty = [1, 5]\ncount = 1\nminutes = 20\n"""
