"""An instructor's own equipment: everything wrong is said at once, the healthy unit is tried out, the guide's commands work."""

from __future__ import annotations

import re
import shlex
import shutil
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pytest

import blowerdata
from blowerbench.check_equipment import Finding, check_equipment, nearest
from blowerbench.equipment import load_equipment
from blowergrade import cli
from blowergrade.own_equipment import OwnEquipmentError, check_file, trial

GUIDES = Path(str(files("blowerlessons"))) / "guides"
NAME = "small_unit"
FURNACE = "furnace_120_constant_airflow"

Texts = tuple[str, str]
Change = Callable[[str], str]


def small() -> Texts:
    """The guide's own equipment file and its fault file."""
    return tuple((GUIDES / f"{NAME}{end}").read_text(encoding="utf-8") for end in (".toml", ".faults.toml"))  # type: ignore[return-value] # two


def furnace() -> Texts:
    """A shipped equipment file with a board and its phases, and its fault file."""
    return tuple(blowerdata.path(f, f"{FURNACE}.toml").read_text(encoding="utf-8") for f in ("equipment", "faults"))  # type: ignore[return-value] # two


def swapped(text: str, old: str, new: str) -> str:
    assert old in text, f"the example no longer holds {old!r}"
    return text.replace(old, new, 1)


def wrong(texts: Texts) -> list[Finding]:
    return [f for f in check_equipment(texts[0], "mine.toml", texts[1], "mine.faults.toml") if not f.advice]


def put(folder: Path, texts: Texts) -> Path:
    (folder / "mine.toml").write_text(texts[0], encoding="utf-8")
    (folder / "mine.faults.toml").write_text(texts[1], encoding="utf-8")
    return folder / "mine.toml"


# ---------------------------------------------------------------------- nothing wrong
def test_the_guides_own_files_are_good() -> None:
    checked = check_file(GUIDES / f"{NAME}.toml")
    assert checked.good and checked.equipment is not None and checked.catalogue is not None
    assert [r.motor for r in checked.runs] == ["still", "running"]


@pytest.mark.parametrize("name", blowerdata.names("equipment"))
def test_every_shipped_unit_passes_the_check_an_instructors_file_must_pass(name: str) -> None:
    checked = check_file(blowerdata.path("equipment", f"{name}.toml"), blowerdata.path("faults", f"{name}.toml"))
    assert [str(f) for f in checked.findings if not f.advice] == []


