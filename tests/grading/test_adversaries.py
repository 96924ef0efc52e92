"""People who try to get points otherwise than by finding the fault: what each earns, and why that can be defended.

`TABLE` is reviewed as an instructor would: one row a person, with the band of each part in points, whether the call passes, or
the words with which the record is turned down. Bands follow from the rules of the default rubric (40 + 30 + 20 + 10 points, a
major violation 15, a minor 3, pass at 70 and only where the evidence leaves one correction; the right part 5 of the checks of
repair, the cause 2 of the write-up), never from what a run printed. `pytest -s` prints what each earned beside its band.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import msgspec
import pytest

from blowerbench import BenchError, LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue, Hypothesis
from blowerbench.observation import Accepted, Observation
from blowerbench.record import GENESIS, link, read_record
from blowerbench.variant import draw_variant
from blowergrade import procedure as p
from blowergrade.cli import main
from blowergrade.evidence import Evidence
from blowergrade.score import Sheet, grade_bench, grade_record, taught_cost
from blowergrade.technicians import Technician

OWN, OTHERS = "desk-7", "desk-8"  # the variants that two students were given
NAME, CLASSMATE = "Kim Larch", "Ash Birch"  # invented
FREE = 30  # seconds of a stretch of questions that cost nothing: `free_regret` of the rubric


@dataclass(frozen=True)
class Call:
    """A unit, what the customer says, the fault, and another fault with the same complaint."""

    equipment: str
    complaint: str
    fault: str
    neighbour: str
    tripped: bool = False  # the breaker has tripped at arrival

    @property
    def unit(self) -> Equipment:
        return load_equipment(self.equipment)

    @property
    def catalogue(self) -> Catalogue:
        return load_faults(self.unit)

    def corrections(self, fault: str) -> tuple[str, ...]:
        return self.catalogue.corrections(Hypothesis(fault))

    def bench(self, fault: str = "", variant: str = OWN, person: str = NAME, record: Path | None = None) -> LocalBench:
        return LocalBench(self.unit, fault or self.fault, self.complaint, variant=variant, record=record, person=person)


CALLS = (
    Call("furnace_120_constant_airflow", "dead_since_cooling", "board_dead", "transformer_secondary_open"),
    Call("furnace_120_split_capacitor", "never_rests", "fan_relay_sticks", "limit_stuck_open"),
    Call("air_handler_240_electric", "small_breaker_off", "unit_leg_to_cabinet", "module_rectifier_short", tripped=True),
    Call("outdoor_fan_240", "blades_stand_still", "capacitor_open", "motor_seized"),
)


# ---------------------------------------------------------------------- who they are
class Person(Technician):
    """A competent technician who can be made to believe something."""

    def believe(self, fault: str) -> None:
        """Take `fault` for the answer, whatever was measured."""
        complaint = self.bench.session.complaint.id
        self.evidence = Evidence(self.equipment, self.evidence.catalogue, complaint, [Hypothesis(fault)])
        self.searching = False


class Waits(Person):
    """As taught, after an hour of doing nothing."""

    def search(self) -> None:
        self.do(a.Wait(600) for _ in range(6))
        super().search()


class NeverStops(Person):
    """As taught, and goes on measuring everything when the answer is known."""

    def test(self, acts: Iterable[a.Act]) -> Observation:
        return self.do(acts)

    def wires_off(self) -> None:
        """Left out: it is asked with the door on, and here the door is off by then."""


class NoLock(Person):
    """As taught, but opens the disconnect only: no lock, no tag, no controls tried, no proof."""

    def safe(self, supply_side: bool = False) -> None:
        off = p.lock_out(self.equipment, self.hands, supply_side)
        self.do([*p.lift(), *(x for x in off if not isinstance(x, a.SetLock | a.SetTag))])


class BareHands(Person):
    """As taught, without eye protection, gloves, or a look at meter and leads."""

    def do(self, acts: Iterable[a.Act]) -> Observation:
        return super().do(x for x in acts if not isinstance(x, a.Wear | a.InspectMeter))


class Stubborn(Person):
    """Measures as taught and then blames another part."""

    blamed = ""

    def conclude(self) -> None:
        self.believe(self.blamed)
        super().conclude()


def _work(kind: type[Person]) -> Callable[[Call], LocalBench]:
    def played(call: Call) -> LocalBench:
        person = kind(call.bench())
        if isinstance(person, Stubborn):
            person.blamed = call.neighbour
        person.work()
        return person.bench

    return played


AS_TAUGHT, WAITS, NEVER_STOPS, NO_LOCK, BARE_HANDS, BLAMES = map(
    _work, (Person, Waits, NeverStops, NoLock, BareHands, Stubborn)
)


def guesses(call: Call) -> LocalBench:
    """States the right answer at the door, then repairs, verifies and reports without a flaw."""
    return _sure_of(call, call.fault)


def guesses_wrong(call: Call) -> LocalBench:
    """The same with another fault of the complaint."""
    return _sure_of(call, call.neighbour)


def _sure_of(call: Call, fault: str) -> LocalBench:
    person = Person(call.bench())
    person.believe(fault)
    person.conclude()
    return person.bench


def hedges(call: Call) -> LocalBench:
    """States every part of the unit at once, then measures as taught and repairs the right one."""
    person = Person(call.bench())
    person.do([a.Declare(tuple(call.unit.units))])
    person.work()
    return person.bench


def replaces(call: Call) -> LocalBench:
    """Replaces part after part, safely, until it runs; then states the last one."""
    person, catalogue = Person(call.bench()), call.catalogue
    true = call.corrections(call.fault)
    wrong = dict.fromkeys(catalogue.corrections(h) for h in catalogue.hypotheses(call.complaint))
    person.searching = False
    for units in [u for u in wrong if u != true][:2]:
        person.repair(units)
        person.do([] if person.hands.door_on else [a.SetDoor(True)])
        for name in person.tripped_supplies():
            person.do([a.SetBreaker(False, name), a.SetBreaker(True, name)])
        person.do([*p.energise(call.unit, person.hands), a.SetThermostat(p.calls(call.unit)[0]), a.Wait(60)])
    person.believe(call.fault)
    person.conclude()
    return person.bench


def repeats_anothers_acts(call: Call) -> LocalBench:
    """Does on the own unit, act by act, what a classmate did on another fault, the diagnosis too, as far as hands can."""
    theirs = call.bench(call.neighbour, OTHERS, CLASSMATE)
    Technician(theirs).work()
    bench = call.bench()
    for line in theirs.lines:
        bench.act(line.act)  # a refused act is left out
    return bench


# ---------------------------------------------------------------------- what they do to a file
@lru_cache(maxsize=16)
def taught(call: Call, folder: Path, fault: str, variant: str) -> bytes:
    """The record of the taught procedure, written once to a file in `folder`, as bytes; in the classmate's name."""
    record = folder / f"{call.equipment}-{fault}-{variant}.jsonl"
    bench = call.bench(fault, variant, CLASSMATE, record)
    Technician(bench).work()
    bench.close()
    return record.read_bytes()


