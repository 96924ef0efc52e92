"""A person at the panel who uses one thing only: the keyboard, or the mouse.

Rule: an act is done through the controls that the page offers for it, found by what they say they do; nothing is sent by hand.
"""

from __future__ import annotations

from collections import deque
from typing import Any

import msgspec
from browser.page import Host

from blowerbench import acts as a

#: How many tab stops lie between the focus and a selector: a guess that saves time, checked by what is focused in the end.
STEPS = """(selector) => {
    const stops = [...document.querySelectorAll("button, select, input, textarea, summary, iframe, [tabindex]")]
        .filter((e) => e.tabIndex >= 0 && !e.disabled && e.checkVisibility() && (e.type !== "radio" || e.checked));
    const here = stops.indexOf(document.activeElement);
    const there = stops.findIndex((e) => e.matches(selector));
    return here < 0 || there < 0 ? 0 : there - here;
}"""


def plain(act: a.Act) -> dict[str, Any]:
    """`act` as the page would send it."""
    made: dict[str, Any] = msgspec.to_builtins(act)
    return made


class Person:
    """What both have in common: which control does an act, and what goes into its form."""

    def __init__(self, host: Host) -> None:
        self.host, self.page, self.panel = host, host.page, host.panel

    def do(self, act: a.Act) -> None:
        """Do `act` with the page's controls and wait for the answer."""
        wanted = plain(act)
        if isinstance(act, a.PlaceLead):
            self.place(act)
        elif not (self._thing(wanted) or self._form(wanted)):
            raise AssertionError(f"no control of the page does {wanted}")
        self.host.settled()

    def _thing(self, wanted: dict[str, Any]) -> bool:
        for index, thing in enumerate(self.panel.things):
            for button, does in enumerate(thing["does"]):
                if does["act"] == wanted:
                    self.choose(".bp-work select", index, thing["id"])
                    self.push(f".bp-work [data-does] button:nth-child({button + 1})")
                    return True
        return False

    def _form(self, wanted: dict[str, Any]) -> bool:
        found = [
            (len(button.get("fields", [])), form, number, button.get("fields", []))
            for form in self.panel.forms
            for number, button in enumerate(form["buttons"])
            if {**button["act"], **{n: wanted.get(n) for n in button.get("fields", [])}} == wanted
        ]
        if not found:
            return False
        _, form, number, names = min(found, key=lambda x: x[0])  # a button that needs no filling in, where there is one
        here = f"[data-form={form['id']}]"
        if form.get("closed") and self.page.get_attribute(here, "open") is None:
            self.push(f"{here} summary")
        for field in form["fields"]:
            if field["name"] in names:
                self._fill(here, form["id"], field, wanted[field["name"]])
        self.push(f"{here} .bp-buttons button:nth-child({number + 1})")
        return True

    def _fill(self, here: str, form: str, field: dict[str, Any], value: Any) -> None:
        control = f"{here} [id$='-{form}-{field['name']}']"
        match field["kind"]:
            case "select":
                self.choose(control, [o["value"] for o in field["options"]].index(value), value)
            case "checks":
                for option in field["options"]:
                    if option["value"] in value:
                        self.tick(f"{here} input[value='{option['value']}']")
            case _:
                self.write(control, value)

    def place(self, act: a.PlaceLead) -> None:
        """Put a lead on a terminal."""
        raise NotImplementedError

    def choose(self, selector: str, index: int, value: str) -> None:
        """Choose an option of a native select."""
        raise NotImplementedError

    def push(self, selector: str) -> None:
        """Press a button."""
        raise NotImplementedError

    def tick(self, selector: str) -> None:
        """Tick a box."""
        raise NotImplementedError

    def write(self, selector: str, value: Any) -> None:
        """Write into a field, replacing what stands there."""
        raise NotImplementedError


class Keyboard(Person):
    """Never touches the mouse: Tab, arrows, Enter, Space and letters."""

    def tab_to(self, selector: str) -> None:
        """Press Tab, or Shift+Tab where that is shorter, until the focus is on `selector`."""
        steps: int = self.page.evaluate(STEPS, selector)
        for _ in range(abs(steps)):
            self.page.keyboard.press("Tab" if steps > 0 else "Shift+Tab")
        for _ in range(200):
            if self.page.evaluate("(s) => document.activeElement.matches(s)", selector):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"Tab never reaches {selector}")

    def push(self, selector: str) -> None:
        if self.page.get_attribute(selector, "role") == "radio":  # one tab stop for the group, arrows inside
            group, number = selector.rsplit(":nth-child(", 1)
            self.tab_to(group)
            self.page.keyboard.press("Home")
            for _ in range(int(number.rstrip(")")) - 1):
                self.page.keyboard.press("ArrowRight")
        self.tab_to(selector)
        self.page.keyboard.press("Enter")

    def tick(self, selector: str) -> None:
        self.tab_to(selector)
        self.page.keyboard.press("Space")

    def choose(self, selector: str, index: int, value: str) -> None:
        self.tab_to(selector)
        now: int = self.page.evaluate("() => document.activeElement.selectedIndex")
        for _ in range(abs(index - now)):
            self.page.keyboard.press("ArrowDown" if index > now else "ArrowUp")
        assert self.page.evaluate("() => document.activeElement.value") == value

    def write(self, selector: str, value: Any) -> None:
        self.tab_to(selector)
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type("\n".join(value) if isinstance(value, list | tuple) else str(value))

    def place(self, act: a.PlaceLead) -> None:
        if self.page.is_checked("[data-form=leads] [id$='-clip']") != act.clip:
            self.tick("[data-form=leads] [id$='-clip']")
        self.tab_to("[data-terminal]")
        self.walk(act.terminal)
        self.page.keyboard.press("+" if act.lead == "red" else "-")
        self.page.keyboard.press("Enter")

    def walk(self, terminal: str) -> None:
        """Go to `terminal` by arrow keys, the shortest way."""
        for key in self.way(self.host.focused(), terminal):
            self.page.keyboard.press(key)
        assert self.host.focused() == terminal

    def way(self, start: str, goal: str) -> list[str]:
        """The arrow keys that lead from one terminal to another."""
        table = self.panel.ways
        before: dict[str, tuple[str, str]] = {start: ("", "")}
        queue = deque([start])
        while queue and goal not in before:
            here = queue.popleft()
            for key, there in zip(("ArrowLeft", "ArrowUp", "ArrowRight", "ArrowDown"), table[here], strict=True):
                if there not in before:
                    before[there] = (here, key)
                    queue.append(there)
        assert goal in before, f"no arrow keys lead from {start} to {goal}"
        keys: list[str] = []
        while goal != start:
            goal, key = before[goal]
            keys.append(key)
        return keys[::-1]


class Mouse(Person):
    """Points and clicks; types only where words are asked for."""

    def push(self, selector: str) -> None:
        self.page.click(selector)

    def tick(self, selector: str) -> None:
        self.page.click(selector)

    def choose(self, selector: str, index: int, value: str) -> None:
        self.page.select_option(selector, value)

    def write(self, selector: str, value: Any) -> None:
        self.page.click(selector)
        self.page.fill(selector, "\n".join(value) if isinstance(value, list | tuple) else str(value))

    def place(self, act: a.PlaceLead) -> None:
        if self.page.is_checked("[data-form=leads] [id$='-clip']") != act.clip:
            self.page.click("[data-form=leads] [id$='-clip']")
        self.page.click(f"[data-form=leads] input[value={act.lead}]")
        self.page.click(f"[data-terminal='{act.terminal}'] .bp-hit", force=True)
