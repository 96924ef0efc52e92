"""A scripted technician, competent, who works as taught.

Rule: a technician sees only what the bench shows, and knows the catalogue and the unit's own measuring lists. It is used by
tests, by the demo and as the procedure whose cost full isolation marks are measured against. A step that a unit has nothing
for (no door switch, no control module, no reference source, no air path) is left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from itertools import pairwise

from blowerbench import acts as a
from blowerbench.bench import LocalBench
from blowerbench.equipment import MAIN
from blowerbench.faults import NO_FAULT, load_faults
from blowerbench.hands import Hands
from blowerbench.observation import Accepted, Observation
from blowergrade import procedure as p
from blowergrade.evidence import Evidence
from blowergrade.safety import isolated
from blowergrade.safety_rules import DEAD_VOLTS

#: Simulated seconds of steady running before temperatures are read, and for which an intermittent is waited for.
STEADY = 900
#: Seconds in which a hot unit cools down with no call, and between two looks while a call is watched.
COOLING, WATCH = 1200, 5
#: What is asked with the wheel in hand, not with the eyes.
NOT_LOOKED_AT = ("around", "panel")


class Known(Exception):  # noqa: N818 - it is good news, no error
    """Raised inside a technician when the evidence leaves one correction unit, to end the search there."""


class Technician:
    """A competent technician at `bench`; `finish` says whether the call is carried through to the hand-over."""

    def __init__(self, bench: LocalBench, evidence: Evidence | None = None) -> None:
        self.bench = bench
        self.equipment = bench.equipment
        complaint = bench.session.complaint.id
        self.evidence = evidence or Evidence(self.equipment, load_faults(self.equipment), complaint)
        self.evidence.perceive_arrival(bench.last.senses)
        self.readings: list[str] = []
        self.searching = True
        self.runs = True  # whether the blower ran on every call on which a healthy one does
        self.never_stops = False  # whether it ran with no call
        self.cycles = False  # whether what is left can be on its limit or overload

    # ------------------------------------------------------------------ doing
    def do(self, acts: Iterable[a.Act]) -> Observation:
        """Play `acts` (a refusal is a mistake of the script) and take in what they show."""
        observation = self.bench.last
        for act in acts:
            if isinstance(act, a.LiftLead) and not self.hands.lead(act.lead):
                continue
            outcome = self.bench.act(act)
            if not isinstance(outcome, Accepted):
                raise RuntimeError(f"{act} was refused: {outcome.reason}")
            observation = outcome.observation
            self.note(act, observation)
            if self.searching:
                self.evidence.observe(act, observation)
        return observation

    def note(self, act: a.Act, observation: Observation) -> None:
        """Keep a reading for the write-up."""
        if not observation.shown:
            return
        shown = observation.shown[-1]
        if isinstance(act, a.PlaceLead):
            self.readings.append(f"{self.hands.lead('red')} to {self.hands.lead('black')} {shown.text} {shown.unit}")
        elif isinstance(act, a.ReadMeter) and self.hands.clamp:
            self.readings.append(f"{self.hands.clamp} {shown.text} {shown.unit}")

    @property
    def hands(self) -> Hands:
        """What the own hands have done."""
        return self.bench.session.now.hands

    def test(self, acts: Iterable[a.Act]) -> Observation:
        """Play `acts`; when what is left is one correction unit, the search is over."""
        observation = self.do(acts)
        self.cycles = self.cycles or any(x.vague for x in self.evidence.last.values())
        if self.searching and self.evidence.entailed:
            raise Known
        return observation

    def measure(self, pairs: Sequence[Sequence[str]]) -> None:
        """Measure pair after pair until the search is over."""
        for red, black in pairs:
            self.test(p.probe(red, black))

    def ohms(self, pairs: Sequence[Sequence[str]]) -> None:
        """Ohms on a locked, dead unit, leads zeroed; a run capacitor in the way is discharged first."""
        points = set(self.equipment.module.get("capacitor_points", ()))
        if any(points & set(pair) for pair in pairs):
            self.do(p.discharge_capacitor(self.equipment))
        self.do([*p.lift(), a.SetMeter("ohms"), a.ZeroLeads()])
        self.measure(pairs)

    def look(self, *, inside: bool) -> None:
        """Look at every place that is (or is not) behind the door."""
        for place, behind_door in self.equipment.places.items():
            if behind_door == inside and place not in NOT_LOOKED_AT:
                self.test([a.Look(place)])

    def status(self) -> list[a.Act]:
        """The board's status read, where there is a board."""
        return [a.ReadStatus()] if self.equipment.board else []

    def seconds(self, call: a.Call) -> int:
        """For how long `call` must stand before a healthy blower shows it."""
        return int(self.equipment.expect["seconds"][call])

    # ------------------------------------------------------------------ the procedure
    def work(self) -> None:
        """The whole call: search, declare, repair, verify, write up, hand over."""
        with suppress(Known):
            self.search()
        if self.hands.ended:
            return
        self.conclude()

    def search(self) -> None:
        """Trade order: senses, calls, supply; if it runs, the air; live at the unit, plugs apart, source, opened control."""
        senses = self.test([a.Look("around")]).senses
        for danger, report in (("smell_of_gas", "gas_smell"), ("co_alarm", "co_alarm")):
            if danger in senses:
                self.do([a.Leave(report)])  # type: ignore[arg-type] # literals of Danger
                return
        self.calls()
        self.look(inside=False)
        self.do([*p.protect(), *p.prove_meter(self.equipment)])
        self.test([])
        self.test([*p.lift(), a.SetMeter("ohms"), a.ZeroLeads(), a.SetMeter("volts_ac")])
        down = self.tripped_supplies()
        if down:
            self.tripped(down)
        self.measure(self.equipment.pairs("in_box"))
        self.at_thermostat()
        if self.runs:
            self.airflow()
        self.live()
        self.rollout()
        self.from_cold()
        self.provoke()
        self.plug_apart()
        self.reference()
        self.shorts()
        self.wires_off()
        self.run_capacitor()
        self.opened()
        if not self.runs:
            self.airflow()
        self.breakers()

    def breakers(self) -> None:
        """The panel breakers opened, locked and tried as well, where one of them may not open."""
        faults, poles = self.evidence.catalogue.faults, {c for s in self.equipment.supplies.values() for c in s.breaker}
        if any(poles & set(faults[h.fault].target) for h in self.evidence.alive):
            self.safe(True)
            self.test([])

    def calls(self) -> None:
        """What runs on which call, the delays waited out, the status read."""
        senses = self.test([*self.status(), a.SetThermostat("off"), a.Wait(self.seconds("off"))]).senses
        self.never_stops = "blower_running" in senses
        for call in p.calls(self.equipment):
            wait = self.seconds(call)
            steps = (wait // 4, wait - wait // 4) if wait > 60 else (wait,)
            self.test([a.SetThermostat(call)])
            for part in steps:
                senses = self.test([a.Wait(part), *self.status()]).senses
            self.runs = self.runs and "blower_running" in senses
        self.test([a.SetThermostat("off")])

    def at_thermostat(self) -> None:
        """Demand at the thermostat, door on (with it off the thermostat has no supply)."""
        for call in p.calls(self.equipment)[:1]:
            self.test([*p.lift(), a.SetThermostat(call)])
            self.measure(self.equipment.pairs("thermostat"))
        self.do(p.lift())

    def safe(self, supply_side: bool = False) -> None:
        """Make safe as taught; where a proof finds voltage, the breakers go off and are locked too, and it is proved again."""
        self.do(p.lift())
        for side in (supply_side, True):
            before = len(self.bench.lines)
            self.do(p.make_safe(self.equipment, self.hands, side))
            if side or not self.found_live(before):
                return

    def found_live(self, since: int) -> bool:
        """Whether a reading taken at the unit after act number `since` showed voltage."""
        outlet = set(self.equipment.protection["live_source"])
        leads: dict[str, str] = {}
        for line in self.bench.lines[since:]:
            if isinstance(line.act, a.PlaceLead):
                leads[line.act.lead] = line.act.terminal
                shown = [s for s in line.observation.shown if s.instrument == "volts_ac"]
                if shown and not outlet & set(leads.values()) and abs(float(shown[0].text)) >= DEAD_VOLTS:
                    return True
        return False

    def tripped_supplies(self) -> list[str]:
        """The supplies whose breaker's handle stands tripped; with only one supply the panel does not name it."""
        said = self.test([a.Look("panel")]).said
        return [(*s.args, MAIN)[0] for s in said if s.id.startswith("breaker_handle_tripped")]

    def tripped(self, supplies: Sequence[str]) -> None:
        """The breaker has tripped: look for the short dead; where none is found, put it back once and see."""
        plug = str(self.equipment.module.get("plug", ""))
        self.safe()
        self.door_off()
        self.look(inside=True)
        if plug:
            self.test([*p.pull(self.equipment, self.hands, plug), a.Look(plug)])
        self.ohms(self.equipment.pairs("line_ohms"))
        self.do([*p.put_back(self.equipment, self.hands), a.SetDoor(True), a.SetMeter("volts_ac")])
        self.do(p.energise(self.equipment, self.hands))
        for name in supplies:
            self.test([a.SetBreaker(False, name), a.SetBreaker(True, name)])

    def door_off(self) -> None:
        """The blower door or access panel off, if it is on."""
        if self.hands.door_on:
            self.do([a.SetDoor(False)])

    def live(self) -> None:
        """Door off, switch held by hand: call after call its 24 V, demand, command and line; then amps."""
        self.do(p.lift())
        self.door_off()
        for k, call in enumerate(p.calls(self.equipment)):
            self.do([*p.lift(), a.SetMeter("volts_ac")])
            self.do(p.call_and_hold(self.equipment, self.hands, call))
            self.test([a.Wait(20 if call == "heat" else 6), *self.status()])
            if k == 0:
                self.look(inside=True)
            pairs = self.equipment.pairs(f"live_{call}")
            self.measure(pairs)
            if call == "heat":  # the blower's own command comes late in the sequence
                self.test([*p.lift(), a.Wait(self.seconds(call)), *self.status()])
                self.measure([x for x in pairs if self.equipment.connector_of.keys() & set(x)])
            if k == 0:
                self.other_meters(call)
        self.do(p.lift())

    def other_meters(self, call: str) -> None:
        """The same call with the meter that loads, with the one for DC commands, and with the clamp."""
        e = self.equipment
        common = e.board["supply"][1] if e.board else ""
        demand = [(node, common) for name, node in e.board.get("inputs", {}).items() if name == call]
        self.do([*p.lift(), a.SetMeter("low_z")])
        self.measure([*demand, *e.pairs("apart")])
        if e.module.get("input_line") == "dc" or e.module["kind"] == "serial":
            self.do([*p.lift(), a.SetMeter("volts_dc")])
            plug = e.connectors[str(e.source["connector"])]
            nodes = {*plug.harness, *plug.device}
            self.measure([x for x in e.pairs(f"live_{call}") if nodes & set(x)])
        self.do([*p.lift(), a.SetMeter("clamp")])
        for (conductor,) in e.pairs("clamp"):
            self.test([a.PlaceClamp(conductor), a.ReadMeter()])
        self.do([a.PlaceClamp(""), a.SetMeter("volts_ac")])

    def from_cold(self) -> None:
        """It cycles on limit or overload: cooled down first, then the heat call from its beginning, watched and measured."""
        if not self.cycles or "heat" not in p.calls(self.equipment):
            return
        self.restored()
        self.test([a.SetThermostat("off"), a.Wait(COOLING), a.SetThermostat("heat")])
        for _ in range((self.seconds("heat") + 120) // WATCH):
            self.test([a.Wait(WATCH), *self.status()])
        self.test([a.SetThermostat("off"), a.Wait(COOLING)])
        self.door_off()
        self.do([a.SetMeter("volts_ac"), *p.call_and_hold(self.equipment, self.hands, "heat")])
        self.test([a.Wait(self.seconds("heat")), *self.status()])
        self.measure(self.equipment.pairs("live_heat"))
        self.do([*p.lift(), a.SetThermostat("off")])

    def rollout(self) -> None:
        """A rollout that is open: dead, burner and wiring looked at, then its reset pressed once."""
        rolled = any("rollout" in h.fault or "rolls_out" in h.fault for h in self.evidence.alive)
        if not self.equipment.protection["rollout"] or not rolled:
            return
        self.safe()
        self.test([a.Look("wiring"), a.ResetSafety("rollout")])

    def provoke(self) -> None:
        """An intermittent: wait for it on each call; then, running, move and warm every plug and place in turn."""
        faults = self.evidence.catalogue.faults
        if not any(faults[h.fault].when for h in self.evidence.alive):
            return
        self.restored()
        for call in p.calls(self.equipment):
            self.test([a.SetThermostat(call)])
            for _ in range(3):
                self.caught(call, self.test([a.Wait(STEADY // 2), *self.status()]))
        self.door_off()
        call = p.calls(self.equipment)[0]
        inner = [n for n, c in self.equipment.connectors.items() if not c.behind_cover]
        places = [n for n, behind_door in self.equipment.places.items() if behind_door]
        for where in (*inner, *places):
            for act in (a.Wiggle(where), a.Warm(where)):
                self.do(p.call_and_hold(self.equipment, self.hands, call))
                self.test([a.Wait(30)])
                self.caught(call, self.test([act]))

    def caught(self, call: a.Call, observation: Observation) -> None:
        """It has just quit: measure at once what the call needs, with the unit as it is."""
        if "blower_running" in observation.senses or self.hands.door_on:
            return
        self.do([a.SetMeter("volts_ac")])
        self.measure(self.equipment.pairs(f"live_{call}"))
        self.do(p.lift())

    def restored(self) -> None:
        """The unit put together, door on and power on, whatever was apart before."""
        self.do(p.lift())
        if self.hands.parted or self.hands.lifted or self.hands.source_fitted or self.hands.control_open:
            self.safe()
            self.do(p.put_back(self.equipment, self.hands))
        self.do([] if self.hands.door_on else [a.SetDoor(True)])
        self.do(p.energise(self.equipment, self.hands))

    # ------------------------------------------------------------------ the air
    def airflow(self) -> None:
        """It runs: static pressures at the ports and drops between them, temperatures after a steady quarter of an hour."""
        air = self.equipment.air
        if air is None or not p.calls(self.equipment):
            return
        self.restored()
        ports = tuple(port.name for port in air.ports)
        call = p.calls(self.equipment)[-1]
        self.test([a.SetThermostat(call), a.Wait(self.seconds(call))])
        self.do(p.open_ports(self.hands, ports))
        self.test(p.hoses(*air.external))
        for upstream, downstream in pairwise(ports):
            self.test(p.hoses(downstream, upstream))
        for port in ports:
            self.test(p.hoses(port, ""))
        self.do(p.hoses("", ""))
        if "heat" in p.calls(self.equipment):
            self.test([a.SetThermostat("heat"), a.PlaceProbe("first", ports[0])])
            far = [port.name for port in air.ports if not port.near_heat][-1]
            self.test([a.PlaceProbe("second", far), a.Wait(STEADY), *self.status()])
        self.do([*p.close_ports(self.hands), a.SetThermostat("off")])
        self.safe()
        self.door_off()
        self.look(inside=True)
        self.test([a.TurnShaft()])
        self.restored()

    # ------------------------------------------------------------------ plugs apart, and the source
    def plug_apart(self) -> None:
        """Power plug out, leads clipped dead, power on, read hands-off, dead again."""
        plug, pairs = str(self.equipment.module.get("plug", "")), self.equipment.pairs("apart")
        if not plug or not pairs:
            return
        self.safe()
        self.door_off()
        self.test([*p.pull(self.equipment, self.hands, plug), a.Look(plug)])
        for red, black in pairs:
            self.do([*p.probe(red, black, clip=True), *p.energise(self.equipment, self.hands)])
            self.test([a.ReadMeter()])
            self.do([*p.lock_out(self.equipment, self.hands), *p.prove_dead(self.equipment)])

    def reference(self) -> None:
        """Control plug out, its pins looked at, the reference source in its place; power back, run command."""
        e, source = self.equipment, self.equipment.source
        if not source:
            return
        control, power = str(source["connector"]), str(e.module["plug"])
        if not isolated(e, self.hands):
            self.safe()
        self.door_off()
        self.test([*p.pull(e, self.hands, control), a.Look(control)])
        self.do(p.fit_source(e, self.hands))
        self.do([a.PlugIn(power)] if power in self.hands.parted else [])
        self.do(p.energise(e, self.hands))
        if e.board:
            self.test(p.probe(*e.board["supply"]))
        self.test([*p.lift(), a.SwitchSource(True), a.Wait(10)])
        self.measure(e.pairs("mated"))
        self.safe()
        self.do(p.source_off(e, self.hands))

    def shorts(self) -> None:
        """Fuse blown: ohms to common, dead, with each wire taken off in turn."""
        if not isolated(self.equipment, self.hands):
            self.safe()
        self.door_off()
        self.ohms(self.equipment.pairs("dead_ohms"))
        for wire, red, black in self.equipment.pairs("lift_ohms"):
            if wire not in self.hands.lifted:
                self.test([*p.lift(), a.LiftWire(wire)])
            self.measure([(red, black)])
        self.do([*p.lift(), *(a.LandWire(w) for w in sorted(self.hands.lifted))])

    def wires_off(self) -> None:
        """It runs with no call: the thermostat's wires off in turn, dead, and each time seen whether it still runs."""
        if not self.never_stops:
            return
        thermostat = {n for z in self.equipment.zones.values() if z.place == "thermostat" for n in z.nodes}
        for wire, *_ in self.equipment.pairs("lift_ohms"):
            part = self.equipment.wire(wire)
            if wire in self.equipment.liftable and thermostat & {part.a, part.b}:
                self.safe()
                self.do([a.LiftWire(wire), a.SetDoor(True)])
                self.do(p.energise(self.equipment, self.hands))
                self.test([a.Wait(self.seconds("off"))])
                self.do([a.SetMeter("volts_ac")])
                self.measure(self.equipment.pairs("thermostat"))
                self.safe()
                self.door_off()
                self.do([a.LandWire(wire)])

    def run_capacitor(self) -> None:
        """A split-capacitor motor: capacitor discharged and measured, its farads; then its windings and its shaft, plug out."""
        e = self.equipment
        if "capacitor_points" not in e.module:
            return
        self.safe()
        self.do(p.discharge_capacitor(e))
        plug = str(e.module["plug"])
        if plug:
            self.test([*p.pull(e, self.hands, plug), a.Look(plug)])
        self.do([a.SetMeter("farads")])
        self.measure([e.module["capacitor_points"]])
        self.test([*p.lift(), a.TurnShaft(), a.SetMeter("ohms"), a.ZeroLeads()])
        self.measure(e.pairs("windings"))
        self.do(p.lift())

    def opened(self) -> None:
        """Five minutes, open, measure the bus, winding plug out, ohms, shaft."""
        e = self.equipment
        if not e.electronic:
            return
        if not isolated(e, self.hands):
            self.safe()
        self.test([*([a.Look("control_module")] if "control_module" in e.places else []), a.TurnShaft()])
        self.do(p.pull(e, self.hands, str(e.module["plug"])))
        self.do([*p.prove_dead(e), a.Wait(300), a.OpenControl(), a.SetMeter("volts_dc")])
        self.bus()
        inner = str(e.module["winding_plug"])
        self.test([*p.pull(e, self.hands, inner), a.TurnShaft(), a.SetMeter("ohms"), a.ZeroLeads()])
        self.measure(e.pairs("windings"))

    def bus(self) -> None:
        """Measure the bus; discharge and measure again until it is under 50 V."""
        points = self.equipment.module["bus_points"]
        for _ in range(6):
            shown = self.test(p.probe(points[0], points[1])).shown[-1]
            if abs(float(shown.text)) < 50.0:
                break
            self.do([*p.lift(), a.Discharge()])
        self.do(p.lift())

    # ------------------------------------------------------------------ the end of the call
    def conclude(self) -> None:
        """Declare what is entailed (or, failing that, most likely), repair it, verify, write up."""
        left = self.evidence.alive
        likely = max(left, key=lambda h: (self.evidence.mass([self.evidence.correction(h)]), h), default=None)
        catalogue = self.evidence.catalogue
        units = catalogue.corrections(likely) if likely is not None else (NO_FAULT,)
        fault = catalogue.faults[likely.fault] if likely is not None else None
        self.searching = False
        self.do([a.Declare(units)])
        if fault is not None and fault.stop_work:
            self.do([a.Leave(danger_of(fault.target))])
            return
        self.repair([u for u in units if u != NO_FAULT])
        if fault is not None and "flame.rolls_out" in (*fault.target, *dict(fault.also)):
            self.do([a.Look("wiring"), a.ResetSafety("rollout")])
        self.verify()
        report = a.WriteUp(
            complaint=self.bench.session.complaint.text,
            readings=tuple(dict.fromkeys(self.readings))[-8:],
            cause=" and ".join(units),
            correction=fault.repair if fault else "none",
            why=fault.why if fault else "nothing found",
            customer="what was found, what was done, what to watch",
        )
        self.do([report, a.Finish()])

    def repair(self, units: Sequence[str]) -> None:
        """Make safe first, repair, put everything back."""
        e = self.equipment
        rows = [e.units[u] for u in units]
        if units:
            self.safe(any(u.side == "supply" for u in rows))
            self.door_off()
            if e.electronic and (self.hands.control_open or any(u.opens_motor for u in rows)):
                self.do([a.Wait(300)])
            if "capacitor_points" in e.module and any(u.opens_motor or "capacitor" in u.name for u in rows):
                self.do(p.discharge_capacitor(e))
            self.do(a.Repair(unit) for unit in units)
            if "fuse" in e.places and "fuse_element_gone" in [s.id for s in self.do([a.Look("fuse")]).said]:
                self.do([a.Look("wiring"), a.Repair(str(e.protection["fuse"]))])
        elif self.hands.parted or self.hands.lifted or self.hands.source_fitted or self.hands.control_open:
            self.safe()
        self.do(p.put_back(e, self.hands))

    def verify(self) -> None:
        """Volts under load and amps with the switch held; then door on, every call, static, safeties back, off."""
        e, calls = self.equipment, p.calls(self.equipment)
        self.do(p.lift())
        self.door_off()
        for name in self.tripped_supplies():
            self.do([a.SetBreaker(False, name), a.SetBreaker(True, name)])
        if not self.hands.meter_inspected:
            self.do(p.protect())
        self.do(p.energise(e, self.hands))
        self.do(p.call_and_hold(e, self.hands, calls[0]))
        self.do([a.Wait(15), a.SetMeter("volts_ac")])
        for red, black in e.pairs("under_load"):
            self.do([*p.probe(red, black), *p.lift()])
        conductor = e.pairs("clamp")[0][0]
        self.do([a.SetMeter("clamp"), a.PlaceClamp(conductor), a.ReadMeter(), a.PlaceClamp("")])
        self.do([*([a.HoldDoorSwitch(False)] if self.hands.switch_held else []), a.SetDoor(True)])
        for call in calls:
            self.do([a.SetThermostat(call), a.Wait(self.seconds(call)), a.Look("around")])
        if e.air is not None:
            self.do([*p.open_ports(self.hands, e.air.external), *p.hoses(*e.air.external), a.Wait(5)])
            self.do(p.close_ports(self.hands))
        self.do([a.SetThermostat("off"), a.Wait(self.seconds("off"))])


def danger_of(settings: Iterable[str]) -> a.Danger:
    """What to report when leaving because of a fault that changes these device settings."""
    return "co_alarm" if "co.alarm" in settings else "gas_smell"