# ---------------------------------------------------------------------- what is wrong in the files
EQUIPMENT_MISTAKES: list[tuple[str, str, str]] = [
    # old, new, what the finding must say
    ('kind = "winding", name = "relay_coil"', 'kind = "windng", name = "relay_coil"', "unknown kind 'windng'"),
    ('resistance = "55 ohm"', 'resistence = "55 ohm"', "did you mean 'resistance'?"),
    ('resistance = "55 ohm"', 'resistance = "55 V"', "cannot be told in ohm"),
    ('resistance = "55 ohm"', "resistance = 55", "has no unit"),
    ('name = "wall_G", a', 'name = "wall_R", a', "duplicate part"),
    ('b = "low.R", resistance = "30 mohm"', 'b = "low.RR", resistance = "30 mohm"', "did you mean 'low.R'?"),
    ('"outlet.G", b = "earth"', '"outlet.N", b = "earth"', "floating island: 'outlet.G'"),
    ('connector = "motor_plug", number = 2', 'connector = "motor_plug", number = 1', "is pin 1 of 'motor_plug' too"),
    ('"stat.R", "stat.G"]\n[[zone]]', '"stat.R", "stat.GG"]\n[[zone]]', "no terminal 'stat.GG'; did you mean 'stat.G'?"),
    ('nodes = ["stat.R", "stat.G"]', 'nodes = ["stat.R", "stat.G", "box.L"]', "terminal 'box.L': it lies in 2 zones"),
    ('breaker = ["breaker"]', 'breaker = ["braker"]', "no contact 'braker'; did you mean 'breaker'?"),
    ('contacts = ["relay_contact"]', 'contacts = ["relay_coil"]', "no contact 'relay_coil'"),
    ('fan = ["stat_fan"], heat', 'fan = ["stat_fn"], heat', "did you mean 'stat_fan'?"),
    ("heat = [], cool = [] }", "heat = [] }", "no entry for the call 'cool'"),
    ('name = "main"', 'name = "fan"', 'name it "main"'),
    ("amps = 15", "amp = 15", "amp: unknown key; did you mean 'amps'?"),
    ("takes_lock = true", 'takes_lock = "yes"', "write true or false"),
    ("[module]\n", "[modul]\n", "did you mean 'module'?"),
    ('kind = "split_capacitor"', 'kind = "split_capacitator"', "did you mean 'split_capacitor'?"),
    ("slip_at_max = 0.3", "slip_at_max = 30", "a number above 0 and up to 1"),
    ("start_seconds = 3", "start_seconds = 0", "seconds above 0"),
    ('capacitors = ["run_capacitor"]', 'capacitors = ["run_capacitr"]', "did you mean 'run_capacitor'?"),
    ('plug = "motor_plug"', 'plug = "motor_plag"', "no connector 'motor_plag'; did you mean 'motor_plug'?"),
    ('title = "supply duct, before the registers"\n', "", "'title' is missing"),
    ('after = "supply_duct"', 'after = "suply_duct"', "did you mean 'supply_duct'?"),
    ('drop = "0.14 in_wc"', 'drop = "0.14 cfm"', "cannot be told in Pa"),
    ('external = ["outlet", "inlet"]', 'external = ["inlet", "outlet"]', "the first port must lie after the fan"),
    ('"low.C"], ["low.G", "low.C"], ["transf', '"low.D"], ["low.G", "low.C"], ["transf', "no terminal 'low.D'"),
    ('thermostat = [["stat.R", "stat.G"]]', 'thermostat = [["motor.COM", "stat.G"]]', "nobody can reach 'motor.COM'"),
    ('lift_ohms = [["wall_R"', 'lift_ohms = [["motor_run"', "'motor_run' can't be taken off"),
    ('clamp = ["motor_common"', 'clamp = ["motor_1"', "no wire 'motor_1'"),
    ("seconds = { fan = 15", "seconds = { fam = 15", "none for the call 'fan'"),
    ('runs_on = ["fan"]', 'runs_on = ["wind"]', "no call 'wind'"),
    ('r_c_low = "24 V"', 'r_c_low = "29 V"', "is not below r_c_high"),
    ('"relay.4" = "terminal 4', '"relay.5" = "terminal 4', "no terminal 'relay.5'; did you mean 'relay.4'?"),
    ('side = "supply"', 'side = "suply"', "did you mean 'supply'?"),
    ('id = "always_on"', 'id = "never_off"', "complaint 'always_on'"),
    ("[network]\n", "[network\n", "not TOML"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "says"), EQUIPMENT_MISTAKES)
def test_a_mistake_in_the_equipment_file_is_named_with_its_remedy(old: str, new: str, says: str) -> None:
    equipment, faults = small()
    found = wrong((swapped(equipment, old, new), faults))
    assert any(says in str(f) for f in found), [str(f) for f in found]
    assert all(f.file in ("mine.toml", "mine.faults.toml") and f.place and f.wrong and f.right for f in found)


FAULT_MISTAKES: list[tuple[str, str, str]] = [
    ('target = ["wall_G"]', 'target = ["wall_g"]', "no part 'wall_g'; did you mean 'wall_G'?"),
    ('target = ["low.R", "cabinet.G"]', 'target = ["low.R"]', "a short needs two"),
    ('target = ["low.R", "cabinet.G"]', 'target = ["low.R", "cabinet.H"]', "did you mean 'cabinet.G'?"),
    ('target = ["motor.seized"]', 'target = ["motor.siezed"]', "no setting 'motor.siezed'; did you mean 'motor.seized'?"),
    ('target = ["air.filter"]', 'target = ["air.fliter"]', "did you mean 'air.filter'?"),
    ('change = "open"', 'change = "opens"', "no change 'opens'; did you mean 'open'?"),
    ('correction = "fan_relay"', 'correction = "fan_really"', "did you mean 'fan_relay'?"),
    ('complaints = ["always_on"]', 'complaints = ["allways_on"]', "did you mean 'always_on'?"),
    ('where = "motor_plug"', 'where = "motorplug"', "did you mean 'motor_plug'?"),
    ('says = "small_pin_back"', 'says = "small_pin_bck"', "there is no sentence 'small_pin_bck'"),
    ('value = "0.2 ohm"', 'value = "0.2 volt"', "cannot be told in ohm"),
    ("prior = 2\n", 'prior = "often"\n', "a whole number of 1 or more"),
    ("difficulty = 1\n", "difficulty = 9\n", "a whole number from 1 to 5"),
    ('id = "relay_welded"', 'id = "relay_coil_open"', "it stands twice"),
    ('with_units = ["low_voltage_fuse"]', 'with_unit = ["low_voltage_fuse"]', "did you mean 'with_units'?"),
    ("[[fault]]\n", "[fault]\n", "not TOML"),
]


