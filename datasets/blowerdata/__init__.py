"""Where the data files lie: equipment, faults and published tables.

Rule: data only. A file is found through `path`, in a checkout and in an installed wheel alike.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

__all__ = ["names", "path"]


def path(*parts: str) -> Path:
    """The file or folder at `parts` below this package, such as `path("equipment", "x.toml")`.

    Raises FileNotFoundError that names what does lie in the nearest folder that exists.
    """
    root = Path(str(files(__name__)))
    found = root.joinpath(*parts)
    if not found.resolve().is_relative_to(root.resolve()):
        raise FileNotFoundError(
            f"{'/'.join(parts)} leads out of the data files; name a file below blowerdata"
        )
    if not found.exists():
        folder = next(parent for parent in found.parents if parent.is_dir())
        known = ", ".join(sorted(entry.name for entry in folder.iterdir() if not entry.name.startswith("_")))
        raise FileNotFoundError(f"no data file {'/'.join(parts)}; {folder.name} has {known or 'nothing'}")
    return found


def names(folder: str, suffix: str = ".toml") -> tuple[str, ...]:
    """The names, without `suffix` and in order, of the data files of that kind in `folder`."""
    found = (entry.name for entry in path(folder).iterdir())
    return tuple(sorted(name.removesuffix(suffix) for name in found if name.endswith(suffix)))
