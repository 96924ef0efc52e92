"""The catalogue's competencies as a person reads them.

Rule: the catalogue's own word is the key; every competency that a fault file uses has a title.
"""

from __future__ import annotations

from blowerbench.messages import translate as t


def competency_title(competency: str, language: str = "en") -> str:
    """The title of a catalogue's competency; an instructor's own one is shown as it is."""
    titles = {
        "airflow": t("airflow", language),
        "command": t("the command input", language),
        "control or motor": t("control or motor", language),
        "instruments": t("using the meter", language),
        "low voltage": t("low-voltage wiring", language),
        "power input": t("the power input", language),
        "safeties": t("safeties", language),
        "safety": t("working safely", language),
        "sequence": t("diagrams and sequence of operation", language),
    }
    return titles.get(competency, competency)
