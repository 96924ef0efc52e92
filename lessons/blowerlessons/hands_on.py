"""What a lesson's cells call: do acts and read what came of them, take a reading, show the panel.

Rule: a number in a lesson comes from here, computed by the simulation at that moment, never typed in.
"""

from __future__ import annotations

from typing import Any

from msgspec.structs import replace

from blowerbench import Bench, LocalBench
from blowerbench import acts as a
from blowerbench.acts import Act
from blowerbench.errors import BenchError
from blowerbench.messages import describe, perceived, said, translate
from blowerbench.observation import Accepted
from blowerbench.units import ureg

EQUIPMENT = "furnace_120_constant_airflow"
# Readings are printed as they stand on a display: "117.4 V", not "117.4 volt".
ureg.formatter.default_format = "~P"


class _Spoken:
    """The language in which this kernel's lesson is told."""

    language = "en"


def speak(language: str) -> None:
    """Tell everything from here on in `language`, a tag such as "es"; `open_lesson` calls it."""
    _Spoken.language = language


class NoReadingError(BenchError):
    """A reading was asked for while the meter shows none, or shows OL."""


def clock(seconds: int) -> str:
    """Simulated seconds since arrival as minutes and seconds, "3:05"."""
    return f"{seconds // 60}:{seconds % 60:02d}"


def do(bench: Bench, *acts: Act) -> None:
    """Do `acts` one after the other and print what was done, and what could be perceived that is new."""
    for act in acts:
        before = bench.view().observation.senses
        outcome = bench.act(act)
        told = describe(act, bench.equipment, _Spoken.language)
        if not isinstance(outcome, Accepted):
            print(f"  ✘    {told}  —  {said(outcome.reason, _Spoken.language, bench.equipment)}")
            continue
        now = outcome.observation
        news = now if now.senses != before else replace(now, senses=())
        heard = perceived(news, _Spoken.language, bench.equipment)
        print(f"{clock(outcome.clock):>6} {told}" + "".join(f"\n         {h}" for h in heard))


def quietly(bench: Bench, *acts: Act) -> None:
    """Do `acts` without a word; raises `BenchError` when hands can't do one of them."""
    for act in acts:
        outcome = bench.act(act)
        if not isinstance(outcome, Accepted):
            why = said(outcome.reason, _Spoken.language, bench.equipment)
            raise BenchError(f"{describe(act, bench.equipment, _Spoken.language)} {why}")


def reading(bench: Bench) -> Any:
    """What the meter shows now, as a pint quantity; raises `NoReadingError` when it shows no number."""
    shown = bench.view().observation.shown
    if not shown:
        raise NoReadingError(translate("the meter shows nothing: choose a function and put both leads on", _Spoken.language))
    if "OL" in shown[-1].text:
        raise NoReadingError(translate("the meter shows OL, more than its range: there is no number to take", _Spoken.language))
    return ureg.Quantity(float(shown[-1].text), shown[-1].unit)


def measure(bench: Bench, red: str, black: str, function: a.Function = "volts_ac") -> Any:
    """What the display shows from `red` to `black`, as a pint quantity: leads off, then on, the reference first."""
    turn: list[Act] = [] if bench.view().hands["function"] == function else [a.SetMeter(function=function)]
    quietly(
        bench,
        *turn,
        a.LiftLead(lead="red"),
        a.LiftLead(lead="black"),
        a.PlaceLead(lead="black", terminal=black),
        a.PlaceLead(lead="red", terminal=red),
    )
    return reading(bench)


def new_bench(fault: str, complaint: str, variant: str) -> LocalBench:
    """A bench with the course's furnace; nothing is written to the disk."""
    return LocalBench(EQUIPMENT, fault, complaint, variant=variant)


def panel(bench: Bench, report: bool = False) -> Any:
    """The bench's panel for this notebook, with cautions after unsafe acts where the bench runs in this process.

    With `report` it shows the score sheet once the call is over.
    """
    from blowerbench.panels import BenchPanel
    from blowergrade.watcher import SafetyWatcher

    watcher = SafetyWatcher(bench) if isinstance(bench, LocalBench) else None
    return BenchPanel(bench, watcher=watcher, report=sheet_html if report else None, language=_Spoken.language)


def sheet_html(bench: Bench) -> str:
    """The score sheet of the call on `bench` as HTML; raises `BenchError` for a bench in another process."""
    from blowergrade.score import grade_bench

    if not isinstance(bench, LocalBench):
        raise BenchError("this call is on another machine's bench; its score sheet comes from there")
    return grade_bench(bench).html(_Spoken.language)


def score_sheet(bench: Bench) -> Any:
    """The score sheet of the call on `bench`, for a notebook to show."""
    from IPython import display

    made: Any = display
    return made.HTML(sheet_html(bench))


def show(figure: Any, alt: str) -> Any:
    """A matplotlib figure as a picture with `alt` text for who can't see it; the figure is closed."""
    import base64
    import html
    import io

    from IPython import display
    from matplotlib import pyplot

    data = io.BytesIO()
    figure.savefig(data, format="png", dpi=110, bbox_inches="tight")
    pyplot.close(figure)
    coded = base64.b64encode(data.getvalue()).decode("ascii")
    made: Any = display
    return made.HTML(f'<img src="data:image/png;base64,{coded}" alt="{html.escape(alt)}" style="max-width:100%">')


def picture(bench: Bench, view: str = "wired") -> Any:
    """A still picture of the bench as it is now, for a notebook to show; `view` is one of the panel's views."""
    import base64
    import html

    from IPython import display

    from blowerbench.panels import BenchPanel
    from blowerbench.panels.scene import sentences

    drawn = BenchPanel(bench, language=_Spoken.language)
    try:
        coded = base64.b64encode(drawn.picture(view).encode()).decode("ascii")
        alt = html.escape(" ".join(sentences(bench.view(), bench.equipment, _Spoken.language)))
    finally:
        drawn.close()
    made: Any = display
    return made.HTML(f'<img src="data:image/svg+xml;base64,{coded}" alt="{alt}" style="max-width:100%">')
