"""What a lesson's cells print is in the lesson's language, and a picture has words for who can't see it."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from matplotlib import pyplot

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.errors import BenchError
from blowergrade import procedure
from blowerlessons import hands_on
from blowerlessons.lesson import open_lesson

VIEWS = ("wired", "ladder", "connectors", "air", "board")


@pytest.fixture(autouse=True)
def english_again() -> Iterator[None]:
    """The language is the kernel's; the next test starts in English."""
    yield
    hands_on.speak("en")


def healthy() -> LocalBench:
    return hands_on.new_bench("healthy_unit", "second_opinion", "x")


def test_a_lesson_sets_the_language_and_the_next_one_sets_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for language, words in (("es", "Quitó la puerta del soplador."), ("en", "blower door")):
        open_lesson("01", language)
        hands_on.do(healthy(), a.SetDoor(on=False))
        assert words in capsys.readouterr().out


def test_acts_senses_and_refusals_are_told_in_spanish(capsys: pytest.CaptureFixture[str]) -> None:
    bench = healthy()
    hands_on.speak("es")
    hands_on.do(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), a.OpenControl())
    said = capsys.readouterr().out
    # The terms are those at the head of the Spanish catalogue: punta for a lead, soplador, módulo de control.
    for word in ("punta negra", "módulo de control", "puerta del soplador", "voltios CA"):
        assert word in said
    assert not re.search(r"\b(the|lead|meter|door|blower|gloves)\b", said), said


def test_errors_are_told_in_spanish() -> None:
    bench = healthy()
    hands_on.speak("es")
    with pytest.raises(hands_on.NoReadingError, match="el medidor no muestra nada"):
        hands_on.reading(bench)
    with pytest.raises(BenchError, match="detrás de la puerta del soplador"):
        hands_on.quietly(bench, a.OpenControl())


def test_the_black_lead_goes_on_first_and_both_come_off_red_first() -> None:
    # Common practice: the reference lead on first and off last.
    bench = healthy()
    hands_on.quietly(bench, *procedure.protect())
    for red in ("outlet.L", "outlet.G"):
        hands_on.measure(bench, red, "outlet.N")
    acts = [x.act for x in bench.lines]
    placed = [act.lead for act in acts if isinstance(act, a.PlaceLead)]
    lifted = [act.lead for act in acts if isinstance(act, a.LiftLead)]
    assert placed == ["black", "red"] * 2 and lifted == ["red", "black"] * 2


@pytest.mark.parametrize("view", VIEWS)
def test_a_still_picture_is_drawn_and_described_in_spanish(view: str) -> None:
    hands_on.speak("es")
    page = hands_on.picture(healthy(), view).data
    alt = re.search(r' alt="([^"]+)"', page)
    drawn = re.search(r"base64,([^\"]+)\"", page)
    assert alt and "El soplador está en marcha." in alt[1]
    assert drawn and base64.b64decode(drawn[1]).lstrip().startswith(b"<svg")


def test_a_figure_is_closed_and_its_alt_text_can_hold_any_sign() -> None:
    figure, _ = pyplot.subplots()
    page = hands_on.show(figure, 'más de 5 V & menos de "9"').data
    assert 'alt="más de 5 V &amp; menos de &quot;9&quot;"' in page
    assert not pyplot.fignum_exists(figure.number)


@pytest.mark.slow
def test_the_score_sheet_is_in_the_lessons_language() -> None:
    bench = healthy()
    hands_on.quietly(bench, a.Look())
    sheets = []
    for language in ("en", "es"):
        hands_on.speak(language)
        sheets.append(hands_on.sheet_html(bench))
    assert sheets[0] != sheets[1] and 'lang="es"' in sheets[1] and 'lang="en"' in sheets[0]