@pytest.mark.parametrize(("old", "new", "says"), FAULT_MISTAKES)
def test_a_mistake_in_the_fault_file_is_named_with_its_remedy(old: str, new: str, says: str) -> None:
    equipment, faults = small()
    found = wrong((equipment, swapped(faults, old, new)))
    assert any(says in str(f) and f.file == "mine.faults.toml" for f in found), [str(f) for f in found]


PHASE_MISTAKES: list[tuple[str, str, str]] = [
    ('{ when = ["cool"], to = "cool_delay" }', '{ when = ["cool"], to = "cool_dely" }', "did you mean 'cool_delay'?"),
    ('{ when = ["cool"], to = "cool_delay" },', "", "blower.cool_delay: no way leads there"),
    ('go = [{ when = ["not cool"], to = "cool_off" }]', "go = []", "blower.cool: it goes nowhere"),
    ('when = ["heat", "pressure"]', 'when = ["heat", "presure"]', "did you mean 'pressure'?"),
    ('when = ["after pre_purge"]', 'when = ["after pre_purg"]', "did you mean 'pre_purge'?"),
    ('when = ["in burning"], to = "heat_delay"', 'when = ["in burnin"], to = "heat_delay"', "did you mean 'burning'?"),
    ("pre_purge = ", "pre_purge = 0 # was ", "[timing] pre_purge: 0 will not do; write seconds above 0"),
    ('outputs = ["run_fan"]', 'outputs = ["run_fam"]', "no output 'run_fam'; did you mean 'run_fan'?"),
    ('name = "select_a"\ntitle', 'name = "select_x"\ntitle', "no setting 'selector.select_a'"),
    ('run_heat = "1150 cfm"', 'run_heat = "1150 V"', "cannot be told in m**3/s"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "says"), PHASE_MISTAKES)
def test_a_mistake_in_the_boards_machines_is_named_with_its_remedy(old: str, new: str, says: str) -> None:
    equipment, faults = furnace()
    found = wrong((swapped(equipment, old, new), faults))
    assert any(says in str(f) for f in found), [str(f) for f in found]


def test_all_mistakes_of_both_files_are_said_at_once() -> None:
    equipment, faults = small()
    chosen = [EQUIPMENT_MISTAKES[k] for k in (1, 5, 8, 10, 15, 19, 24, 25, 27, 33, 34)]
    told = [FAULT_MISTAKES[k] for k in (0, 3, 6, 9, 10)]
    for old, new, _ in chosen:
        equipment = swapped(equipment, old, new)
    for old, new, _ in told:
        faults = swapped(faults, old, new)
    said = "\n".join(str(f) for f in wrong((equipment, faults)))
    for _, _, says in (*chosen, *told):
        assert says in said, says


def test_two_sources_in_a_loop_without_impedance_are_found_beside_other_mistakes() -> None:
    equipment, faults = small()
    equipment = swapped(equipment, ', resistance = "0.3 ohm", inductance = "100 uH" }', " }")
    twin = '\n  { kind = "source", name = "twin", a = "outlet.L", b = "outlet.N", frequency = "60 Hz", voltage = "120 V" },'
    equipment = swapped(equipment, "  # a separate live source, on which a meter is proved", twin)
    equipment = swapped(equipment, 'resistance = "55 ohm"', 'resistance = "55 kg"')
    said = "\n".join(str(f) for f in wrong((equipment, faults)))
    assert "zero-ohm loop" in said and "'55 kg'" in said


