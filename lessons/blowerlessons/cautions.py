"""The cautions that lessons and handouts print, by id.

Rule: one wording for one danger, in every language; each lesson lists the ids that its work needs.
"""

from __future__ import annotations

from blowerbench.messages import translate as t

#: The ids, in the order in which they are printed.
CAUTIONS = (
    "work_dead", "door_switch", "capacitors", "live_measuring", "wheel", "hot_sharp", "flue_gas", "gas_co",
    "no_jumpers", "no_refuse", "wrong_part", "wet_unit",
)  # fmt: skip


def caution(name: str, language: str = "en") -> tuple[str, str]:
    """The caution `name`: its short call and the sentence after it."""
    texts = {
        "work_dead": (t("Work dead.", language), t("Lock, tag, prove dead on every pair.", language)),
        "door_switch": (
            t("The door switch is not a disconnect.", language),
            t("The wire in front of it stays live until the disconnect is open.", language),
        ),
        "capacitors": (
            t("Capacitors bite after power-off.", language),
            t("Wait five minutes, open, then measure DC on the bus before you touch.", language),
        ),
        "live_measuring": (
            t("Measure live only when you must.", language),
            t("Eye protection, gloves, a rated and inspected meter, one hand where you can.", language),
        ),
        "wheel": (
            t("A wheel that can turn can take a sleeve.", language),
            t("Keep hands, hair and sleeves out while the power can come on.", language),
        ),
        "hot_sharp": (t("Hot surfaces, sharp metal.", language), t("Gloves help with both.", language)),
        "flue_gas": (
            t("A running wheel with the blower door off can pull flue gas into the room.", language),
            t("Test on a fan call.", language),
        ),
        "gas_co": (
            t("Gas smell or CO alarm: stop.", language),
            t("Touch no switch. Leave. Call from outside.", language),
        ),
        "no_jumpers": (
            t("Never leave a safety jumpered,", language),
            t("and never leave a door switch taped.", language),
        ),
        "no_refuse": (
            t("Do not re-fuse or reset again and again.", language),
            t("Find the short first.", language),
        ),
        "wrong_part": (
            t("A wrong part or a wrong link can destroy the new motor.", language),
            t("Check its data before power.", language),
        ),
        "wet_unit": (t("A wet unit stays off.", language), t("Dry it and find the water first.", language)),
    }  # fmt: skip
    return texts[name]


def defer(language: str = "en") -> str:
    """What every lesson and handout ends with."""
    return t(
        "The equipment here is invented. Practice on it does not replace supervised work on live equipment. Follow your local "
        "codes, the unit's own instructions and the rules of licensed practice.",
        language,
    )
