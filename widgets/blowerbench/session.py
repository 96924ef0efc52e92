"""One service call being played: hands, unit and instruments together, for one hypothesis and one variant.

Rule: `play` is deterministic. The same acts give the same observations, here, on the exam service and in the grader.
"""

from __future__ import annotations

from dataclasses import dataclass

from msgspec.structs import replace

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue, Effects, Hypothesis, effects, effects_left, on_timeline
from blowerbench.hands import Hands, Refusal, decide, evolve
from blowerbench.instruments import Reading, connected, read_instruments
from blowerbench.motors import healthy_flow, overload_time
from blowerbench.observation import Observation, Said, Shown
from blowerbench.plant import FOREVER, TURNING, Plant, Switches, selector_closed, switches
from blowerbench.simulator import Simulator
from blowerbench.variant import NOMINAL, Variant
from blowerbench.warmth import limit_time, return_air


@dataclass(frozen=True, slots=True)
class Moment:
    """Hands and unit at one instant of a call."""

    hands: Hands
    plant: Plant


@dataclass(frozen=True, slots=True)
class Heard:
    """One act's observation together with the unrounded readings behind its displays (never recorded)."""

    observation: Observation
    readings: tuple[Reading, ...]
    also: tuple[Heard, ...] = ()  # what it might have shown as well, where the moment in a cycle can't be known
    vague: bool = False  # nothing of it decides anything: the unit cycles, and nobody asked it anything


def _trial(before: tuple[str, frozenset[str], frozenset[str], str], plant: Plant) -> str:
    """What a person sees who calls at the thermostat to try the controls."""
    motor, pulled, sounds, heater = before
    if motor in TURNING:
        return "controls_running"
    if plant.motor in TURNING:
        return "controls_started"
    if plant.motor in ("twitching", "humming", "hunting"):
        return "controls_hums"
    other = plant.pulled - pulled or plant.sounds - sounds or plant.heater != heater
    return "controls_other" if other else "controls_nothing"


#: How long after limit or overload last changed a unit counts as cycling, and the moments looked at then (seconds).
CYCLING, MOMENTS = 1800.0, (25.0, 60.0, 110.0, 180.0)
#: The moments looked at after limit or overload turned over; how near (K) to closing again each must be for that to matter.
TURNED, NEAR = (1.0, 30.0), 15.0
#: After a cold start limit and overload turn over so often at moments that tolerances bound, within so many seconds; each is
#: unsure by this fraction of the time since then.
SWITCHES, WARMING, UNSURE = 3, 600.0, 0.25
#: So many kelvin above the room (the winding: twice that) a unit has cooled, and no longer counts as cycling.
COOL = 10.0
#: The same for a starved motor that gives up and tries again every few seconds.
TRYING, TRIES = 90.0, (3.0, 6.0, 9.0, 12.0, 15.0)
#: Acts by which somebody asks the unit something; what is perceived beside any other act decides nothing while it cycles.
ASKING = (
    a.Look, a.ReadStatus, a.SetThermostat, a.Wait, a.PlaceLead, a.ReadMeter, a.TurnShaft, a.SwitchSource, a.PlaceClamp,
    a.LiftWire, a.TryControls, a.PlaceHose, a.PlaceProbe, a.Wiggle, a.Warm,
)  # fmt: skip


_MET = (Said("meter_looks_good"),)
#: Acts that only handle instruments, locks and tags: the unit is not asked for, and nothing of it is touched.
HANDLING = (a.Wear, a.InspectMeter, a.SetMeter, a.PlaceLead, a.LiftLead, a.SetLock, a.SetTag, a.PlaceClamp)

_latest: list[tuple[Equipment, Hands, a.Act, Hands]] = []


def _moved(equipment: Equipment, hands: Hands, act: a.Act) -> Hands:
    """Hands after `act`; the same object for the same `hands`, since a grader plays each act into hundreds of units."""
    for was, before, done, after in tuple(_latest):
        if before is hands and done is act and was is equipment:
            return after
    after = evolve(equipment, hands, act)
    _latest[:] = [(equipment, hands, act, after)]
    return after


