"""Every act as a control: what can be worked on, what can be done to it, and the forms beside the picture.

Rule: a control says what is there and what hands would do, in the same words whether that is safe or not, and is never greyed
out for a danger. The page fills a form's fields into its button's act and sends it; it makes no act of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, get_args

import msgspec

from blowerbench import acts as a
from blowerbench.circuit import Wire
from blowerbench.equipment import Equipment
from blowerbench.hands import LOOK_PLACES
from blowerbench.messages import label, translate

Control = dict[str, Any]


def _act(act: a.Act) -> dict[str, Any]:
    """`act` as plain values, its tag included."""
    made: dict[str, Any] = msgspec.to_builtins(act)
    return made


class Words:
    """Texts of one page: a unit and a language."""

    def __init__(self, equipment: Equipment, language: str) -> None:
        self.equipment, self.language = equipment, language

    def t(self, text: str) -> str:
        """`text` in the page's language."""
        return translate(text, self.language)

    def name(self, kind: str, of: str) -> str:
        """The label of a name, beginning with a capital."""
        text = label(kind, of, self.equipment, self.language)
        return text[:1].upper() + text[1:]


def _does(words: Words, *pairs: tuple[str, a.Act]) -> list[Control]:
    return [{"label": words.t(text), "act": _act(act)} for text, act in pairs]


def _toggle(words: Words, now: bool, on: tuple[str, a.Act], off: tuple[str, a.Act]) -> list[Control]:
    """One button that undoes what is; it keeps its place, so that the keyboard stays on it."""
    return _does(words, off if now else on)


def things(words: Words, hands: Mapping[str, Any]) -> list[Control]:
    """What can be worked on, each with its state in words and what can be done to it."""
    rows = [*_supply(words, hands), *_unit(words, hands), *_plugs(words, hands), *_wires(words, hands), *_tools(words, hands)]
    return [
        {"id": key, "group": words.t(group), "name": name, "state": words.t(state), "does": does}
        for key, group, name, state, does in rows
    ]


Row = tuple[str, str, str, str, list[Control]]


def _supply(w: Words, h: Mapping[str, Any]) -> list[Row]:
    group = "Supply and outside"
    call = a.Call
    return [
        ("around", group, w.t("The place as a whole"), "", _does(w, ("Look around, listen and smell", a.Look("around")))),
        ("thermostat", group, w.t("Thermostat"), w.name("call", h["thermostat"]), [
            *[{"label": w.t("Set to {0}").format(label("call", c, None, w.language)), "act": _act(a.SetThermostat(c))}
              for c in get_args(call)],
            *_does(w, ("Try the controls: fan call, watch, off", a.TryControls())),
        ]),
        ("breaker", group, w.t("Panel breaker"), "left on" if h["breaker_on"] else "left off", [
            *_does(w, ("Look at its handle", a.Look("panel")), ("Put it fully off, then on", a.SetBreaker(True)),
                   ("Put it off", a.SetBreaker(False))),
        ]),
        ("disconnect", group, w.t("Disconnect"), "closed" if h["disconnect_closed"] else "open",
         _toggle(w, h["disconnect_closed"], ("Close it", a.SetDisconnect(True)), ("Open it", a.SetDisconnect(False)))),
        ("lock", group, w.t("Your lock"), "on the disconnect" if h["locked"] else "off",
         _toggle(w, h["locked"], ("Put it on the disconnect", a.SetLock(True)), ("Take it off", a.SetLock(False)))),
        ("tag", group, w.t("Your tag"), "on the disconnect" if h["tagged"] else "off",
         _toggle(w, h["tagged"], ("Hang it on the disconnect", a.SetTag(True)), ("Take it off", a.SetTag(False)))),
        ("gas", group, w.t("Gas valve at the unit"), "open" if h["gas_on"] else "shut",
         _toggle(w, h["gas_on"], ("Open it", a.SetGas(True)), ("Shut it", a.SetGas(False)))),
    ]  # fmt: skip