def test_what_works_but_teaches_nothing_is_advice_and_does_not_fail() -> None:
    equipment, faults = small()
    alone = re.sub(r"\[\[fault\]\]\nid = \"cable_G_to_R\".*?(?=\[\[fault\]\])", "", faults, flags=re.DOTALL)
    alone = re.sub(r"\[\[fault\]\]\nid = \"healthy_unit\".*", "", alone, flags=re.DOTALL)
    alone = re.sub(r"\[\[fault\]\]\nid = \"transformer_open\".*?(?=\[\[fault\]\])", "", alone, flags=re.DOTALL)
    found = check_equipment(equipment, "mine.toml", alone, "mine.faults.toml")
    assert all(f.advice for f in found)
    said = "\n".join(map(str, found))
    for words in ("one fault alone leads to it", "no fault is put right at transformer", "no fault found"):
        assert words in said


def test_a_unit_without_a_fault_file_is_told_what_to_write(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(small()[0], encoding="utf-8")
    checked = check_file(tmp_path / "mine.toml")
    assert not checked.good and "write mine.faults.toml beside it" in str(checked.findings[-1])


def test_the_nearest_word_is_offered_and_else_the_known_ones() -> None:
    assert nearest("breker", ["breaker", "fuse"]) == "did you mean 'breaker'?"
    assert nearest("xyz", ["breaker", "fuse"]) == "use one of breaker, fuse"
    assert nearest("xyz", []) == "this file has none"


# ---------------------------------------------------------------------- what only the running unit shows
@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('pull_in = "18 V"', 'pull_in = "30 V"', "call fan: the blower is still after 15 s"),
        ("ratio = 4.5", "ratio = 3.9", "the 24 V side reads"),
        ("fuse_amps = 3", "fuse_amps = 0.2", "the 24 V fuse blows"),
        ("amps = 15", "amps = 1.5", "the breaker of supply 'main' trips"),
        ("winding_rise = 0.35", "winding_rise = 2.5", "the motor's overload opens"),
        ("fan = 15, heat", "fan = 1, heat", "call fan: the blower is starting after 1 s"),
        ('blower_amps_max = "3 A"', 'blower_amps_max = "2 A"', "the blower draws"),
        ('external_static_max = "0.6 in_wc"', 'external_static_max = "0.3 in_wc"', "the external static is"),
        ('fan = ["stat_fan"], heat', "fan = [], heat", "call off: the blower is running with no call"),
        ("seconds = { fan = 15, heat = 10, cool = 10, off = 20 }", "seconds = { fan = 15, off = 1 }", ""),
    ],
)  # fmt: skip
def test_a_healthy_unit_that_does_not_run_or_trips_something_is_refused(
    old: str, new: str, says: str, tmp_path: Path
) -> None:
    equipment, faults = small()
    checked = check_file(put(tmp_path, (swapped(equipment, old, new), faults)))
    said = [str(f) for f in checked.findings if not f.advice]
    if not says:  # one second is enough to see a fan wheel coast
        assert checked.good, said
        return
    assert not checked.good and any(says in s for s in said), said


def test_a_gas_furnace_whose_burner_is_too_big_opens_its_limit(tmp_path: Path) -> None:
    equipment, faults = furnace()
    checked = check_file(put(tmp_path, (swapped(equipment, 'rate = "19 kW"', 'rate = "40 kW"'), faults)))
    said = "\n".join(str(f) for f in checked.findings)
    assert "call heat: the limit opens" in said


def test_the_example_motor_takes_what_such_motors_take_for_their_air() -> None:
    runs, _ = trial(load_equipment(str(GUIDES / f"{NAME}.toml")))
    fan = next(r for r in runs if r.call == "fan")
    # NREL OpenStudio-HPXML documentation: 0.5 W/cfm for split-capacitor blowers as a modelling default; single units scatter.
    assert fan.watts / fan.cfm == pytest.approx(0.5, rel=0.3)


def test_the_example_heats_its_air_by_what_the_sensible_heat_factor_gives() -> None:
    runs, _ = trial(load_equipment(FURNACE))
    heat = next(r for r in runs if r.call == "heat")
    # ASHRAE's 1.08 Btu/h per cfm and degF (60 x 0.075 x 0.24) at sea level; the unit stands at 150 m (density 1.8 % less) and
    # its air comes back at 21 degC; 19 kW of burner x 3.412 Btu/h per W, the motor's heat left out of the sum (about 2 %).
    assert heat.rise == pytest.approx(19000 * 3.412 / (1.08 * heat.cfm), rel=0.05)