def bodies(data: bytes) -> list[dict[str, Any]]:
    """Header and lines of a record as plain values."""
    return [msgspec.json.decode(line)["body"] for line in data.splitlines()]


def chained(rows: Sequence[dict[str, Any]]) -> bytes:
    """A record of `rows` with every chain value right: what a forger who has read this program writes."""
    head, out = GENESIS, []
    for row in rows:
        body = msgspec.json.encode(row)
        head = link(head, body)
        out.append(msgspec.json.encode({"chain": head, "body": msgspec.Raw(body)}) + b"\n")
    return b"".join(out)


def a_reading(rows: Sequence[dict[str, Any]]) -> int:
    """The number of the first row with a voltage of some size on the display."""
    for k, row in enumerate(rows[1:], 1):
        shown = row["observation"].get("shown", ())
        if any(s["instrument"] == "volts_ac" and s["unit"] == "V" and float(s["text"]) > 1.0 for s in shown):
            return k
    raise AssertionError("no reading in this record")


def _whole(data: bytes) -> bytes:
    return data


def _new_name(data: bytes) -> bytes:
    return data.replace(CLASSMATE.encode(), NAME.encode(), 1)


def _new_name_chained(data: bytes) -> bytes:
    rows = bodies(data)
    return chained([{**rows[0], "person": NAME}, *rows[1:]])


def _new_name_and_unit_chained(data: bytes) -> bytes:
    rows = bodies(data)
    return chained([{**rows[0], "person": NAME, "variant": OWN}, *rows[1:]])