def _unit(w: Words, h: Mapping[str, Any]) -> list[Row]:
    group = "Furnace"
    pressed = "taped in" if h["switch_taped"] else "held in by hand" if h["switch_held"] else \
        "pressed by the door" if h["door_on"] else "not pressed"  # fmt: skip
    opened = h["control_open"]
    return [
        ("door", group, w.t("Blower door"), "on" if h["door_on"] else "off",
         _toggle(w, h["door_on"], ("Put it on", a.SetDoor(True)), ("Take it off", a.SetDoor(False)))),
        ("door_switch", group, w.t("Door switch"), pressed, [
            *_toggle(w, h["switch_held"], ("Hold it in by hand", a.HoldDoorSwitch(True)),
                     ("Let go", a.HoldDoorSwitch(False))),
            *_toggle(w, h["switch_taped"], ("Tape it in", a.TapeDoorSwitch(True)),
                     ("Take the tape off", a.TapeDoorSwitch(False))),
        ]),
        ("status", group, w.t("Board status"), "", _does(w, ("Read it through the glass", a.ReadStatus()))),
        *[(f"look_{p}", group, w.name("place", p), "", _does(w, ("Look closely", a.Look(p))))
          for p in LOOK_PLACES if p not in ("around", "panel", "fuse", "control_module", "wheel")],
        ("fuse", group, w.name("place", "fuse"), "", _does(w, ("Look closely", a.Look("fuse")))),
        ("rollout", group, w.t("Manual reset of the rollout switch"), "", _does(w, ("Press it", a.ResetSafety("rollout")))),
        ("wheel", group, w.name("place", "wheel"), "",
         _does(w, ("Look closely", a.Look("wheel")), ("Turn it by hand", a.TurnShaft()))),
        ("control_module", group, w.name("place", "control_module"), "open" if opened else "closed", [
            *_does(w, ("Look closely", a.Look("control_module"))),
            *_toggle(w, not opened, ("Close it", a.CloseControl()), ("Unscrew and open it", a.OpenControl())),
            *_does(w, ("Hold the rated resistor across the bus points", a.Discharge())),
        ]),
    ]  # fmt: skip


def _plugs(w: Words, h: Mapping[str, Any]) -> list[Row]:
    return [
        (name, "Plugs", w.name("connector", name), "apart" if name in h["parted"] else "plugged in", [
            *_does(w, ("Look at it and its latch", a.Look(name))),
            *_toggle(w, name not in h["parted"], ("Plug it in", a.PlugIn(name)),
                     ("Release the latch and pull it apart", a.Unplug(name))),
        ])
        for name in w.equipment.connectors
    ]  # fmt: skip


def _wires(w: Words, h: Mapping[str, Any]) -> list[Row]:
    return [
        (f"wire_{name}", "24 V wires", w.name("wire", name), "off" if name in h["lifted"] else "on",
         _toggle(w, name not in h["lifted"], ("Put it back", a.LandWire(name)), ("Take it off", a.LiftWire(name))))
        for name in w.equipment.liftable
    ]  # fmt: skip


def _tools(w: Words, h: Mapping[str, Any]) -> list[Row]:
    group = "Your tools"
    where = "on the motor" if h["source_fitted"] else "off"
    clips = "clips on R and C" if h["source_clipped"] else "clips off"
    return [
        ("source", group, w.t("Reference source"), f"{w.t(where)}, {w.t(clips)}", [
            *_toggle(w, h["source_fitted"], ("Fit it on the motor", a.FitSource(True)),
                     ("Take it off the motor", a.FitSource(False))),
            *_toggle(w, h["source_clipped"], ("Clip it on R and C of the board", a.ClipSource(True)),
                     ("Take its clips off", a.ClipSource(False))),
        ]),
        ("source_switch", group, w.t("Switch of the reference source"), "run" if h["source_on"] else "off",
         _toggle(w, h["source_on"], ("Give the run command", a.SwitchSource(True)),
                 ("End the run command", a.SwitchSource(False)))),
        *[(item, group, w.name("item", item), "worn" if item in h["worn"] else "not worn",
           _toggle(w, item in h["worn"], ("Put on", a.Wear(item)), ("Take off", a.Wear(item, False))))
          for item in get_args(a.Item)],
    ]  # fmt: skip


# ---------------------------------------------------------------------- forms
def _option(value: str, text: str, group: str = "") -> Control:
    return {"value": value, "label": text, "group": group}


def _field(name: str, text: str, kind: str, **more: Any) -> Control:
    return {"name": name, "label": text, "kind": kind, **more}


def terminal_options(words: Words) -> list[Control]:
    """Every terminal, grouped by the part that it is on."""
    made = []
    for name in words.equipment.terminals:
        connector = words.equipment.connector_of.get(name)
        group = words.name("connector", connector.name) if connector else words.name("zone", words.equipment.zone_of[name].name)
        made.append(_option(name, words.name("terminal", name), group))
    return made


def conductor_options(words: Words) -> list[Control]:
    """Every wire that a clamp goes around: those with an end that a hand can reach."""
    reached = set(words.equipment.terminals)
    parts = words.equipment.network.parts
    return [
        _option(n, words.name("wire", n))
        for n in words.equipment.network.conductors
        if isinstance(p := parts[n], Wire) and (p.a in reached or p.b in reached)
    ]