# ---------------------------------------------------------------------- the command
def test_the_command_draws_the_unit_and_ends_with_zero(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = put(tmp_path, small())
    assert cli.main(["check-equipment", str(file), "--out", str(tmp_path / "drawings")]) == 0
    said = capsys.readouterr()
    assert said.err == "" and "mine.toml: good." in said.out
    drawing = tmp_path / "drawings" / f"{NAME}.svg"
    assert str(drawing) in said.out
    root = ElementTree.fromstring(drawing.read_text(encoding="utf-8"))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    words = " ".join(t.text or "" for t in root.iter("{http://www.w3.org/2000/svg}text"))
    for expected in ("Electrical panel", "Disconnect", "Thermostat", "filter"):
        assert expected in words


def test_the_command_lists_what_is_wrong_and_ends_with_two(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    equipment, faults = small()
    file = put(tmp_path, (swapped(equipment, "amps = 15", "amp = 15"), faults))
    assert cli.main(["check-equipment", str(file)]) == 2
    said = capsys.readouterr()
    assert "did you mean 'amps'?" in said.out and said.err.count("\n") == 1 and "2 to mend" in said.err
    assert not list(tmp_path.glob("*.svg"))


@pytest.mark.parametrize("name", ["missing.toml", "folder", "bytes.toml"])
def test_a_file_that_cant_be_read_gets_one_line(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00title")
    assert cli.main(["check-equipment", str(tmp_path / name)]) == 2
    said = capsys.readouterr()
    assert name in said.err and said.err.count("\n") == 1 and said.out == ""
    with pytest.raises(OwnEquipmentError):
        check_file(tmp_path / name)


# ---------------------------------------------------------------------- the guide
def fenced(kind: str) -> list[str]:
    """The fenced blocks of `kind` in the guide."""
    text = (GUIDES / "own-equipment.md").read_text(encoding="utf-8")
    return re.findall(rf"^```{kind}\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)


@pytest.fixture
def at_the_guide(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the guide's three files, as the guide asks for, and the process in it."""
    for end in ("toml", "faults.toml", "readings.csv"):
        shutil.copy(GUIDES / f"{NAME}.{end}", tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_every_command_of_the_guide_runs_and_shows_what_the_guide_shows(
    at_the_guide: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    commands = [shlex.split(line) for block in fenced("sh") for line in block.splitlines()]
    assert [c[:2] for c in commands] == [
        ["blowergrade", x] for x in ("check-equipment", "compare", "path", "demo")
    ]
    seen = (at_the_guide / f"{NAME}.readings.csv").read_text(encoding="utf-8")
    for command in commands:
        assert cli.main(command[1:]) == 0, command
        said = capsys.readouterr()
        assert said.err == ""
        seen += said.out
    assert "100 of 100 points" in seen and (at_the_guide / f"{NAME}.svg").exists()
    assert (at_the_guide / f"{NAME}.readings-comparison.svg").exists()
    equipment, faults = small()
    equipment = swapped(swapped(equipment, "\namps = 15", "\namp = 15"), 'b = "low.R", res', 'b = "low.RR", res')
    mistakes = wrong((equipment, swapped(faults, '"transformer.primary"', '"transformer.primry"')))
    seen += "\n".join(str(f) for f in mistakes).replace("mine.", f"{NAME}.")
    for block in fenced("text"):
        for line in block.splitlines():
            assert line in seen, line


def test_every_line_that_the_guide_quotes_stands_in_its_files() -> None:
    texts = "\n".join(small())
    quoted = [line for block in fenced("toml") for line in block.splitlines() if line and "..." not in line]
    assert len(quoted) > 8
    for line in quoted:
        assert line.strip() in texts, line


def test_the_guide_cautions_and_says_what_counts_before_it() -> None:
    text = " ".join((GUIDES / "own-equipment.md").read_text(encoding="utf-8").split())
    cautions = ("measured values", "own wiring diagram and instructions", "prove dead", "capacitors bite", "supervised")
    for words in (*cautions, "`version`"):
        assert words in text