def _reading_changed(data: bytes) -> bytes:
    rows = bodies(data)
    k = a_reading(rows)
    lines = data.splitlines(keepends=True)
    shown = rows[k]["observation"]["shown"][0]["text"]
    lines[k] = lines[k].replace(f'"text":"{shown}"'.encode(), b'"text":"0.002"', 1)
    assert b"".join(lines) != data
    return b"".join(lines)


def _reading_changed_chained(data: bytes) -> bytes:
    rows = bodies(data)
    rows[a_reading(rows)]["observation"]["shown"][0]["text"] = "0.002"
    return chained(rows)


def _act_cut_out(data: bytes) -> bytes:
    """The longest act before the diagnosis is taken out, the rest numbered again and chained."""
    rows = bodies(data)
    end = next(k for k, row in enumerate(rows) if row.get("act", {}).get("do") == "declare")
    cut = max(range(2, end), key=lambda k: rows[k]["clock"] - rows[k - 1].get("clock", 0))
    return chained([rows[0], *({**row, "seq": k} for k, row in enumerate(rows[1:cut] + rows[cut + 1 :], 1))])


def _last_line_torn(data: bytes) -> bytes:
    return data[:-20]


def _last_line_gone(data: bytes) -> bytes:
    return b"".join(data.splitlines(keepends=True)[:-1])


def _ends_at_diagnosis(data: bytes) -> bytes:
    rows = bodies(data)
    end = next(k for k, row in enumerate(rows) if row.get("act", {}).get("do") == "declare")
    return b"".join(data.splitlines(keepends=True)[: end + 1])


def _cut_in_header(data: bytes) -> bytes:
    return data[:40]


@dataclass(frozen=True)
class Handed:
    """The record of the taught procedure, on the own or the neighbour's fault, with `change` done to its bytes."""

    change: Callable[[bytes], bytes]
    neighbour: bool = False
    variant: str = OWN

    def __call__(self, call: Call, folder: Path) -> bytes:
        return self.change(taught(call, folder, call.neighbour if self.neighbour else call.fault, self.variant))


# ---------------------------------------------------------------------- the table
Band = tuple[int, int]  # tenths of a point, both ends included
NAMES = ("safety", "isolation", "repair", "write_up")
FULL = {"safety": (400, 400), "isolation": (300, 300), "repair": (200, 200), "write_up": (100, 100)}
NOTHING = (0, 0)
ASKS = (
    "Look", "ReadStatus", "SetThermostat", "Wait", "PlaceLead", "ReadMeter", "TurnShaft", "SwitchSource", "PlaceClamp",
    "LiftWire", "PlaceHose", "PlaceProbe", "Wiggle", "Warm",
)  # fmt: skip
NO_RIGHT_PART = (-2, -2)  # no more than the checks of repair without "the right unit was put right", 5 of them
MADE_UNSAFE = (-3, -3)  # all of them without "made safe before the repair", 3
NOT_REPAIRED = (-4, -4)  # no more than "left in order", 2: nothing was repaired, nothing shown
WRONG_CAUSE = (80, 80)  # "the cause names what failed" is 2 of the 10 points of the write-up
#: How replay turns a record down: it shows something else, the clock differs, or hands can't do the act.
BY_REPLAY = r"act \d+.*(grade it by hand|is refused)"


@dataclass(frozen=True)
class Row:
    """One person: what they do, the bands, whether it passes, what is flagged, and what to say to a student who argues."""

    name: str
    does: str
    play: Callable[[Call], LocalBench] | Handed
    bands: dict[str, Band] | None  # None: no sheet, the record is turned down with `flag`
    passed: bool
    because: str
    flag: str = ""  # words of the error, or of a note on the sheet
    rule: str = ""  # a safety rule that must be among the broken ones
    person: str = NAME  # whose name stands on the sheet
    variant: str = OWN  # and which unit
    tripped: dict[str, Band] | None = None  # bands that change where a breaker had tripped


#: A tripped breaker that is put on again with nothing looked at: critical, whatever the diagnosis (29 CFR 1910.334(b)(2)).
RECLOSED: dict[str, Band] = {"safety": NOTHING}