def forms(words: Words) -> list[Control]:
    """The forms beside the picture; they do not change during a call."""
    w, t = words, words.t
    terminals = terminal_options(words)
    leads = [_option(x, w.name("lead", x)) for x in get_args(a.Lead)]
    dial = [
        {"label": w.name("function", f), "act": _act(a.SetMeter(f)), "state": f"function:{f}"} for f in get_args(a.Function)
    ]
    made: list[Control] = [
        {"id": "dial", "title": t("Dial"), "fields": [], "buttons": dial},
        {"id": "leads", "title": t("Leads"), "fields": [
            _field("lead", t("Lead in hand"), "radio", options=leads, value="red"),
            _field("clip", t("Clip it on, hands off"), "flag"),
            _field("terminal", t("Terminal"), "select", options=terminals),
        ], "buttons": [
            _button(t("Place the lead"), {"do": "place_lead"}, "lead", "clip", "terminal"),
            *_does(w, ("Take red off", a.LiftLead("red")), ("Take black off", a.LiftLead("black")),
                   ("Read again", a.ReadMeter()), ("Touch and zero", a.ZeroLeads()),
                   ("Look over meter", a.InspectMeter())),
        ]},
        {"id": "clamp", "title": t("Clamp"), "fields": [
            _field("conductor", t("Conductor"), "select", options=conductor_options(words)),
        ], "buttons": [
            _button(t("Close the clamp around it"), {"do": "place_clamp"}, "conductor"),
            *_does(w, ("Take the clamp off", a.PlaceClamp(""))),
        ]},
        {"id": "jumper", "title": t("Test jumper"), "fields": [
            _field("a", t("From"), "select", options=terminals), _field("b", t("To"), "select", options=terminals),
        ], "buttons": [
            _button(t("Put the jumper on"), {"do": "set_jumper", "on": True}, "a", "b"),
            _button(t("Take the jumper off"), {"do": "set_jumper", "on": False}, "a", "b"),
        ]},
        {"id": "wait", "title": t("Wait"), "fields": [
            _field("seconds", t("Seconds (1 to 3600)"), "number", min=1, max=3600, value=60),
        ], "buttons": [
            _button(t("Wait"), {"do": "wait"}, "seconds"),
            *_does(w, ("Wait 10 s", a.Wait(10)), ("Wait 2 min", a.Wait(120)), ("Wait 5 min", a.Wait(300))),
        ]},
        *_closing(words),
    ]  # fmt: skip
    return made


def _button(text: str, act: dict[str, Any], *fields: str) -> Control:
    return {"label": text, "act": act, "fields": list(fields)}


def _closing(words: Words) -> list[Control]:
    w, t = words, words.t
    units = [_option(u, w.name("unit", u)) for u in w.equipment.units]
    dangers = [_option(d, w.name("danger", d)) for d in get_args(a.Danger)]
    text: Callable[..., Control] = _field
    parts = [*units, _option("no_fault_found", w.name("unit", "no_fault_found"))]
    report = ("complaint", "readings", "cause", "correction", "why", "customer")
    return [
        {"id": "declare", "title": t("Diagnosis"), "closed": True, "fields": [
            _field("units", t("What is at fault"), "checks", options=parts),
        ], "buttons": [_button(t("State the diagnosis"), {"do": "declare"}, "units")]},
        {"id": "repair", "title": t("Repair"), "closed": True, "fields": [
            _field("unit", t("Part"), "select", options=units),
        ], "buttons": [_button(t("Repair or replace it"), {"do": "repair"}, "unit")]},
        {"id": "write_up", "title": t("Write-up"), "closed": True, "fields": [
            text("complaint", t("Complaint"), "text"),
            text("readings", t("Readings, one a line, such as: R to C 25.4 V"), "lines"),
            text("cause", t("Cause"), "text"),
            text("correction", t("Correction"), "text"),
            text("why", t("Why it failed"), "text"),
            text("customer", t("What the customer was told"), "text"),
        ], "buttons": [
            _button(t("Hand in the write-up"), {"do": "write_up"}, *report),
        ]},
        {"id": "finish", "title": t("End of the call"), "closed": True, "fields": [
            _field("report", t("Danger to report"), "select", options=dangers),
        ], "buttons": [
            *_does(w, ("Hand the unit back: the call ends", a.Finish())),
            _button(t("Stop work, leave and report: the call ends"), {"do": "leave"}, "report"),
        ]},
    ]  # fmt: skip
