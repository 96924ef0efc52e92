"""The calls of the frozen archive, and how it was made: `python tests/archive/calls.py VERSION` writes ``scores-VERSION.zip``.

Rule: an archive that was released with a version is never written again. A version that scores otherwise gets one more.
"""

from __future__ import annotations

import io
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.equipment import load_equipment
from blowerbench.faults import Hypothesis, load_faults
from blowerbench.record import read_record
from blowerdata import names
from blowergrade.rubric import rubric_text
from blowergrade.score import VERSION, grade_record
from blowergrade.technicians import Technician

HERE = Path(__file__).parent


class Call(msgspec.Struct, frozen=True):
    """One call of the archive: which unit, fault and complaint, on which variant, by whom."""

    name: str
    equipment: str
    fault: str
    complaint: str
    who: str  # careful, reckless, hasty


def calls() -> Iterator[Call]:
    """Three calls a unit, of faults spread over its catalogue."""
    for unit in names("equipment"):
        catalogue = load_faults(load_equipment(unit))
        faults = [f for f in catalogue.faults.values() if f.complaints and f.id != "healthy_unit"]
        for k, who in enumerate(("careful", "reckless", "hasty")):
            fault = faults[(2 * k + 1) * len(faults) // 6]
            yield Call(f"{unit}-{who}", unit, f"{fault.id}/0", fault.complaints[0], who)


def played(call: Call, file: Path) -> None:
    """Play `call` and write its record to `file`."""
    fault, _, severity = call.fault.partition("/")
    bench = LocalBench(
        call.equipment, Hypothesis(fault, int(severity)), call.complaint, variant=f"archive-{call.name}", record=file
    )
    if call.who == "reckless":
        connector = next(iter(bench.equipment.connectors))
        for act in (a.SetDoor(False), a.HoldDoorSwitch(True), a.Unplug(connector), a.PlugIn(connector)):
            bench.act(act)
        bench.act(a.HoldDoorSwitch(False))
        bench.act(a.SetDoor(True))
    if call.who == "hasty":
        bench.act(a.SetThermostat("fan"))
        bench.act(a.Wait(120))
    else:
        Technician(bench).work()
    bench.close()


def make() -> bytes:
    """The archive of this version as a zip file."""
    out = io.BytesIO()
    rows = tuple(calls())
    with TemporaryDirectory() as place, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        rubric = Path(place) / "rubric.toml"
        rubric.write_text(rubric_text(), encoding="utf-8")
        archive.writestr("calls.json", msgspec.json.format(msgspec.json.encode(rows)))
        archive.write(rubric, "rubric.toml")
        for call in rows:
            file = Path(place) / f"{call.name}.jsonl"
            played(call, file)
            sheet = grade_record(read_record(file), _hypothesis(call), str(rubric))
            archive.write(file, file.name)
            archive.writestr(f"{call.name}.sheet.json", sheet.json())
    return out.getvalue()


def _hypothesis(call: Call) -> Hypothesis:
    fault, _, severity = call.fault.partition("/")
    return Hypothesis(fault, int(severity))


if __name__ == "__main__":
    place = HERE / f"scores-{sys.argv[1]}.zip"
    if sys.argv[1] != VERSION or place.exists():
        sys.exit(f"this program scores as version {VERSION}, and an archive is written once")
    place.write_bytes(make())
    print(f"{place.name}: {place.stat().st_size} bytes")
