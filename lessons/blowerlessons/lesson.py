"""A lesson as its notebook sees it: exercises that are checked and remembered, predictions, and calls to practise.

Rule: what is checked here is practice; nothing is graded for a class. The right answer is never told, and a prediction's
measurement is made only after the learner has predicted.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Collection, Sequence
from importlib import import_module, util
from pathlib import Path
from typing import Any

from msgspec.structs import replace

import blowerdata
from blowerbench import LocalBench
from blowerbench.equipment import load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Hypothesis, load_faults
from blowerbench.messages import translate
from blowerbench.panels import BenchPanel
from blowerbench.record import read_record
from blowergrade.coach import BenchCoach
from blowergrade.score import grade_bench
from blowergrade.watcher import SafetyWatcher
from blowergrade.wording import hypothesis_named
from blowerlessons import hands_on, progress
from blowerlessons.assigned import PracticeCall as PracticeCall
from blowerlessons.assigned import practice_calls as practice_calls
from blowerlessons.build import Lesson, lesson_numbered
from blowerlessons.exercises import Verdict, check, choose, compare, compare_choice
from blowerlessons.skills import skill_named

RECORDS = Path("records")
#: The lesson whose calls are drawn by the learner's own seed.
CAPSTONE = "13"


class CallError(BenchError):
    """A practice call that a lesson does not have; says which it has."""


class OpenLesson:
    """A lesson that is being worked through. `language` is a tag such as "en"."""

    def __init__(self, lesson: Lesson, language: str = "en", calls: Sequence[PracticeCall] | None = None) -> None:
        self.lesson, self.language = lesson, language
        self.number = lesson.name[:2]
        self.calls = tuple(practice_calls(lesson.key) if calls is None else calls)
        self._benches: dict[Path, LocalBench] = {}
        self._coaches: dict[Path, BenchCoach] = {}
        self._unsaved = ""

    # ------------------------------------------------------------------ exercises
    def check(self, name: str, answer: Any, expected: Any, rel: float = 0.01, skill: str = "") -> Verdict:
        """Whether `answer` is `expected` (a quantity, a text, or a function that gives one) within `rel` of it."""
        return self._noted(name, skill, check(self._title(name), answer, expected, rel, self.language))

    def choose(self, name: str, answer: Any, right: str, choices: Collection[str], skill: str = "") -> Verdict:
        """Whether `answer` is `right`, one of `choices`."""
        verdict = choose(self._title(name), answer, right, choices, self.language)
        return self._noted(name, skill, verdict, len(choices))

    def predict(self, name: str, guess: Any, measure: Callable[[], Any], rel: float = 0.1, skill: str = "") -> Verdict:
        """Compare the quantity `guess` with what `measure` reads; it is called only once there is a guess."""
        return self._noted(name, skill, compare(self._title(name), guess, measure, rel, self.language))

    def foresee(self, name: str, guess: Any, observe: Callable[[], str], choices: Collection[str], skill: str = "") -> Verdict:
        """Compare the choice `guess` with what `observe` sees; it is called only once there is a guess."""
        verdict = compare_choice(self._title(name), guess, observe, choices, self.language)
        return self._noted(name, skill, verdict, len(choices))

    def _title(self, name: str) -> str:
        if name.startswith("p"):
            return translate("Prediction {0}", self.language).format(name[1:])
        return translate("Exercise {0}", self.language).format(name)

    def _noted(self, name: str, skill: str, verdict: Verdict, choices: int = 0) -> Verdict:
        skill_named(skill or self.skill)
        self._tell(
            progress.note_answer(self.lesson.key, name, skill or self.skill, verdict.kind, choices, self.language, RECORDS)
        )
        return verdict

    def _tell(self, problem: str) -> None:
        """Say why progress could not be saved, once for each reason."""
        if problem and problem != self._unsaved:
            print(problem)
        self._unsaved = problem

    @property
    def skill(self) -> str:
        """The skill that this lesson's exercises count for unless they say otherwise: the first of its front matter."""
        return str(self.lesson.about["skills"][0])

    # ------------------------------------------------------------------ calls
    def call(self, number: int) -> BenchPanel:
        """The panel of practice call `number` (from 1), with coach and cautions; its record is kept and gone on with."""
        call = self._call(number)
        return self._panel(call, self._record(number), f"lesson-{self.number}-{number}", (self.lesson.key, number))

    def bench(self, number: int) -> LocalBench:
        """The bench of practice call `number`; a cell that is run again gets the one that is open already."""
        return self._bench(self._call(number), self._record(number), f"lesson-{self.number}-{number}")

    def says(self, number: int) -> str:
        """What the customer of practice call `number` says."""
        return self._says(self._call(number))

    def sheet(self, number: int) -> Any:
        """The score sheet of practice call `number` for a notebook to show, or None and a sentence while the call is open."""
        bench = self.bench(number)
        if not bench.view().hands["ended"]:
            print(translate("Your call is still open. Finish it, then run this cell.", self.language))
            return None
        return _html(self._graded(bench, self._call(number), self._record(number), (self.lesson.key, number)))

    def practise(self, skill: str, difficulty: int = 0) -> BenchPanel:
        """The panel of a drawn call: a fault of the competency `skill`, of `difficulty` 1 to 5 (0: any), not yet met here.

        It is recorded like a lesson's call, goes on where it was left, and tells about the learner's progress once it is over.
        Raises `CallError` where no fault fits.
        """
        before = progress.read_progress(RECORDS).calls
        drawn_before = [c for c in before if c.lesson == progress.PRACTICE]
        number = 1 + max((c.number for c in drawn_before), default=0)
        met = {(c.equipment, c.fault.partition("/")[0]) for c in drawn_before}
        call = drawn_call(skill, difficulty, number, met)
        record = RECORDS / f"practice-{number}-{skill.replace(' ', '-')}-{difficulty}.jsonl"
        return self._panel(call, record, f"practice-{number}", (progress.PRACTICE, number))

    def _record(self, number: int) -> Path:
        return RECORDS / f"lesson-{self.number}-call-{number}.jsonl"

    def _call(self, number: int) -> PracticeCall:
        if not 1 <= number <= len(self.calls):
            raise CallError(f"lesson {self.number} has practice calls 1 to {len(self.calls)}, not {number!r}")
        return self.calls[number - 1]

    def _says(self, call: PracticeCall) -> str:
        return translate(load_equipment(call.equipment).complaints[call.complaint].text, self.language)

    def _bench(self, call: PracticeCall, record: Path, variant: str) -> LocalBench:
        known = self._benches.get(record)
        if known is None or not known.recording:
            record.parent.mkdir(parents=True, exist_ok=True)
            known = LocalBench(call.equipment, hypothesis_named(call.fault), call.complaint, variant=variant, record=record)
            self._benches[record] = known
            for note in known.notes:
                print(note)
        return known

    def _panel(self, call: PracticeCall, record: Path, variant: str, noted_as: tuple[str, int]) -> BenchPanel:
        bench = self._bench(call, record, variant)
        print(translate("The customer says: “{0}”", self.language).format(self._says(call)))
        coach = self._coaches[record] = BenchCoach.of(bench, language=self.language)
        return BenchPanel(
            bench, coach, watcher=SafetyWatcher(bench), report=lambda _: self._graded(bench, call, record, noted_as),
            language=self.language,
        )  # fmt: skip

    def _graded(self, bench: LocalBench, call: PracticeCall, record: Path, noted_as: tuple[str, int]) -> str:
        """The sheet of a finished call as a page; the call is written into the learner's progress, once."""
        sheet = replace(grade_bench(bench), record_head=read_record(record).head)
        self._tell(progress.note_call(*noted_as, call.fault, sheet, self.language, RECORDS))
        coach = self._coaches.get(record)
        return (coach.noted(sheet) if coach else sheet).html(self.language)

    # ------------------------------------------------------------------ progress
    def where(self) -> Any:
        """Where the learner stands: the next steps are printed, and a picture of the skills comes back."""
        from blowerlessons import standing

        for line in standing.in_words(progress.read_progress(RECORDS), self.language):
            print(line)
        return standing.picture(progress.read_progress(RECORDS), self.language)


