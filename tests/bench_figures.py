"""The figures: `python3 tests/run.py --bench` prints one JSON object per line.

Every `figures_*.py` beside this file has `figures()`, which yields name, value, unit, against (what it is
compared with, timed in the same run) and ratio. Arguments choose modules by a part of their names.
"""

from __future__ import annotations

import importlib
import json
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
FIELDS = ("name", "value", "unit", "against", "ratio")


def main(wanted: Sequence[str]) -> int:
    """Print the figures of all modules, or of those whose names hold one of `wanted`; 1 when any failed."""
    sys.path[:0] = [str(HERE), str(HERE / "bench" / "circuit")]
    names = [file.stem for file in sorted(HERE.glob("figures_*.py"))]
    chosen = [name for name in names if not wanted or any(part in name for part in wanted)]
    if not chosen:
        print(f"no figures for {' '.join(wanted)}; there are {', '.join(names)}", file=sys.stderr)
        return 1
    failed = False
    for name in chosen:
        try:
            for figure in importlib.import_module(name).figures():
                print(json.dumps({field: figure[field] for field in FIELDS}, allow_nan=False), flush=True)
        except Exception:  # the other modules' figures are wanted all the same
            traceback.print_exc()
            failed = True
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
