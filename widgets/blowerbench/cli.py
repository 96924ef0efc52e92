"""The apprentice's command: `blowerbench course`, `blowerbench faults`, `blowerbench equipment`.

Rule: a mistake ends in one clear line on stderr and exit code 2, never in a traceback. The course is found
through the entry points ``blowerbench.course``: this package may not import the lessons that build on it.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from importlib.metadata import entry_points
from pathlib import Path
from typing import cast

import blowerdata
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import NO_EFFECTS, load_faults
from blowerbench.messages import label, translate
from blowerbench.simulator import Simulator
from blowerbench.variant import NOMINAL

COURSE_GROUP = "blowerbench.course"

MakeWorkspace = Callable[[Path, Callable[[str], None]], object]


class CourseError(BenchError):
    """There is no course to make a workspace from; the message says how to get one."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command with `arguments` (those of the process by default) and return its exit code."""
    return carry_out("blowerbench", _parser().parse_args(arguments))


def carry_out(program: str, options: argparse.Namespace) -> int:
    """Run the chosen command and return its exit code: its own, or 2 with one line on stderr for what a person can mend."""
    try:
        return int(options.run(options) or 0)
    except BenchError as error:
        print(f"{program}: {error}", file=sys.stderr)
        return 2
    except BrokenPipeError:  # the reader of our output has gone, as after `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="blowerbench",
        description=translate("A simulated bench for finding out why a furnace blower does not move air."),
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    course = commands.add_parser("course", help=translate("put the course into a folder; your own work there is kept"))
    course.add_argument("folder", type=Path, metavar="FOLDER", help=translate("the folder; it is made when missing"))
    course.set_defaults(run=_course)
    faults = commands.add_parser("faults", help=translate("list the faults that can be put into a unit"))
    faults.add_argument("equipment", nargs="?", metavar="EQUIPMENT", help=translate("one unit's name; all without it"))
    faults.set_defaults(run=_faults)
    equipment = commands.add_parser("equipment", help=translate("check an equipment file and say what it holds"))
    equipment.add_argument("file", metavar="FILE", help=translate("a .toml file, or the name of a shipped unit"))
    equipment.set_defaults(run=_equipment)
    return parser


def find_course() -> MakeWorkspace:
    """The installed course's `make_workspace`; raises `CourseError` when none is installed."""
    for entry in entry_points(group=COURSE_GROUP):
        try:
            return cast(MakeWorkspace, entry.load())
        except ImportError as error:
            raise CourseError(f"the course {entry.value} can't be loaded ({error}); install this package again") from error
    raise CourseError("no course is installed beside the bench; install the whole distribution, lessons included")


def _course(options: argparse.Namespace) -> None:
    find_course()(options.folder, print)


def shipped_equipment() -> tuple[str, ...]:
    """The names of the shipped equipment files, in alphabetical order."""
    return tuple(sorted(p.stem for p in blowerdata.path("equipment").glob("*.toml")))


def _faults(options: argparse.Namespace) -> None:
    for name in [options.equipment] if options.equipment else shipped_equipment():
        equipment = load_equipment(name)
        print(f"{equipment.id}: {translate(equipment.title)}")
        for fault in load_faults(equipment).faults.values():
            unit = label("unit", fault.correction, equipment)
            severities = ", ".join(s.name for s in fault.severities)
            print(f"  {fault.id:<26} {fault.difficulty}  {fault.title} ({severities}) -> {unit}")


def _equipment(options: argparse.Namespace) -> None:
    equipment = load_equipment(options.file)
    _try_out(equipment)
    network = equipment.network
    print(
        f"{equipment.id}: {translate('good')}. {len(network.nodes)} nodes, {len(network.parts)} parts, "
        f"{len(equipment.terminals)} terminals, {len(equipment.connectors)} connectors, "
        f"{len(equipment.complaints)} complaints."
    )


def _try_out(equipment: Equipment) -> None:
    """Let the healthy unit run for each complaint; raises `BenchError` when its data do not play."""
    for complaint in equipment.complaints.values():
        try:
            Simulator(equipment, NO_EFFECTS, NOMINAL).start(complaint.call)
        except (KeyError, RuntimeError) as error:
            raise BenchError(
                f"{equipment.id}: the unit does not play for complaint {complaint.id!r}: {error}; "
                f"compare [board], [module] and [[phase]] with the files in blowerdata/equipment"
            ) from error


if __name__ == "__main__":
    sys.exit(main())
