"""What a candidate reads on the exam's pages, in the page's language.

Rule: the same words for everybody; nothing here depends on what is wrong with a unit.
"""

from __future__ import annotations

from collections.abc import Mapping

from blowerbench.messages import languages, translate

#: Said by a call's page that has no connection.
LOST = "There is no connection to the exam. Your acts are kept and sent again by themselves. Tell the proctor if it stays so."
#: Said by a bench that waits for it.
WAITS = "This bench waits for the connection, and goes on by itself."

#: What a message that is not taken is told, by its word.
REFUSALS: Mapping[str, str] = {
    "not_open": "The exam has not begun yet. Wait for the proctor.",
    "not_started": "Your exam has not begun yet. Start it on this page.",
    "paused": "You are on a break. Your time stands still. Ask the proctor to go on.",
    "over": "Your exam is over. Everything that you did is kept.",
    "no_call": "There is no such call in your exam. Choose one from the list.",
    "trying_over": "The bench for trying out is closed once your exam has begun.",
    "sign_in": "You are not signed in, or signed in elsewhere. Sign in, or ask the proctor.",
    "no_code": "This code opens nothing here. Compare it with your slip, or ask the proctor.",
    "signed_in": "This code is signed in already. Ask the proctor to let you in again.",
    "slow_down": "Too much at once. What was not taken is sent again by itself.",
    "conflict": "This message came before with another content. Load the page again.",
    "trouble": "The bench could not do that. It is tried again by itself; tell the proctor if it stays so.",
    "open_first": "The bench was set up again. The page opens this call anew by itself.",
    "no_act": "That is nothing that can be done on this bench.",
}


def texts(language: str) -> dict[str, str]:
    """Every text of the candidate's pages, by its name in the page's script."""

    def t(text: str) -> str:
        return translate(text, language)

    return {word: t(text) for word, text in REFUSALS.items()} | {
        # signing in
        "exam": t("Exam"), "enter": t("Sign in"), "code": t("Your personal code"),
        "code_help": t("16 letters and digits, as on your slip."),
        # before the start
        "skip": t("Skip to the exam"), "welcome": t("Welcome, {0}"), "wait": t(REFUSALS["not_open"]),
        "begin": t("Start my exam"), "begin_help": t("Your time begins when you press this button."),
        "now_open": t("The exam is open. You may start it when you are ready."),
        "now_open_list": t("The exam is open. Go back to the list to start it."),
        "trying": t("Bench for trying out"), "trying_open": t("Try the bench out"),
        "trying_help": t("Nothing here counts. Learn how the bench works; it closes when your exam begins."),
        # the calls
        "calls": t("Service calls"), "call": t("Call {0}"), "open": t("Open {0}"), "new": t("not begun"), "begun": t("begun"),
        "ended": t("handed back"), "acts": t("Acts kept: {0}"), "back": t("Back to the list"),
        "loading": t("The bench is set up."),
        "instructions": t(
            "Work as on a real unit: safety first, then find the fault, put it right, verify, and write it up. "
            "You hand a unit back with Finish. You may leave a call and come back to it."
        ),
        "not_done": t("The bench can't do that. Check what you filled in; tell the proctor if it happens again."),
        "unit_back": t("You handed this unit back. Go on with another call of the list, or hand in the exam there."),
        # time, breaks, the line
        "time_left": t("Time left"), "minutes_left": t("{0} minutes left."), "one_minute": t("One minute left."),
        "added": t("Added to your time: {0}"), "rest": t("Break"), "lost": t(LOST), "waits": t(WAITS),
        "again": t("The connection is back. Everything that you did is kept."),
        "elsewhere": t("This exam was opened on another page. Only the newest one works."),
        # the end
        "submit": t("Hand in the exam"), "sure": t("Hand in now? After that nothing can be done any more."),
        "open_calls": t("Not handed back yet: {0}"), "yes": t("Yes, hand in"), "no": t("No, go on"),
        "over_title": t("Your exam is over"), "over_candidate": t("You handed in. Everything that you did is kept."),
        "over_time": t("Your time is up. Your exam was handed in as it stands, and everything that you did is kept."),
        "over_proctor": t("The proctor ended your exam. Everything that you did is kept."), "receipts": t("Receipts"),
        "receipt_help": t(
            "Print this page, or write down at least the first 16 characters of each receipt: they show later whether your "
            "record was changed."
        ),
        "no_receipts": t("There are none: no call was opened."), "service_call": t("Service call"), "acts_short": t("Acts"),
        "receipt": t("Receipt"), "print": t("Print this page"), "results": t("Results"),
    }  # fmt: skip


#: What a page needs before it knows whose it is.
AT_THE_DOOR = ("exam", "enter", "code", "code_help", "lost", "no_code", "signed_in", "sign_in", "over", "slow_down")


def door_texts() -> dict[str, dict[str, str]]:
    """The texts of the sign-in, by language and name: nobody has said yet which language is theirs."""
    return {language: {name: texts(language)[name] for name in AT_THE_DOOR} for language in ("en", *languages())}
