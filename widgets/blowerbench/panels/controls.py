"""Every act as a control: what can be worked on, what can be done to it, and the forms beside the picture.

Rule: a control says what is there and what hands would do, in the same words whether that is safe or not, and is never greyed
out for a danger. The page fills a form's fields into its button's act and sends it; it makes no act of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any, get_args

import msgspec

from blowerbench import acts as a
from blowerbench.circuit import Wire
from blowerbench.equipment import Equipment
from blowerbench.messages import label, translate
from blowerbench.panels.places import door_word, of_supply

Control = dict[str, Any]


@lru_cache(maxsize=4096)
def _act(act: a.Act) -> dict[str, Any]:
    """`act` as plain values, its tag included; nobody changes them."""
    made: dict[str, Any] = msgspec.to_builtins(act)
    return made


class Words:
    """Texts of one page: a unit and a language."""

    def __init__(self, equipment: Equipment, language: str) -> None:
        self.equipment, self.language = equipment, language
        self._names: dict[tuple[str, str], str] = {}  # a page asks for the same few hundred after every act
        self._texts: dict[str, str] = {}
        self.shown: tuple[dict[str, Any], list[Control]] | None = None  # the latest rows of `things`, and what they came from
        self.bare: tuple[tuple[str, ...], dict[str, dict[str, str]]] | None = None  # the same for terminals without a lead

    def t(self, text: str) -> str:
        """`text` in the page's language."""
        found = self._texts.get(text)
        if found is None:
            found = self._texts[text] = translate(text, self.language)
        return found

    def state(self, of: str, text: str) -> str:
        """The state `text` in the page's language, as it is said of the thing `of` (the id of a row)."""
        return translate(text, self.language, of.partition("_")[0])

    def name(self, kind: str, of: str) -> str:
        """The label of a name, beginning with a capital."""
        found = self._names.get((kind, of))
        if found is None:
            text = label(kind, of, self.equipment, self.language)
            found = self._names[kind, of] = text[:1].upper() + text[1:]
        return found


def _does(words: Words, *pairs: tuple[str, a.Act]) -> list[Control]:
    return [{"label": words.t(text), "act": _act(act)} for text, act in pairs]


def _toggle(words: Words, now: bool, on: tuple[str, a.Act], off: tuple[str, a.Act]) -> list[Control]:
    """One button that undoes what is; it keeps its place, so that the keyboard stays on it."""
    return _does(words, off if now else on)


#: What of the hands no row of `things` tells: most acts change nothing else, and the rows are then the same.
_ELSEWHERE = ("clock", "meter_inspected", "function", "zeroed", "leads", "clamp", "jumpers", "declared", "written")


def things(words: Words, hands: Mapping[str, Any]) -> list[Control]:
    """What can be worked on, each with its state in words and what can be done to it. Nobody changes the rows."""
    telling = {name: value for name, value in hands.items() if name not in _ELSEWHERE}
    if words.shown is None or words.shown[0] != telling:
        words.shown = telling, _things(words, telling)
    return words.shown[1]


def _things(words: Words, hands: Mapping[str, Any]) -> list[Control]:
    parts = (_supply, _unit, _plugs, _wires, _ports, _tools)
    rows = [row for part in parts for row in part(words, hands)]
    return [
        {"id": key, "group": words.t(group), "name": name, "state": words.state(key, state), "does": does}
        for key, group, name, state, does in rows
    ]


Row = tuple[str, str, str, str, list[Control]]


