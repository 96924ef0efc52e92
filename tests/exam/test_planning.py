"""Planning a sitting: the list of candidates is taken as written or refused; the plan is the forms', and sealed."""

from __future__ import annotations

import hashlib
import shutil
from functools import cache
from importlib.resources import files
from pathlib import Path

import pytest
from msgspec.structs import replace

from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowergrade.classwork.people import RosterError, read_roster
from blowergrade.exam.attempt import Attempt
from blowergrade.exam.blueprint import Blueprint, load_blueprint, parse_blueprint
from blowergrade.exam.folder import ExamFolder, digest_of, make_folder
from blowergrade.exam.form_assignment import assign_forms
from blowergrade.exam.form_model import FormError
from blowergrade.exam.form_pool import pool_of
from blowergrade.exam.forms import FormSet, random_forms
from blowergrade.exam.planning import Entrant, enrolled, new_codes, parse_candidates, programme_from, read_candidates
from blowergrade.exam.programme import FAMILIARISATION, Accommodation, Candidate, ExamError, Programme, Rules, seal, unseal

SECRET = bytes(range(32))
GUIDES = Path(str(files("blowerlessons"))) / "guides"
RUBRIC = Path(str(files("blowergrade"))) / "rubrics" / "default.toml"
LIST = """id,name,language,extra_time_percent,breaks,reader,scribe,separate_room,print_size,email,note
c01,Ada Fennimore,en,,,,,,,,
c02,"Rosario, Inés",es,25,yes,no,,B 12,,ines@school.example,
c03,=1+1 <b>Olu</b>,en,50 %,,yes,YES,yes,150%,,water on the desk
c04,Łukasz Żeromski
"""


@cache
def question() -> tuple[Blueprint, FormSet]:
    """The example's blueprint and forms drawn by chance: how alike they are does not matter here."""
    blueprint = load_blueprint("example")
    return blueprint, random_forms(pool_of(blueprint, "complaint"), blueprint, 1)


def people(count: int, language: str = "en") -> tuple[Candidate, ...]:
    digests = [hashlib.sha256(f"code {k}".encode()).hexdigest() for k in range(1, count + 1)]
    return tuple(Candidate(f"c{k:02d}", f"Person {k}", digest, language) for k, digest in enumerate(digests, 1))


def planned(candidates: tuple[Candidate, ...], secret: bytes = SECRET, sitting: str = "spring-1") -> Programme:
    return programme_from(*question(), candidates, secret, sitting, school="Alderwick Trade School")