TABLE = (
    Row("as taught", "works in the taught order", AS_TAUGHT, FULL, True,
        "The yardstick: every part in full, on every unit."),
    Row("lucky guess", "names the right part at the door, then repairs, verifies and reports without a flaw", guesses,
        FULL | {"isolation": NOTHING}, False,
        "Nothing was asked, so nothing was proved: with other luck the same call replaces a good part.",
        tripped=RECLOSED),
    Row("wrong guess", "names a wrong part at the door and replaces it", guesses_wrong,
        FULL | {"isolation": NOTHING, "repair": NO_RIGHT_PART, "write_up": WRONG_CAUSE}, False,
        "The unit is not put right, and the customer paid for a part.", tripped=RECLOSED),
    Row("every part named", "declares all parts at once, then works as taught", hedges,
        FULL | {"isolation": NOTHING}, False,
        "A diagnosis that holds for every fault says nothing; the first one counts."),
    Row("part replacer", "replaces two good parts, safely, before the right one, and names that", replaces,
        FULL | {"isolation": NOTHING, "repair": NO_RIGHT_PART}, False,
        "What is learned by replacing parts is no test: the search ends at the first repair, and good parts were sold.",
        tripped=RECLOSED),
    Row("blames another part", "measures as taught, then names and replaces a part that the readings cleared", BLAMES,
        FULL | {"isolation": NOTHING, "repair": NO_RIGHT_PART, "write_up": WRONG_CAUSE}, False,
        "Measuring is not the aim; the readings said something else than the diagnosis."),
    Row("safe but slow", "waits an hour before the first question, then works as taught", WAITS,
        FULL | {"isolation": (1, 299)}, True,
        "Safe and right, so it passes; the hour cost somebody money, so not every point."),
    Row("everything measured", "works as taught and goes on measuring when the answer is known", NEVER_STOPS, FULL, True,
        "Once one part is left, a further reading confirms; the minutes stand on the sheet and cost no point."),
    Row("fast but unsafe", "right and quick, with the disconnect open but no lock and no proof", NO_LOCK,
        FULL | {"safety": NOTHING, "repair": MADE_UNSAFE}, False,
        "Anybody may close that disconnect: one critical act fails the call, whatever else is right.", rule="not_locked_out"),
    Row("bare hands", "right, with no eye protection or gloves and a meter that nobody looked at", BARE_HANDS,
        FULL | {"safety": (100, 100)}, True,
        "Two major violations, 15 points each; with all else perfect that is 70, the pass mark itself.", rule="unprotected"),
    Row("another's acts", "repeats, act by act, what a classmate did on another fault of this complaint", repeats_anothers_acts,
        FULL | {"isolation": NOTHING, "repair": NO_RIGHT_PART, "write_up": (0, 80)}, False,
        "The same acts on another fault show other readings, and the diagnosis must follow these.",
        tripped={"safety": (0, 400)}),
    Row("copied whole", "hands in a classmate's file as it is", Handed(_whole, variant=OTHERS), FULL, True,
        "The sheet carries the classmate's name, unit and file number: it is the classmate's call.",
        person=CLASSMATE, variant=OTHERS),
    Row("copied, new name", "changes the name in a classmate's file", Handed(_new_name, variant=OTHERS), None, False,
        "The header is part of the chain; a changed one can't be read.", flag="no readable header"),
    Row("copied, chained anew", "writes own name and unit into a classmate's file and computes the chain again",
        Handed(_new_name_and_unit_chained, variant=OTHERS), None, False,
        "The own unit would have shown other digits: replay finds the act.", flag=BY_REPLAY),
    Row("copied, name chained anew", "writes only the own name into a classmate's file and computes the chain again",
        Handed(_new_name_chained, variant=OTHERS), FULL, True,
        "Nothing in the file says whose it was, but the unit on the sheet is not the one that this student was given.",
        variant=OTHERS),
    Row("copied, another fault", "hands in the record of another fault of the same complaint",
        Handed(_whole, neighbour=True), None, False,
        "That unit had another fault in it: replay finds the first thing that this one can't show.", flag=BY_REPLAY),
    Row("one reading edited", "changes a display in the own file", Handed(_reading_changed),
        {"safety": (400, 400), "isolation": (0, 300), "repair": NOT_REPAIRED, "write_up": NOTHING}, False,
        "A broken chain is no proof of cheating and no record either: graded up to there, and a person looks at it.",
        flag="manual grading", person=CLASSMATE),
    Row("edited, chained anew", "changes a display and computes the chain again", Handed(_reading_changed_chained), None, False,
        "Replay shows what the unit would have shown.", flag=BY_REPLAY),
    Row("an act cut out", "takes the longest act out, numbers and chains the rest again", Handed(_act_cut_out), None, False,
        "The clock runs on through every act: the first one after the gap is late.", flag=BY_REPLAY),
    Row("torn", "the last line is cut off, as a crash leaves it", Handed(_last_line_torn), FULL, False,
        "A crash is nobody's fault: the call is gone on with and then counts; as it is, it was not handed back.",
        flag="never handed back", person=CLASSMATE),
    Row("last line gone", "leaves the hand-over out", Handed(_last_line_gone), FULL, False,
        "A call that was not handed back is not finished.", flag="never handed back", person=CLASSMATE),
    Row("ends at the diagnosis", "hands in only what comes before the repair", Handed(_ends_at_diagnosis),
        FULL | {"repair": NOT_REPAIRED, "write_up": NOTHING}, False,
        "The search counts in full; what was not shown to be put right does not.", flag="never handed back",
        person=CLASSMATE),
    Row("cut in the header", "hands in a stump", Handed(_cut_in_header), None, False,
        "Nobody can say which call that was.", flag="no readable header"),
)  # fmt: skip