def _supply(w: Words, h: Mapping[str, Any]) -> list[Row]:
    group = "Supply and outside"
    calls = [c for c in get_args(a.Call) if c == "off" or w.equipment.protection["thermostat"].get(c)]
    rows: list[Row] = [
        ("around", group, w.t("The place as a whole"), "", _does(w, ("Look around, listen and smell", a.Look("around")))),
        ("thermostat", group, w.t("Thermostat"), w.name("call", h["thermostat"]), [
            *[{"label": w.t("Set to {0}").format(label("call", c, None, w.language)), "act": _act(a.SetThermostat(c))}
              for c in calls],
            *_does(w, ("Try the controls: call, watch, off", a.TryControls())),
        ]),
        *[row for supply in w.equipment.supplies for row in _circuit(w, h, supply, group)],
    ]  # fmt: skip
    if w.equipment.heat["kind"] == "gas":
        rows.append(("gas", group, w.t("Gas valve at the unit"), "open" if h["gas_on"] else "shut",
                     _toggle(w, h["gas_on"], ("Open it", a.SetGas(True)), ("Shut it", a.SetGas(False)))))  # fmt: skip
    return rows


def _circuit(w: Words, h: Mapping[str, Any], supply: str, group: str) -> list[Row]:
    """Breaker, disconnect, lock and tag of one supply; its title stands in their names where there is more than one."""
    of = f" ({w.t(w.equipment.supplies[supply].title)})" if len(w.equipment.supplies) > 1 else ""
    on, closed = supply not in h["breakers_off"], supply not in h["disconnects_open"]

    def has(table: str, device: str) -> bool:
        return [device, supply] in [list(x) for x in h[table]]

    states = ["left on" if on else "left off"]
    states += [word for table, word in (("locks", "your lock on it"), ("tags", "your tag on it")) if has(table, "breaker")]
    return [
        (of_supply("breaker", supply), group, w.t("Panel breaker") + of, ", ".join(w.t(x) for x in states), [
            *_does(w, ("Look at its handle", a.Look("panel")), ("Put it fully off, then on", a.SetBreaker(True, supply)),
                   ("Put it off", a.SetBreaker(False, supply))),
            *_toggle(w, has("locks", "breaker"), ("Put your lock on it", a.SetLock(True, supply, "breaker")),
                     ("Take your lock off it", a.SetLock(False, supply, "breaker"))),
            *_toggle(w, has("tags", "breaker"), ("Hang your tag on it", a.SetTag(True, supply, "breaker")),
                     ("Take your tag off it", a.SetTag(False, supply, "breaker"))),
        ]),
        (of_supply("disconnect", supply), group, w.t("Disconnect") + of, "closed" if closed else "open",
         _toggle(w, closed, ("Close it", a.SetDisconnect(True, supply)), ("Open it", a.SetDisconnect(False, supply)))),
        (of_supply("lock", supply), group, w.t("Your lock") + of, "on the disconnect" if has("locks", "disconnect") else "off",
         _toggle(w, has("locks", "disconnect"), ("Put it on the disconnect", a.SetLock(True, supply)),
                 ("Take it off", a.SetLock(False, supply)))),
        (of_supply("tag", supply), group, w.t("Your tag") + of, "on the disconnect" if has("tags", "disconnect") else "off",
         _toggle(w, has("tags", "disconnect"), ("Hang it on the disconnect", a.SetTag(True, supply)),
                 ("Take it off", a.SetTag(False, supply)))),
    ]  # fmt: skip


_KINDS = {"gas_furnace": "Furnace", "air_handler": "Air handler", "outdoor_unit": "Outdoor unit"}
_APART = ("around", "panel", "fuse", "control_module", "wheel")  # places with rows of their own


def _stir(w: Words, where: str) -> list[Control]:
    """What hands can try on wires and plugs to bring out a fault that comes and goes."""
    return _does(w, ("Move it with an insulated stick, and watch", a.Wiggle(where)),
                 ("Warm it with a hot-air gun, and watch", a.Warm(where)))  # fmt: skip


