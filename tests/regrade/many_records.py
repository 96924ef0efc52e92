"""Many records out of a few calls: each the same acts in the name of another person, so that every sheet is another one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.record import GENESIS, chained
from blowergrade.regrade import Wanted

UNIT, COMPLAINT = "furnace_120_constant_airflow", "no_fan_new_thermostat"


def looks(bench: LocalBench) -> None:
    """Calls for the fan and waits."""
    bench.act(a.SetThermostat("fan"))
    bench.act(a.Wait(30))


def measures(bench: LocalBench) -> None:
    """One reading at the board."""
    looks(bench)
    bench.act(a.SetMeter("volts_ac"))
    bench.act(a.PlaceLead("black", "board.C"))
    bench.act(a.PlaceLead("red", "board.G"))
    bench.act(a.ReadMeter())


def endangers(bench: LocalBench) -> None:
    """Takes a plug out with the power on."""
    bench.act(a.SetDoor(False))
    bench.act(a.HoldDoorSwitch(True))
    bench.act(a.Unplug("power_plug"))


WORKS: tuple[Callable[[LocalBench], None], ...] = (looks, measures, endangers)
FAULTS = ("wall_G_open/0", "stat_no_fan/0")


def many(place: Path, count: int) -> tuple[Wanted, ...]:
    """`count` records in `place`, as wanted."""
    benches = []
    for fault in FAULTS:
        for work in WORKS:
            bench = LocalBench(UNIT, fault.partition("/")[0], COMPLAINT, variant="archive")
            work(bench)
            benches.append((fault, bench))
    place.mkdir(parents=True, exist_ok=True)
    return tuple(_written(place, benches, count))


def _written(place: Path, benches: list[tuple[str, LocalBench]], count: int) -> Iterator[Wanted]:
    for k in range(count):
        fault, bench = benches[k % len(benches)]
        header = msgspec.structs.replace(bench.header, person=f"person {k}")
        data, head = chained(GENESIS, header)
        for line in bench.lines:
            more, head = chained(head, line)
            data += more
        file = place / f"{k:05}.jsonl"
        file.write_bytes(data)
        yield Wanted(f"r{k:05}", str(file), fault)