def of_repair(call: Call, points: int, without: bool = False) -> int:
    """Tenths for `points` of the checks of repair, or for all but these.

    Right part 5, made safe 3, each call 2, volts 2, amps 2, air 2 (where the unit has rated it), left in order 2.
    """
    air = call.unit.air is not None and {"external_static_max", "rise_high"} & set(call.unit.ratings)
    worth = 5 + 3 + 2 * len(call.unit.calls()) + 2 + 2 + (2 if air else 0) + 2
    return 200 * (worth - points if without else points) // worth


def bands_of(row: Row, call: Call) -> dict[str, Band] | None:
    """The bands of `row` on `call`, in tenths."""
    if row.bands is None:
        return None
    bands = {**row.bands, **(row.tripped or {} if call.tripped else {})}
    unsafe = of_repair(call, 3, without=True)
    fixed = {
        NO_RIGHT_PART: (0, of_repair(call, 5, without=True)), MADE_UNSAFE: (unsafe, unsafe),
        NOT_REPAIRED: (0, of_repair(call, 2)),
    }  # fmt: skip
    return {name: fixed.get(band, band) for name, band in bands.items()}


def isolation_by_hand(sheet: Sheet, call: Call) -> int:
    """Tenths for isolation from the sheet's own time line, by the published formula.

    30 · min(1, A/(V* + ΣΔ)) · (σ − σ0)/(1 − σ0), A = max(taught, 1.25·V*); of each stretch of questions up to one that rules
    something out 30 s are free. All begins with what is left once the unit was heard; nothing asked, nothing earned.
    """
    catalogue, unit = call.catalogue, call.unit
    if sheet.declared != call.corrections(call.fault):
        return 0
    if not any(m.act.__class__.__name__ in ASKS for m in sheet.timeline):
        return 0
    evidence = Evidence(unit, catalogue, call.complaint)
    evidence.perceive_arrival(LocalBench(unit, call.fault, call.complaint, variant=sheet.variant).last.senses)
    alive = {str(h): h for h in evidence.alive}
    start = sum(map(catalogue.weight, alive.values()))
    own = sum(catalogue.weight(h) for h in alive.values() if catalogue.corrections(h) == sheet.declared)
    lost = stretch = 0
    for moment in sheet.timeline:
        stretch += moment.regret
        if moment.ruled_out:
            lost, stretch = lost + max(0, stretch - FREE), 0
        alive = {name: h for name, h in alive.items() if name not in moment.ruled_out}
    spent = sheet.path_seconds + lost + max(0, stretch - FREE)
    left = sum(map(catalogue.weight, alive.values()))
    held = sum(catalogue.weight(h) for h in alive.values() if catalogue.corrections(h) == sheet.declared)
    sigma, sigma0 = Fraction(held, left), Fraction(own, start)
    ratio = min(Fraction(1), Fraction(allowance(sheet, call), spent)) if spent else Fraction(1)
    if sigma0 == 1:
        return int(300 * ratio)
    return int(300 * ratio * max(Fraction(0), (sigma - sigma0) / (1 - sigma0)))