def _unit(w: Words, h: Mapping[str, Any]) -> list[Row]:
    e, group = w.equipment, _KINDS.get(w.equipment.kind, "Unit")
    door = _toggle(w, h["door_on"], ("Put it on", a.SetDoor(True)), ("Take it off", a.SetDoor(False)))
    rows: list[Row] = [("door", group, w.t(door_word(e)), "on" if h["door_on"] else "off", door)]
    if e.protection["door_switch"]:
        rows.append(_door_switch(w, h, group))
    if e.board:
        rows.append(("status", group, w.t("Board status"), "", _does(w, ("Read it through the glass", a.ReadStatus()))))
    rows += [_selector(w, h, group, name) for name in e.selectors]
    for place, inside in e.places.items():
        if place not in _APART:
            does = _does(w, ("Look closely", a.Look(place)))
            if place == "capacitor" and e.module.get("capacitors"):
                does += _does(w, ("Hold the rated resistor across its terminals", a.Discharge("capacitor")))
            rows.append((f"look_{place}", group, w.name("place", place), "", does + (_stir(w, place) if inside else [])))
    if "fuse" in e.places:
        rows.append(("fuse", group, w.name("place", "fuse"), "", _does(w, ("Look closely", a.Look("fuse"))) + _stir(w, "fuse")))
    if e.protection["rollout"]:
        reset = _does(w, ("Press it", a.ResetSafety("rollout")))
        rows.append(("rollout", group, w.t("Manual reset of the rollout switch"), "", reset))
    looks = _does(w, ("Look closely", a.Look("wheel"))) if "wheel" in e.places else []
    turn = _does(w, ("Turn it by hand", a.TurnShaft()))
    stir = _stir(w, "wheel") if "wheel" in e.places else []
    rows.append(("wheel", group, w.name("place", "wheel"), "", [*looks, *turn, *stir]))
    if e.electronic:
        rows.append(_control(w, h, group))
    return rows


def _door_switch(w: Words, h: Mapping[str, Any], group: str) -> Row:
    pressed = "taped in" if h["switch_taped"] else "held in by hand" if h["switch_held"] else \
        "pressed by the door" if h["door_on"] else "not pressed"  # fmt: skip
    return ("door_switch", group, w.t("Door switch"), pressed, [
        *_toggle(w, h["switch_held"], ("Hold it in by hand", a.HoldDoorSwitch(True)),
                 ("Let go", a.HoldDoorSwitch(False))),
        *_toggle(w, h["switch_taped"], ("Tape it in", a.TapeDoorSwitch(True)),
                 ("Take the tape off", a.TapeDoorSwitch(False))),
    ])  # fmt: skip


def _selector(w: Words, h: Mapping[str, Any], group: str, name: str) -> Row:
    """A board switch; how it stood before hands set it is for eyes to find out."""
    set_to = {str(n): bool(on) for n, on in h["selectors"]}
    state = "as found" if name not in set_to else "on" if set_to[name] else "off"
    return (f"selector_{name}", group, w.name("selector", name), state,
            _does(w, ("Set it on", a.SetSelector(name, True)), ("Set it off", a.SetSelector(name, False))))  # fmt: skip


def _control(w: Words, h: Mapping[str, Any], group: str) -> Row:
    opened = h["control_open"]
    return ("control_module", group, w.name("place", "control_module"), "open" if opened else "closed", [
        *(_does(w, ("Look closely", a.Look("control_module"))) if "control_module" in w.equipment.places else []),
        *_toggle(w, not opened, ("Close it", a.CloseControl()), ("Unscrew and open it", a.OpenControl())),
        *_does(w, ("Hold the rated resistor across the bus points", a.Discharge())),
        *(_stir(w, "control_module") if "control_module" in w.equipment.places else []),
    ])  # fmt: skip


def _plugs(w: Words, h: Mapping[str, Any]) -> list[Row]:
    return [
        (name, "Plugs", w.name("connector", name), "apart" if name in h["parted"] else "plugged in", [
            *_does(w, ("Look at it and its latch", a.Look(name))),
            *_toggle(w, name not in h["parted"], ("Plug it in", a.PlugIn(name)),
                     ("Release the latch and pull it apart", a.Unplug(name))),
            *_stir(w, name),
        ])
        for name in w.equipment.connectors
    ]  # fmt: skip