class Session:
    """A call on `equipment` with `hypothesis` in it.

    A unit that is settled and has nothing due is not played while hands only handle instruments: it owes the seconds, and goes
    on for them when it is next asked for (`now`).
    """

    def __init__(
        self, equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis, variant: Variant, complaint: str,
        timeline: str = "natural",
    ) -> None:  # fmt: skip
        self.equipment, self.catalogue, self.hypothesis, self.variant = equipment, catalogue, hypothesis, variant
        self.complaint = equipment.complaints[complaint]
        self.spread = False  # whether `play` tells what other moments of a cycle would have shown
        self.timeline = timeline
        self.simulator = Simulator(equipment, on_timeline(effects(equipment, catalogue, hypothesis), timeline), variant)
        hands, plant = self.simulator.start(self.complaint.call)
        self._owed = 0.0  # seconds that the unit has yet to go on
        self._settled: Switches | None = None  # what it has settled for; None where that is not known
        self._sensed: tuple[Plant | None, bool, bool, tuple[str, ...]] = (None, False, False, ())
        self._now = Moment(hands, plant)

    @property
    def now(self) -> Moment:
        """Hands and unit at this instant."""
        if self._owed:
            hands, plant = self._now.hands, self._now.plant
            plant = self._cooled(self.simulator.advance(plant, hands, self._owed))
            self._now, self._owed = Moment(hands, plant), 0.0
        return self._now

    @now.setter
    def now(self, moment: Moment) -> None:
        self._now, self._owed, self._settled = moment, 0.0, None

    def copy(self) -> Session:
        """An independent session at the same moment (moments are immutable, so this is cheap)."""
        twin = object.__new__(Session)
        twin.__dict__.update(self.__dict__)
        return twin

    @property
    def fx(self) -> Effects:
        """What is wrong at this moment (nothing, once the right unit was repaired)."""
        return self.simulator.fx_at(self._now.plant)

    def decide(self, act: a.Act) -> Refusal | None:
        """Why hands can't do `act` now, or None."""
        return decide(self.equipment, self.now.hands, act)

    def play(self, act: a.Act) -> Heard:
        """Do the accepted `act`: move hands, clock and unit, and return what could be perceived."""
        hands = _moved(self.equipment, self._now.hands, act)
        handling = isinstance(act, HANDLING)
        if handling and self._rests(hands):
            return Heard(Observation(_MET if isinstance(act, a.InspectMeter) else (), self.senses(), ()), ())
        one = handling and self._settled == switches(hands) and self._now.plant.switched_at == -FOREVER
        owed = self._owed if one else 0.0  # what it owes and what this takes in one stretch
        before = self._now if owed else self.now
        plant = replace(before.plant, heard=frozenset()) if before.plant.heard else before.plant
        seconds = float(hands.clock - before.hands.clock)
        plant, said = self._consequences(act, before.hands, hands, plant)
        if isinstance(act, a.TryControls):
            off = plant.motor, plant.pulled, plant.sounds, plant.heater
            trial = replace(before.hands, thermostat=self.equipment.calls()[0])
            plant = self.simulator.advance(plant, trial, seconds / 2)
            said += (Said(_trial(off, plant)),)
            plant = self.simulator.advance(plant, hands, seconds / 2)
        elif isinstance(act, a.SetBreaker) and act.on and act.supply not in before.hands.breakers_off:
            fully = replace(hands, breakers_off=hands.breakers_off | {act.supply})  # a breaker is reset through a full off
            plant = self.simulator.advance(plant, fully, seconds / 2)
            plant = self.simulator.advance(plant, hands, seconds / 2)
        else:
            plant = self.simulator.advance(plant, hands, owed + seconds)
        plant = self._cooled(plant)
        self.now = Moment(hands, plant)
        self._settled = switches(hands)
        heard = () if isinstance(act, a.SetBreaker) else tuple(Said(x) for x in sorted(plant.heard))
        said += heard + self._answers(act, before)
        readings = read_instruments(self.equipment, self.simulator, hands, plant, self.variant)
        shown = tuple(r.shown for r in readings)
        if isinstance(act, a.ZeroLeads):
            touch = self._touched_leads()
            shown = (touch, *shown)
        starts = self._cycle(hands, plant) if self.spread else ()
        if starts and not isinstance(act, ASKING):
            return Heard(Observation(said, self.senses(), shown), readings, vague=True)
        also = self._other_moments(act, before, starts) if starts else ()
        return Heard(Observation(said, self.senses(), shown), readings, also)

    def _rests(self, hands: Hands) -> bool:
        """Whether nothing of the unit changes while hands handle instruments until `hands`; if so they have, and it owes that.

        It must have settled, have nothing due and not cycle, and nothing may be on any display.
        """
        plant, owed = self._now.plant, self._owed + hands.clock - self._now.hands.clock
        end = plant.time + owed
        if plant.quiet is None or plant.due <= end or end - plant.starved_at <= TRYING:
            return False
        if plant.switched_at != -FOREVER or (plant.due < FOREVER and self._turns_at(plant) < FOREVER):
            return False
        if self._settled is None or switches(hands) != self._settled or connected(hands):
            return False
        if plant.heard:
            plant = replace(plant, heard=frozenset())
        self._now, self._owed = Moment(hands, plant), owed
        return True

    def _cycle(self, hands: Hands, plant: Plant) -> tuple[tuple[Plant, tuple[float, ...]], ...]:
        """From where, and after how many seconds, other moments of a cycle are seen; none for a unit that does not cycle.

        Limit and overload are turned over as well, at the temperature at which they turn: however short one half of the
        cycle is, a look falls into it.
        """
        supplies = self.equipment.supplies
        off = hands.breakers_off | hands.disconnects_open
        if len(off) == len(supplies) or not (hands.door_switch_closed or len(supplies) > 1):
            return ()  # nothing of it has a supply
        if plant.time - plant.starved_at <= TRYING:
            return ((plant, TRIES),)
        if plant.time - plant.switched_at > CYCLING and self._turns_at(plant) - plant.time > plant.time - plant.heated_at:
            return ()
        warming = plant.time - plant.heated_at
        if plant.switches < SWITCHES and warming <= WARMING:
            near = UNSURE * warming
            if plant.time - plant.switched_at > near and self._turns_at(plant) - plant.time > near:
                return ()
            return tuple((turned, TURNED[:1]) for turned in self._turned(plant))
        return ((plant, MOMENTS), *((turned, TURNED) for turned in self._turned(plant)))

    def _turned(self, plant: Plant) -> list[Plant]:
        """`plant` with its limit, and with its overload, turned over at the temperature at which that happens."""
        heat, module = self.equipment.heat, self.equipment.module
        found = []
        if "limit_opens" in heat and (not plant.limit or plant.plenum > heat["limit_closes"] - NEAR):
            at = float(heat["limit_closes" if not plant.limit else "limit_opens"])
            found.append(replace(plant, limit=not plant.limit, plenum=at, quiet=None))
        if module.get("overload") and (plant.overloaded or plant.winding > module["overload_closes"] - NEAR):
            at = float(module["overload_closes" if plant.overloaded else "overload_opens"])
            found.append(replace(plant, overloaded=not plant.overloaded, winding=at, quiet=None))
        return found

    def _turns_at(self, plant: Plant) -> float:
        """When limit or overload will turn over if all goes on as it does."""
        equipment, variant = self.equipment, self.variant
        return min(limit_time(equipment, plant, variant), overload_time(equipment, plant, variant))

    def _cooled(self, plant: Plant) -> Plant:
        """`plant`, no longer counted as cycling once it has cooled: what comes next starts at a moment that is known."""
        if plant.switched_at == -FOREVER or plant.heat or plant.overloaded or not plant.limit:
            return plant
        if plant.plenum > self.room + COOL or plant.winding > self.room + 2 * COOL:
            return plant
        return replace(plant, switched_at=-FOREVER, switches=0)

    @property
    def room(self) -> float:
        """Degrees Celsius of the air around the unit."""
        return return_air(self.equipment, self.variant)

    def _other_moments(
        self, act: a.Act, before: Moment, starts: tuple[tuple[Plant, tuple[float, ...]], ...]
    ) -> tuple[Heard, ...]:
        """What `act` would have shown at other moments of the cycle that limit, overload or a starved motor goes through.

        Where in its cycle a unit stands depends on tolerances that nobody knows, and on the minute of arrival.
        """
        hands, found, twin = self.now.hands, list[Heard](), self.copy()
        for start, moments in starts:
            twin.now, gone = Moment(hands, start), 0.0
            for moment in moments:
                twin.now = Moment(hands, self.simulator.advance(twin.now.plant, hands, moment - gone))
                gone = moment
                readings = read_instruments(self.equipment, self.simulator, hands, twin.now.plant, self.variant)
                said = twin._answers(act, before)
                found.append(Heard(Observation(said, twin.senses(), tuple(r.shown for r in readings)), readings))
        plant = self.now.plant
        if isinstance(act, a.ReadStatus) and plant.alive:
            blowers = {h.observation.said[1:] for h in found if h.observation.said}
            statuses = {p.status for p in self.equipment.phases.values() if p.machine == "heater" and p.status}
            readings = found[0].readings
            for rest in blowers:
                found += [
                    Heard(Observation((Said(f"status_{x}"), *rest), o.senses, o.shown), readings)
                    for x in sorted(statuses) for o in (found[0].observation,)
                ]  # fmt: skip
        return tuple(found)

    def pass_over(self, act: a.Act) -> None:
        """Move hands and clock for `act` without letting the unit go on: for planning over many similar readings."""
        self.now = Moment(_moved(self.equipment, self.now.hands, act), self.now.plant)

    # ------------------------------------------------------------------ what an act does to the unit
    def _consequences(self, act: a.Act, before: Hands, hands: Hands, plant: Plant) -> tuple[Plant, tuple[Said, ...]]:
        match act:
            case a.SetBreaker(on=True, supply=supply):
                trips = tuple(x for x in plant.trips if x[0] != supply)
                plant = replace(plant, tripped=plant.tripped - {supply}, trips=trips, quiet=None)
            case a.Discharge(part="bus"):
                bus = plant.bus if plant.charged else plant.bus * 0.02
                plant = replace(plant, bus0=bus, bus_at=plant.time, bus=bus, quiet=None)
            case a.ResetSafety(safety="rollout"):
                plant = replace(plant, rollout=True, quiet=None)
            case a.TurnShaft() if plant.motor == "humming" and not self.fx.setting("motor.seized"):
                plant = replace(plant, pushed=True, quiet=None)
            case a.Wiggle(where=where) | a.Warm(where=where):
                plant = self._provoke(act, where, plant)
            case a.Repair(unit=unit):
                plant = self._renewed(unit, plant)
                left = effects_left(self.equipment, self.catalogue, self.hypothesis, hands.repaired)
                left = on_timeline(left, self.timeline)
                if left != self.simulator.fx:
                    self.simulator = Simulator(self.equipment, left, self.variant)
                    plant = replace(plant, quiet=None)
                return plant, (Said("repaired", (unit,)),)
            case _:
                pass
        return plant, ()

    def _renewed(self, unit: str, plant: Plant) -> Plant:
        """The plant with the state of the part that was put right as new: a fuse whole, a safety shut, a board not burnt."""
        p = self.equipment.protection
        if unit == self.equipment_fuse_unit:
            plant = replace(plant, fuse_blown=False, over_fuse=FOREVER, quiet=None)
        if unit == "rollout":
            plant = replace(plant, rollout=True, quiet=None)
        if unit in ("limit", p.get("limit")):
            plant = replace(plant, limit=True, quiet=None)
        if unit == "motor":
            plant = replace(plant, overloaded=False, winding=min(plant.winding, 40.0), pushed=False, quiet=None)
        if unit in ("board", "control_module"):
            burnt = plant.burnt - {"board" if unit == "board" else "module"}
            plant = replace(plant, burnt=burnt, quiet=None)
        return plant

    def _provoke(self, act: a.Act, where: str, plant: Plant) -> Plant:
        """A fault that comes and goes, brought out by hand: there at once, and for its rest time after the act."""
        when = self.simulator.fx.when
        wanted = "wiggle" if isinstance(act, a.Wiggle) else "warm"
        if when is None or (when.provoke, when.at) != (wanted, where):
            return plant
        return replace(plant, kept=plant.time + a.duration(act) + when.rest, quiet=None)

    @property
    def equipment_fuse_unit(self) -> str:
        """The correction unit that is just the low-voltage fuse."""
        return str(self.equipment.protection["fuse"])

    # ------------------------------------------------------------------ what an act answers
    def _answers(self, act: a.Act, before: Moment) -> tuple[Said, ...]:
        plant = self.now.plant
        match act:
            case a.Look(where=where):
                return self._sights(where)
            case a.ReadStatus():
                return self._status()
            case a.SetBreaker(on=True, supply=supply):
                return (Said("breaker_trips_again" if supply in plant.tripped else "breaker_stays"),)
            case a.TurnShaft():
                return (Said(self._shaft(before.plant)),)
            case a.InspectMeter():
                return _MET
            case a.ResetSafety(safety=safety):
                return (Said("reset_clicks" if safety == "rollout" and not before.plant.rollout else "reset_was_in"),)
            case a.Leave():
                return (Said("left_and_reported"),)
            case _:
                return ()

    def _sights(self, where: str) -> tuple[Said, ...]:
        plant, hands, found = self.now.plant, self.now.hands, [Said(s.says) for s in self.fx.sights if s.where == where]
        match where:
            case "panel":
                found += [self._handle(name) for name in self.equipment.supplies]
            case "fuse":
                found.append(Said("fuse_element_gone" if plant.fuse_blown else "fuse_element_whole"))
            case "registers":
                found.append(Said(self._air_felt()))
            case "selectors":
                for name in self.equipment.selectors:
                    on = selector_closed(self.equipment, self.fx, hands, name)
                    found.append(Said("selector_on" if on else "selector_off", (name,)))
            case _ if where in self.equipment.connectors and where not in hands.parted:
                found = [Said("connector_mated_nothing_shows")]
        return tuple(sorted(found)) or (Said("nothing_unusual"),)

    def _handle(self, supply: str) -> Said:
        """How the breaker's handle stands; its supply is named where there is more than one."""
        stands = "breaker_handle_on"
        if supply in self.now.hands.breakers_off:
            stands = "breaker_handle_off"
        elif supply in self.now.plant.tripped:
            stands = "breaker_handle_tripped"
        return Said(f"{stands}_of", (supply,)) if len(self.equipment.supplies) > 1 else Said(stands)

    def _air_felt(self) -> str:
        """What a hand at the registers feels, against a healthy unit on the same command."""
        usual, flow = healthy_flow(self.equipment, NOMINAL, self.now.plant), self.now.plant.point.flow
        if flow <= 0.05 * usual:
            return "air_none"
        return "air_strong" if flow >= 0.85 * usual else "air_weak"

    def _status(self) -> tuple[Said, ...]:
        plant = self.now.plant
        if not self.equipment.board:
            return (Said("status_no_board"),)
        if not plant.alive:
            return (Said("status_dark"),)
        lines = [self.equipment.phases["heater", plant.heater].status, self.equipment.phases["blower", plant.blower].status]
        return tuple(Said(f"status_{s}") for s in lines if s)

    def _shaft(self, plant: Plant) -> str:
        if plant.motor in (*TURNING, "coasting"):
            return "wheel_is_turning"
        if plant.motor == "humming" and not self.fx.setting("motor.seized"):
            return "wheel_pushed"
        if self.fx.setting("motor.seized"):
            return "shaft_seized"
        if self.fx.setting("motor.rough"):
            return "shaft_rough_stiff" if self.fx.setting("motor.drag") else "shaft_rough"
        apart = self.equipment.module.get("winding_plug") in self.now.hands.parted
        shorted = self.fx.setting("module.output_short") and not apart
        if self.fx.setting("motor.drag"):
            return "shaft_stiff"
        turns = self.fx.setting("motor.turn_short")
        if shorted or turns:
            return "shaft_drags"
        return "shaft_free" if self.equipment.electronic else "shaft_free_plain"

    def senses(self) -> tuple[str, ...]:
        """What goes on being heard, seen or smelled where the learner stands, as message ids."""
        plant, hands = self._now.plant, self._now.hands
        known, clipped, left, said = self._sensed
        if known is plant and clipped == hands.source_clipped and left == hands.left:
            return said
        said = self._sense(plant, hands)
        self._sensed = (plant, hands.source_clipped, hands.left, said)
        return said

    def _sense(self, plant: Plant, hands: Hands) -> tuple[str, ...]:
        found = [f"blower_{plant.motor}", *plant.sounds]
        if plant.point.limit:
            found.append("blower_loud")
        if plant.inducer_at < float("inf"):
            found.append("inducer_running")
        if plant.flame:
            found.append("burner_lit")
        if self.fx.setting("gas.smell") and not hands.left:
            found.append("smell_of_gas")
        if self.fx.setting("co.alarm") and not hands.left:
            found.append("co_alarm")
        if hands.source_clipped:
            found.append("source_lamp_lit" if plant.lamp else "source_lamp_dark")
        if plant.chatters:
            found.append("relay_chatters")
        return tuple(sorted(found))

    def _touched_leads(self) -> Shown:
        if self.fx.setting("lead.open") or self.fx.setting("meter.fuse_blown"):
            return Shown("leads", "OL", "ohm")
        return Shown("leads", "0.2", "ohm")
