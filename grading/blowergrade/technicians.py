"""A scripted technician, competent, who works as taught.

Rule: a technician sees only what the bench shows, and knows the catalogue. It is used by tests, by the
demo and as the procedure whose cost full isolation marks are measured against.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress

from blowerbench import acts as a
from blowerbench.bench import LocalBench
from blowerbench.faults import NO_FAULT, load_faults
from blowerbench.hands import Hands
from blowerbench.observation import Accepted, Observation
from blowergrade import procedure as p
from blowergrade.evidence import Evidence

#: Live readings at the unit on a fan call, in the order taught: 24 V first, then line from the disconnect inward.
LIVE_FAN = (
    ("board.R", "board.C"), ("board.G", "board.C"), ("board.KF", "board.C"),
    ("control.h3", "control.h1"), ("control.m3", "control.m1"),
    ("door.line", "box.N"), ("door.load", "box.N"), ("door.line", "door.load"),
    ("board.L", "box.N"), ("board.L", "board.N"), ("board.L", "cabinet.G"),
    ("transformer.P1", "transformer.P2"), ("transformer.S1", "transformer.S2"), ("board.SEC", "board.C"),
    ("board.ML", "board.MN"), ("power.h3", "power.h5"), ("power.h3", "power.h2"), ("power.m3", "power.m5"),
)  # fmt: skip

#: Live readings on a heat call: demand, then across each safety, then what each stage is given.
LIVE_HEAT = (
    ("board.W", "board.C"), ("limit.1", "limit.2"), ("limit.2", "rollout.1"), ("rollout.1", "rollout.2"),
    ("board.LS", "board.C"), ("pressure.1", "pressure.2"), ("board.PS", "board.C"), ("inducer.1", "inducer.2"),
    ("igniter.1", "igniter.2"), ("board.KH", "board.C"), ("control.h6", "control.h1"),
)  # fmt: skip

AT_THERMOSTAT = (("stat.R", "stat.C"), ("stat.G", "stat.C"), ("stat.W", "stat.C"))
IN_BOX = (("box.L", "box.N"), ("box.L", "box.G"), ("box.N", "box.G"), ("box.L_out", "box.N"))
DEAD_OHMS = (("board.R", "board.C"), ("board.G", "board.C"), ("board.Y", "board.C"))
WINDINGS = (
    ("winding.m1", "winding.m2"), ("winding.m2", "winding.m3"), ("winding.m3", "winding.m1"),
    ("winding.m1", "motor.frame"), ("winding.m2", "motor.frame"), ("winding.m3", "motor.frame"),
)  # fmt: skip


class Known(Exception):  # noqa: N818 - it is good news, no error
    """Raised inside a technician when the evidence leaves one correction unit, to end the search there."""


class Technician:
    """A competent technician at `bench`; `finish` says whether the call is carried through to the hand-over."""

    def __init__(self, bench: LocalBench) -> None:
        self.bench = bench
        self.equipment = bench.equipment
        self.evidence = Evidence(self.equipment, load_faults(self.equipment), bench.session.complaint.id)
        self.evidence.perceive_arrival(bench.last.senses)
        self.readings: list[str] = []
        self.searching = True

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
        if isinstance(act, a.PlaceLead) and observation.shown:
            shown = observation.shown[-1]
            self.readings.append(f"{self.hands.lead('red')} to {self.hands.lead('black')} {shown.text} {shown.unit}")

    @property
    def hands(self) -> Hands:
        """What the own hands have done."""
        return self.bench.session.now.hands

    def test(self, acts: Iterable[a.Act]) -> Observation:
        """Play `acts`; when what is left is one correction unit, the search is over."""
        observation = self.do(acts)
        if self.searching and self.evidence.entailed:
            raise Known
        return observation

    def measure(self, pairs: Sequence[tuple[str, str]]) -> None:
        """Measure pair after pair until the search is over."""
        for red, black in pairs:
            self.test(p.probe(red, black))

    # ------------------------------------------------------------------ the procedure
    def work(self) -> None:
        """The whole call: search, declare, repair, verify, write up, hand over."""
        with suppress(Known):
            self.search()
        if self.hands.ended:
            return
        self.conclude()

    def search(self) -> None:
        """Trade order: senses, calls, supply, live at the unit, plug apart, reference source, opened control."""
        if "smell_of_gas" in self.test([a.Look("around")]).senses:
            self.do([a.Leave("gas_smell")])
            return
        self.calls()
        self.do([*p.protect(), *p.prove_meter(self.equipment)])
        self.test([])
        self.test([a.LiftLead("red"), a.LiftLead("black"), a.SetMeter("ohms"), a.ZeroLeads(), a.SetMeter("volts_ac")])
        if "breaker_handle_tripped" in [s.id for s in self.test([a.Look("panel")]).said]:
            self.tripped()
        self.measure(IN_BOX)
        self.test([*p.lift(), a.SetThermostat("fan")])  # door on: with it off the thermostat has no supply
        self.measure(AT_THERMOSTAT)
        self.live()
        self.rollout()
        self.plug_apart()
        self.reference()
        self.shorts()
        self.opened()

    def calls(self) -> None:
        """What runs on which call, the delays waited out, the status read."""
        self.test([a.ReadStatus(), a.SetThermostat("off"), a.Wait(130)])
        self.test([a.SetThermostat("fan"), a.Wait(25), a.ReadStatus()])
        self.test([a.SetThermostat("heat"), a.Wait(45), a.ReadStatus(), a.Wait(110), a.ReadStatus()])
        self.test([a.SetThermostat("cool"), a.Wait(25), a.ReadStatus(), a.SetThermostat("off")])

    def tripped(self) -> None:
        """The breaker has tripped: look for the short dead, before anything is put back."""
        self.do([*p.lift(), *p.make_safe(self.equipment, self.hands)])
        self.test([a.SetDoor(False), a.Look("wiring"), a.Unplug("power_plug"), a.Look("power_plug")])
        self.do([a.SetMeter("ohms"), a.ZeroLeads()])
        self.measure(
            (("door.load", "cabinet.G"), ("power.h3", "cabinet.G"), ("power.m3", "power.m5"), ("power.m3", "power.m2"))
        )

    def live(self) -> None:
        """Door off, switch held by hand, a fan call: 24 V, demand, command, line; then a heat call if that tells more."""
        self.do([*p.lift(), *([a.SetDoor(False)] if self.hands.door_on else [])])
        self.do(p.call_and_hold(self.hands, "fan"))
        self.test([a.Wait(6), a.ReadStatus(), a.Look("fuse"), a.Look("wiring")])
        self.measure(LIVE_FAN)
        self.do([*p.lift(), a.SetMeter("low_z")])
        self.measure((("board.G", "board.C"), ("power.h3", "power.h2")))
        self.do([*p.lift(), a.SetMeter("clamp"), a.PlaceClamp("power_line")])
        self.test([a.ReadMeter()])
        self.do([a.PlaceClamp(""), a.SetMeter("volts_ac")])
        self.do([*p.lift(), *p.call_and_hold(self.hands, "heat")])
        self.test([a.Wait(20), a.ReadStatus()])
        self.measure(LIVE_HEAT)
        self.do(p.lift())

    def rollout(self) -> None:
        """A rollout that is open: dead, burner and wiring looked at, then its reset pressed once."""
        if not any("rollout" in h.fault or "rolls_out" in h.fault for h in self.evidence.alive):
            return
        self.do(p.make_safe(self.equipment, self.hands))
        self.test([a.Look("wiring"), a.ResetSafety("rollout")])

    def plug_apart(self) -> None:
        """Power plug out, leads clipped dead, power on, read hands-off, dead again."""
        self.do(p.make_safe(self.equipment, self.hands))
        self.test([a.Unplug("power_plug"), a.Look("power_plug")])
        for black in ("power.h5", "power.h2"):
            self.do([*p.probe("power.h3", black, clip=True), *p.energise(self.hands)])
            self.test([a.ReadMeter()])
            self.do([*p.lock_out(self.hands), *p.prove_dead(self.equipment)])

    def reference(self) -> None:
        """Control plug out, its pins looked at, the reference source in its place; power back, run command."""
        self.test([a.Unplug("control_plug"), a.Look("control_plug")])
        self.do([a.FitSource(True), a.ClipSource(True), a.PlugIn("power_plug")])
        self.do(p.energise(self.hands))
        self.test(p.probe("board.R", "board.C"))
        self.test([*p.lift(), a.SwitchSource(True), a.Wait(10)])
        self.measure((("power.h3", "power.h5"), ("power.m3", "power.m5")))
        self.do([*p.lift(), *p.make_safe(self.equipment, self.hands), *p.source_off(self.hands)])

    def shorts(self) -> None:
        """Fuse blown: ohms to common, dead, with each wire taken off in turn."""
        self.do([a.SetMeter("ohms"), a.ZeroLeads()])
        self.measure(DEAD_OHMS)
        wires = (("wall_R", "board.R"), ("limit_feed", "limit.1"), ("wall_G", "board.G"), ("wall_Y", "board.Y"))
        for wire, node in wires:
            self.test([*p.lift(), a.LiftWire(wire)])
            self.measure(((node, "board.C"),))
        self.do([*p.lift(), *(a.LandWire(w) for w in sorted(self.hands.lifted))])

    def opened(self) -> None:
        """Five minutes, open, measure the bus, winding plug out, ohms, shaft."""
        self.test([a.Look("control_module"), a.TurnShaft()])
        if "power_plug" not in self.hands.parted:
            self.do([a.Unplug("power_plug")])
        self.do([a.SetMeter("volts_ac"), *p.prove_dead(self.equipment), a.Wait(300), a.OpenControl(), a.SetMeter("volts_dc")])
        self.bus()
        self.test([a.Unplug("winding_plug"), a.TurnShaft(), a.SetMeter("ohms"), a.ZeroLeads()])
        self.measure(WINDINGS)

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
        self.searching = False
        self.do([a.Declare(units)])
        if "gas_train" in units:
            self.do([a.Leave("gas_smell")])
            return
        self.repair([u for u in units if u != NO_FAULT])
        self.verify()
        fault = catalogue.faults[likely.fault] if likely is not None else None
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
        if units:
            supply_side = not {"branch_circuit", "disconnect"}.isdisjoint(units)
            self.do([*p.lift(), *p.make_safe(self.equipment, self.hands, supply_side)])
            if self.hands.door_on:
                self.do([a.SetDoor(False)])
            if self.hands.control_open or not {"control_module", "motor"}.isdisjoint(units):
                self.do([a.Wait(300)])
            self.do(a.Repair(unit) for unit in units)
            if "fuse_element_gone" in [s.id for s in self.do([a.Look("fuse")]).said]:
                self.do([a.Look("wiring"), a.Repair("low_voltage_fuse")])
        elif self.hands.parted or self.hands.lifted or self.hands.source_fitted or self.hands.control_open:
            self.do([*p.lift(), *p.make_safe(self.equipment, self.hands)])
        self.do(p.put_back(self.hands))

    def verify(self) -> None:
        """Volts under load and amps with the switch held; then door on, every call, safeties back, off."""
        if self.hands.door_on:
            self.do([a.SetDoor(False)])
        if not self.hands.breaker_on or "breaker_handle_tripped" in [s.id for s in self.do([a.Look("panel")]).said]:
            self.do([a.SetBreaker(False), a.SetBreaker(True)])
        if not self.hands.meter_inspected:
            self.do(p.protect())
        self.do([*p.energise(self.hands), *p.call_and_hold(self.hands, "fan"), a.Wait(15), a.SetMeter("volts_ac")])
        self.do([*p.probe("power.h3", "power.h5"), *p.lift(), a.SetMeter("clamp"), a.PlaceClamp("power_line"), a.ReadMeter()])
        self.do([a.PlaceClamp(""), a.HoldDoorSwitch(False), a.SetDoor(True)])
        for call, seconds in (("fan", 20), ("heat", 150), ("cool", 20)):
            self.do([a.SetThermostat(call), a.Wait(seconds), a.Look("around")])  # type: ignore[arg-type] # literals of Call
        self.do([a.SetThermostat("off"), a.Wait(130)])