def taught_seconds(sheet: Sheet, call: Call) -> int:
    """What the taught procedure costs on this very call, in expected seconds."""
    variant = draw_variant(sheet.variant)
    return taught_cost(call.unit, call.catalogue, Hypothesis(call.fault), call.complaint, variant, FREE)


def allowance(sheet: Sheet, call: Call) -> int:
    """The expected seconds that cost no point."""
    return max(taught_seconds(sheet, call), sheet.path_seconds * 5 // 4)


# ---------------------------------------------------------------------- the tests
@pytest.fixture(scope="module")
def printed() -> Iterator[list[tuple[str, ...]]]:
    """Lines for the table that `pytest -s` prints at the end."""
    lines: list[tuple[str, ...]] = []
    yield lines
    width = max(len(row.name) for row in TABLE)
    said = {row.name: row for row in TABLE}
    for name in dict.fromkeys(line[0] for line in lines):
        print(f"\n{name:<{width}}  {said[name].does}\n{'':<{width}}  {said[name].because}")
        print("\n".join(f"{'':<{width}}    {call:<30} {got}" for which, call, got in lines if which == name))


def _points(tenths: int) -> str:
    return f"{tenths // 10}.{tenths % 10}"


def _told(sheet: Sheet, bands: dict[str, Band]) -> str:
    found = {part.name: part.tenths for part in sheet.parts}
    ends = [f"{n} {_points(found[n])} ({_points(bands[n][0])} to {_points(bands[n][1])})" for n in NAMES]
    return f"{', '.join(ends)}: {_points(sheet.tenths)}, {'passed' if sheet.passed else 'not passed'}"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the records lie that are handed in changed."""
    return tmp_path_factory.mktemp("records")


@lru_cache(maxsize=64)
def played(play: Callable[[Call], LocalBench], call: Call) -> Sheet:
    """The sheet of a call that `play` makes, made once."""
    return grade_bench(play(call))


def graded(row: Row, call: Call, folder: Path, own: Path) -> Sheet:
    """The sheet of what `row` hands in; raises what turns it down."""
    if not isinstance(row.play, Handed):
        return played(row.play, call)
    record = own / "call.jsonl"
    record.write_bytes(row.play(call, folder))
    return grade_record(read_record(record), Hypothesis(call.fault))


@pytest.mark.parametrize("call", CALLS, ids=lambda c: c.equipment)
@pytest.mark.parametrize("row", TABLE, ids=lambda r: r.name.replace(" ", "_"))
def test_nobody_earns_more_than_an_instructor_would_defend(
    row: Row, call: Call, folder: Path, tmp_path: Path, printed: list[tuple[str, ...]]
) -> None:
    bands = bands_of(row, call)
    if bands is None:
        with pytest.raises(BenchError, match=row.flag) as raised:
            graded(row, call, folder, tmp_path)
        printed.append((row.name, call.equipment, f"turned down: {raised.value}"))
        return
    sheet = graded(row, call, folder, tmp_path)
    printed.append((row.name, call.equipment, _told(sheet, bands)))
    found = {part.name: part.tenths for part in sheet.parts}
    outside = {n: found[n] for n in NAMES if not bands[n][0] <= found[n] <= bands[n][1]}
    assert not outside, f"outside { ({n: bands[n] for n in outside}) }: {_told(sheet, bands)}"
    assert sheet.tenths == sum(found.values())
    critical = any(v.level == "critical" for v in sheet.violations)
    assert sheet.passed == row.passed and not (sheet.passed and (critical or not sheet.entailed or sheet.tenths < 700))
    assert not row.flag or any(row.flag in note for note in sheet.notes)
    assert not row.rule or row.rule in {v.rule for v in sheet.violations}
    assert (sheet.person, sheet.variant) == (row.person, row.variant)
    assert found["isolation"] == isolation_by_hand(sheet, call)


@pytest.mark.parametrize("call", CALLS, ids=lambda c: c.equipment)
def test_an_idle_hour_costs_what_the_formula_says(call: Call) -> None:
    # design rule, by hand: an act that tells nothing adds its whole time to V* + ΣΔ, 30 s of a stretch are free, and what is
    # spent besides the hour lies between V* and the taught procedure's cost.
    sheet = played(WAITS, call)
    may = allowance(sheet, call)
    least = int(300 * Fraction(may, taught_seconds(sheet, call) + 3600))
    most = int(300 * Fraction(may, sheet.path_seconds + 3600 - FREE))
    assert least <= next(x.tenths for x in sheet.parts if x.name == "isolation") <= most


def test_the_table_judges_every_part_of_every_person_once() -> None:
    assert len({row.name for row in TABLE}) == len(TABLE)
    for row in TABLE:
        assert row.because.endswith(".") and row.does
        assert row.bands is None or set(row.bands) == set(NAMES)
        assert row.bands is not None or (row.flag and not row.passed)


def test_a_copy_shows_by_its_head_whose_record_it_is(folder: Path, tmp_path: Path) -> None:
    # Two files with one chain head are one record: SHA-256 (FIPS 180-4, from memory) over every line.
    call, heads = CALLS[1], []
    for name, variant in (("one", OTHERS), ("two", OTHERS), ("three", OWN)):
        file = tmp_path / f"{name}.jsonl"
        file.write_bytes(taught(call, folder, call.fault, variant))
        heads.append(grade_record(read_record(file), Hypothesis(call.fault)).record_head)
    assert heads[0] == heads[1] != heads[2]


def test_a_torn_call_is_gone_on_with_and_then_counts_in_full(folder: Path, tmp_path: Path) -> None:
    call, record = CALLS[1], tmp_path / "call.jsonl"
    record.write_bytes(_last_line_torn(taught(call, folder, call.fault, OWN)))
    bench = call.bench(person=CLASSMATE, record=record)
    bench.act(a.Finish())
    bench.close()
    sheet = grade_record(read_record(record), Hypothesis(call.fault))
    assert (sheet.tenths, sheet.passed) == (1000, True)


def test_an_act_cut_off_the_end_and_done_otherwise_leaves_no_trace_in_the_file(folder: Path, tmp_path: Path) -> None:
    # The guide says so: a record made on the own machine is homework. Only a head noted elsewhere shows it.
    call, record = CALLS[1], tmp_path / "call.jsonl"
    bench = call.bench(person=CLASSMATE, record=record)
    for act in (a.SetDoor(False), a.HoldDoorSwitch(True), a.Unplug(str(call.unit.module["plug"]))):
        assert isinstance(bench.act(act), Accepted)
    noted = bench.lines[-1].seq, read_record(record).head
    bench.close()
    record.write_bytes(record.read_bytes().splitlines(keepends=True)[0])
    again = call.bench(person=CLASSMATE, record=record)
    Technician(again).work()
    again.close()
    assert record.read_bytes() == taught(call, folder, call.fault, OWN)
    assert noted[1] not in record.read_text(encoding="utf-8")


def test_the_worked_example_of_the_guide_is_what_its_commands_compute(tmp_path: Path) -> None:
    guide = files("blowerlessons").joinpath("guides", "instructor.md").read_text(encoding="utf-8")
    example = " ".join(guide[guide.index("### A worked example") : guide.index("### What to tell candidates")].split())
    assert main(["demo", "--fast", "--out", str(tmp_path)]) == 0
    sheet = msgspec.json.decode((tmp_path / "score-sheet.json").read_bytes(), type=Sheet)
    reason = next(x for x in sheet.parts if x.name == "isolation").reasons[0]
    left, had, best, lost, free, may = reason.args
    cable = Call("furnace_120_constant_airflow", "no_fan_new_thermostat", "wall_G_open", "stat_no_fan")
    early = LocalBench(cable.unit, cable.fault, cable.complaint, variant="demo")
    for line in read_record(tmp_path / "call.jsonl").lines[:2]:
        early.act(line.act)
    early.act(a.Declare(("wall_cable",)))
    slow = Waits(LocalBench(cable.unit, cable.fault, cable.complaint, variant="demo"))
    slow.work()
    named, idle = ({x.name: x.tenths for x in grade_bench(b).parts}["isolation"] for b in (early, slow.bench))
    for words in (
        f"V\\*: {sheet.path_seconds // 60} min {sheet.path_seconds % 60} s",
        f"best path costs {best}, the questions asked cost {lost} more, {free} of that free",
        f"{may} are allowed",
        f"left {left} % on the thermostat cable, which had {had} %",
        f"= {_points(named)} points, rounded down, and no pass",
        f"= {_points(idle)} points",
    ):
        assert words in example, f"the guide's worked example should say: {words}"