# ---------------------------------------------------------------------- the list
def test_the_list_is_read_as_it_is_written(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_bytes(b"\xef\xbb\xbf" + LIST.encode())
    ada, ines, olu, lukasz = read_candidates(tmp_path / "list.csv")
    assert ada == Entrant("c01", "Ada Fennimore")
    assert (ines.name, ines.language, ines.email) == ("Rosario, Inés", "es", "ines@school.example")
    assert ines.accommodation == Accommodation(extra_percent=25, breaks=True, room="B 12")
    assert olu.name == "=1+1 <b>Olu</b>" and olu.accommodation == Accommodation(
        extra_percent=50, reader=True, scribe=True, room="apart", print_percent=150, note="water on the desk"
    )
    assert lukasz == Entrant("c04", "Łukasz Żeromski")
    words = ("extra time 50 %", "reader", "scribe", "room apart", "print 150 %", "water on the desk")
    assert olu.accommodation.words() == words and ada.accommodation.words() == ()


def test_a_class_roster_is_a_list_of_candidates_and_semicolons_and_order_of_columns_do_not_matter(tmp_path: Path) -> None:
    (tmp_path / "roster.csv").write_text("name;id;email\nAda;s1;a@b.example\nBo;s2;\n", encoding="utf-8")
    entrants, students = read_candidates(tmp_path / "roster.csv"), read_roster(tmp_path / "roster.csv")
    assert [(e.id, e.name, e.email) for e in entrants] == [(s.id, s.name, s.email) for s in students]
    assert parse_candidates("ID,Name,Extra_Time_Percent\nc1,Ada,10")[0].accommodation.extra_percent == 10


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("id,name,extra_time\nc1,Ada,25", r"list, line 2: unknown column 'extra_time'; did you mean extra_time_percent\?"),
        ("id,name,shoe\nc1,Ada,25", r"list, line 2: unknown column 'shoe'; there are id, name, language, extra_time_percent"),
        ("id,name,extra_time_percent\nc1,Ada,a lot", "extra_time_percent is 'a lot'; write whole percent from 0 to 300"),
        ("id,name,extra_time_percent\nc1,Ada,-5", "extra_time_percent is '-5'"),
        ("id,name,extra_time_percent\nc1,Ada,12.5", "extra_time_percent is '12.5'"),
        ("id,name,extra_time_percent\nc1,Ada,301", "extra_time_percent is '301'"),
        ("id,name,print_size\nc1,Ada,90", "print_size is '90'; write whole percent from 100 to 400, or nothing"),
        ("id,name,breaks\nc1,Ada,maybe", "breaks is 'maybe'; write yes or no, or nothing"),
        ("id,name,reader\nc1,Ada,2", "reader is '2'"),
        ("id,name,scribe\nc1,Ada,-", "scribe is '-'"),
        (f"id,name,separate_room\nc1,Ada,{'r' * 201}", "separate_room is too long or holds control characters"),
        ("id,name,note\nc1,Ada,a\x07b", "note is too long or holds control characters; write one line of text"),
        ("id,name\nc1,Ada\nC1,Bo", r"list, line 3: the id 'C1' stands twice \(capitals do not tell ids apart\)"),
        ("id,name\nProctor,Ada", "line 2: the id 'Proctor' is kept for the proctor's code; give the candidate another"),
        ("id,name\nc/1,Ada", "line 2: 'c/1' is no id"),
        ("id,name,email\nc1,Ada,nowhere", "'nowhere' is no email address"),
        ("id,name,language\nc1,Ada,Spanish", "'Spanish' is no language tag"),
        ("id,name\nc1,Rosario, Inés", "3 cells under 2 titles; put a name with a comma in quotes"),
        ("id,name\n", "list: nobody is in it; add a line for each candidate below the titles"),
        ("name\nAda", "needed are id and name"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_the_list_is_said_with_its_line(text: str, says: str) -> None:
    with pytest.raises(RosterError, match=says):
        parse_candidates(text, "list")


def test_a_list_that_is_missing_or_no_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RosterError, match="can't be read"):
        read_candidates(tmp_path / "none.csv")
    (tmp_path / "list.csv").write_bytes(b"id,name\nc1,Jos\xe9\n")
    with pytest.raises(RosterError, match="is not UTF-8 text; save it as CSV UTF-8"):
        read_candidates(tmp_path / "list.csv")


def test_everybody_has_a_code_of_their_own_and_the_plan_only_its_digest() -> None:
    entrants = parse_candidates(LIST)
    codes = new_codes(entrants)
    assert set(codes) == {"c01", "c02", "c03", "c04"} and len(set(codes.values())) == 4
    candidates = enrolled(entrants, codes)
    assert [(c.id, c.name, c.accommodation) for c in candidates] == [(e.id, e.name, e.accommodation) for e in entrants]
    assert all(c.code_digest == digest_of(codes[c.id]) for c in candidates)
    with pytest.raises(ExamError, match="no personal code for c02, c04; make codes"):
        enrolled(entrants, {"c01": codes["c01"], "c03": codes["c03"]})


# ---------------------------------------------------------------------- the plan
def test_the_plan_is_each_candidates_form_call_by_call_and_nothing_else() -> None:
    blueprint, formset = question()
    made = planned(people(9))
    got = assign_forms([c.id for c in made.candidates], formset, SECRET, "spring-1")
    for one in made.candidates:
        assert one.form == got[one.id]
        items, plans = formset.form(one.form).items, made.plans[one.id]
        asked = sorted((i.equipment, i.fault, i.complaint, i.id, i.competency, i.difficulty) for i in items)
        assert sorted((p.equipment, p.fault, p.complaint, p.item, p.competency, p.difficulty) for p in plans) == asked
        assert [p.attempt for p in plans] == [f"{one.id}/call-{k}" for k in range(1, 6)]
        assert {(p.person, p.assignment, p.language) for p in plans} == {(one.id, "spring-1", "en")}
        assert made.items(one.id) == ("call-1", "call-2", "call-3", "call-4", "call-5")
    variants = [p.variant for plans in made.plans.values() for p in plans]
    assert len(set(variants)) == len(variants) == 45
    assert (made.kind, made.minutes, made.title) == ("exam", 150, blueprint.title)
    assert (made.passing, made.rubric, made.blueprint) == (blueprint.pass_rule, "default", blueprint.digest)
    assert made.forms == formset.digest and made.rules == Rules()


def test_extra_time_stands_in_the_plan_and_the_page_is_in_the_candidates_language() -> None:
    entrants = parse_candidates(LIST)
    made = planned(enrolled(entrants, new_codes(entrants)))
    assert [made.seconds(c) // 60 for c in made.candidates] == [150, 188, 225, 150]  # 187.5 is rounded up
    assert {p.language for p in made.plans["c02"]} == {"es"}
    trying = made.plan("c02", FAMILIARISATION)
    assert trying is not None and (trying.language, trying.attempt) == ("es", f"c02/{FAMILIARISATION}")
    assert trying.fault == "filter_dirty/0"
    assert all((p.equipment, p.fault) != (trying.equipment, trying.fault) for plans in made.plans.values() for p in plans)


def test_the_same_secret_gives_the_same_plan_another_secret_or_sitting_another() -> None:
    made = planned(people(6))
    assert made == planned(people(6))
    for other in (planned(people(6), bytes(32)), planned(people(6), sitting="spring-2")):
        variants = [{p.variant for plans in one.plans.values() for p in plans} for one in (made, other)]
        assert not variants[0] & variants[1]


def test_somebody_added_last_changes_nobodys_calls_nor_variants() -> None:
    before, after = planned(people(6)), planned(people(9))
    assert after.candidates[:6] == before.candidates
    assert {n: after.plans[n] for n in before.plans} == dict(before.plans)


def met(formset: FormSet, *forms: str) -> frozenset[str]:
    """The items of these forms."""
    return frozenset(i.id for f in forms for i in formset.form(f).items)


def test_who_sits_again_gets_a_form_without_any_call_they_had_and_nobody_elses_changes() -> None:
    blueprint, formset = question()
    before = planned(people(12))
    first = {c.id: c.form for c in before.candidates}
    others = [n for n in "ABCD" if n != first["c05"]]
    for had in ([first["c05"]], [first["c05"], others[0]], [first["c05"], *others[:2]], [others[0]]):
        again = {"c05": met(formset, *had), "c99": met(formset, "A")}
        after = programme_from(blueprint, formset, people(12), SECRET, "spring-1", school="Alderwick Trade School", had=again)
        forms = {c.id: c.form for c in after.candidates}
        assert not {p.item for p in after.plans["c05"]} & again["c05"] and forms["c05"] not in had
        assert {n: f for n, f in forms.items() if n != "c05"} == {n: f for n, f in first.items() if n != "c05"}
        assert {n: after.plans[n] for n in first if n != "c05"} == {n: before.plans[n] for n in first if n != "c05"}
        if len(set("ABCD") - {*had, forms["c04"], forms["c06"]}):
            assert forms["c05"] not in (forms["c04"], forms["c06"])
    assert first["c05"] == forms["c05"]  # the last round's had never touched their own form


def test_who_had_a_call_of_every_form_is_refused_with_the_remedy() -> None:
    blueprint, formset = question()
    one_of_each = frozenset(f.items[0].id for f in formset.forms)
    with pytest.raises(FormError, match="every form holds a call that 'c02' had before; make forms from another seed or pool"):
        programme_from(blueprint, formset, people(3), SECRET, "s", had={"c02": one_of_each})


def test_the_order_can_be_the_forms_own() -> None:
    blueprint, formset = question()
    made = programme_from(blueprint, formset, people(4), SECRET, "s", shuffled=False, title="Mine", rules=Rules(rate=1.0))
    for one in made.candidates:
        assert [p.fault for p in made.plans[one.id]] == [i.fault for i in formset.form(one.form).items]
    assert (made.title, made.rules.rate) == ("Mine", 1.0)


def test_a_plan_opens_as_a_bench() -> None:
    plan = planned(people(1, "es")).plans["c01"][0]
    attempt = Attempt(plan)
    header = attempt.bench.header
    assert (header.person, header.assignment, header.complaint) == ("c01", "spring-1", plan.complaint)


def test_a_sealed_plan_shows_nothing_and_opens_with_its_key_only() -> None:
    made = planned(people(3))
    data = seal(made, SECRET)
    assert unseal(data, SECRET) == made
    for plans in made.plans.values():
        for one in plans:
            assert one.fault.split("/")[0].encode() not in data and one.variant.encode() not in data
    for wrong, key in ((data, bytes(32)), (data[:-1] + bytes([data[-1] ^ 1]), SECRET), (data[:20], SECRET), (b"", SECRET)):
        with pytest.raises(ExamError, match="does not open"):
            unseal(wrong, key)


def test_an_exam_folder_is_made_from_the_plan(tmp_path: Path) -> None:
    entrants = parse_candidates(LIST)
    codes = new_codes(entrants)
    made = planned(enrolled(entrants, codes))
    folder = make_folder(tmp_path / "exam", made, codes)
    assert ExamFolder(tmp_path / "exam").programme == made
    assert {n: folder.codes[n] for n in codes} == codes
    held = [f.read_bytes() for f in tmp_path.rglob("*") if f.is_file()]
    assert len(held) >= 3 and not any(p.fault.split("/")[0].encode() in data for data in held for p in made.plans["c01"])


def test_what_does_not_fit_together_is_refused() -> None:
    blueprint, formset = question()
    one, two = people(2)
    for candidates, says in (
        ((), "there is no candidate; name one or more"),
        ((replace(one, language="fr"),), "c01: the language is 'fr', the exam has en, es; change one"),
        ((one, replace(two, id="C01")), r"'c01' is on the list twice \(capitals do not tell ids apart\)"),
        ((one, replace(two, code_digest=one.code_digest)), "c01: somebody else has the same code; make another"),
        ((replace(one, id="proctor"),), "the id 'proctor' is kept for the proctor's code"),
    ):
        with pytest.raises(ExamError, match=says):
            planned(candidates)
    with pytest.raises(RosterError, match="candidate: 'a/b' is no id"):
        planned((replace(one, id="a/b"),))
    with pytest.raises(RosterError, match="sitting: 'Spring 1' is no id"):
        planned((one,), sitting="Spring 1")
    with pytest.raises(FormError, match="secret has 5 bytes"):
        planned((one,), b"short")
    with pytest.raises(ExamError, match="for another blueprint, or its calls were changed since; assemble the forms again"):
        programme_from(replace(blueprint, longest_minutes=44), formset, (one,), SECRET, "s")
    rule = replace(blueprint.pass_rule, calls=2, critical="call")
    other = programme_from(replace(blueprint, minutes=151, title="June", pass_rule=rule), formset, (one,), SECRET, "s")
    assert (other.minutes, other.title, other.passing) == (151, "June", rule), "forms hang on none of these"
    old = replace(formset, catalogues={**formset.catalogues, blueprint.equipment[0]: "0" * 64})
    with pytest.raises(ExamError, match=f"faults of {blueprint.equipment[0]} were changed since the forms were made"):
        programme_from(blueprint, old, (one,), SECRET, "s")


def test_a_schools_own_unit_and_rubric_go_into_the_plan_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Named by a relative path in the blueprint: the plan names the unit by its whole path and holds the rubric's text."""
    monkeypatch.chdir(tmp_path)
    for end in (".toml", ".faults.toml"):
        shutil.copy(GUIDES / f"small_unit{end}", tmp_path / f"small_unit{end}")
    shutil.copy(RUBRIC, tmp_path / "ours.toml")
    blueprint = parse_blueprint(
        """title = "Small"\nequipment = ["small_unit.toml"]\ncalls = 1\nforms = 2\nminutes = 20\nrubric = "ours.toml"
        [pass_rule]\npoints = 70\ncalls = 1
        [familiarisation]\nequipment = "small_unit.toml"\nfault = "healthy_unit"
        [[section]]\ncompetency = ["command", "low voltage"]\ndifficulty = [1, 5]\ncount = 1\nminutes = 20
        equipment = ["small_unit.toml"]""",
        "mine.toml",
    )
    every = set(load_faults(load_equipment(str(tmp_path / "small_unit.toml"))).faults)
    blueprint = replace(blueprint, excluded=tuple(sorted(every - {"relay_welded", "cable_G_to_R"})))
    formset = random_forms(pool_of(blueprint), blueprint, 1)
    made = programme_from(blueprint, formset, people(2), SECRET, "s")
    assert {p.equipment for plans in made.plans.values() for p in plans} == {str(tmp_path / "small_unit.toml")}
    assert made.rubric == RUBRIC.read_text(encoding="utf-8")
    trying = made.plan("c01", FAMILIARISATION)
    assert trying is not None and trying.equipment == str(tmp_path / "small_unit.toml") and trying.complaint == "little_air"
    monkeypatch.chdir("/")
    assert Attempt(made.plans["c01"][0]).bench.header.equipment == "small_unit"