def _wires(w: Words, h: Mapping[str, Any]) -> list[Row]:
    return [
        (f"wire_{name}", "24 V wires", w.name("wire", name), "off" if name in h["lifted"] else "on",
         _toggle(w, name not in h["lifted"], ("Put it back", a.LandWire(name)), ("Take it off", a.LiftWire(name))))
        for name in w.equipment.liftable
    ]  # fmt: skip


def in_port(words: Words, hands: Mapping[str, Any], port: str) -> list[str]:
    """What hoses and probes stand in `port`, in words."""
    hoses = [label("hose", str(n), None, words.language) for n, at in hands["hoses"] if at == port]
    return hoses + [label("probe", str(n), None, words.language) for n, at in hands["probes"] if at == port]


def _ports(w: Words, h: Mapping[str, Any]) -> list[Row]:
    """The test ports, each with what goes into it. The buttons keep their places, so that the keyboard stays on them."""
    rows: list[Row] = []
    for k, port in enumerate(w.equipment.air.ports if w.equipment.air else ()):
        opened = port.name in h["ports_open"]
        does = _toggle(w, not opened, ("Plug it", a.PlugPort(port.name)), ("Open it", a.OpenPort(port.name)))
        for hose in get_args(a.Hose):
            there = [hose, port.name] in [list(x) for x in h["hoses"]]
            text = "Take the {0} out" if there else "Put the {0} in"
            act = a.PlaceHose(hose, "" if there else port.name)
            does.append({"label": w.t(text).format(label("hose", hose, None, w.language)), "act": _act(act)})
        for probe in get_args(a.Probe):
            there = [probe, port.name] in [list(x) for x in h["probes"]]
            text = "Take the {0} out" if there else "Put the {0} in"
            put = a.PlaceProbe(probe, "" if there else port.name)
            does.append({"label": w.t(text).format(label("probe", probe, None, w.language)), "act": _act(put)})
        state = ", ".join([w.t("open") if opened else w.t("plugged"), *in_port(w, h, port.name)])
        name = w.t("Port {0}: {1}").format(k + 1, label("port", port.name, w.equipment, w.language))
        rows.append((f"port_{port.name}", "Air", name, state, does))
    return rows


def _tools(w: Words, h: Mapping[str, Any]) -> list[Row]:
    group = "Your tools"
    worn = [
        (item, group, w.name("item", item), "worn" if item in h["worn"] else "not worn",
         _toggle(w, item in h["worn"], ("Put on", a.Wear(item)), ("Take off", a.Wear(item, False))))
        for item in get_args(a.Item)
    ]  # fmt: skip
    if not w.equipment.source:
        return worn
    where = (
        f"{w.t('on the motor')} ({_adapter(w, h['source_adapter'])})"
        if h["source_fitted"]
        else translate("off", w.language, "reference source")
    )
    clips = "clips on R and C" if h["source_clipped"] else "clips off"
    fits = []
    for adapter in get_args(a.Adapter):
        if h["source_fitted"] and h["source_adapter"] == adapter:
            fits += _does(w, ("Take it off the motor", a.FitSource(False)))
        else:
            text = w.t("Fit it on the motor with the {0}").format(_adapter(w, adapter))
            fits.append({"label": text, "act": _act(a.FitSource(True, adapter))})
    return [
        ("source", group, w.t("Reference source"), f"{where}, {w.t(clips)}", [
            *fits,
            *_toggle(w, h["source_clipped"], ("Clip it on R and C of the board", a.ClipSource(True)),
                     ("Take its clips off", a.ClipSource(False))),
        ]),
        ("source_switch", group, w.t("Switch of the reference source"), "run" if h["source_on"] else "off",
         _toggle(w, h["source_on"], ("Give the run command", a.SwitchSource(True)),
                 ("End the run command", a.SwitchSource(False)))),
        *worn,
    ]  # fmt: skip


def _adapter(w: Words, adapter: str) -> str:
    return label("adapter", adapter, None, w.language)


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
            *_does(w, ("Wait 10 s", a.Wait(10)), ("Wait 1 min", a.Wait(60)), ("Wait 5 min", a.Wait(300))),
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