def drawn_call(skill: str, difficulty: int, number: int, met: Collection[tuple[str, str]] = ()) -> PracticeCall:
    """The call that is practice call `number` on `skill`: the same for the same numbers and faults `met` (equipment, id)."""
    from blowerlessons.next_step import drawn_from

    wanted = drawn_from(skill_named(skill).name)
    fits = [
        (name, fault)
        for name in blowerdata.names("equipment")
        for fault in load_faults(load_equipment(name)).faults.values()
        if fault.competency == wanted and difficulty in (0, fault.difficulty)
    ]
    fresh = [(name, fault) for name, fault in fits if (name, fault.id) not in met] or fits
    if not fresh:
        raise CallError(f"no fault on {skill!r} of difficulty {difficulty!r}; leave the difficulty out, or choose another")
    dice = random.Random(f"{skill} {difficulty} {number}")
    name, fault = dice.choices(fresh, [f.prior for _, f in fresh])[0]
    severity = dice.randrange(max(len(fault.severities), 1))
    return PracticeCall(name, str(Hypothesis(fault.id, severity)), dice.choice(fault.complaints), wanted)


def _html(page: str) -> Any:
    from IPython import display

    made: Any = display
    return made.HTML(page)


def open_lesson(number: str, language: str = "en") -> OpenLesson:
    """Lesson `number` ("01" to "13"), with the learner's progress; raises `LessonError` for one that there is not."""
    speak: Any = getattr(hands_on, "speak", None)
    if speak is not None:
        speak(language)
    calls: Sequence[PracticeCall] | None = None
    if number == CAPSTONE and util.find_spec("blowerlessons.capstone"):
        capstone: Any = import_module("blowerlessons.capstone")
        calls = capstone.calls(RECORDS, progress.read_progress(RECORDS).faults)
    return OpenLesson(lesson_numbered(number, language), language, calls)
