"""Data files only: equipment, faults, tables. Reached through `path`, the same in a checkout and in an installed wheel."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path


def path(*parts: str) -> Path:
    """The path of a shipped data file, for example ``path("equipment", "furnace_120_constant_airflow.toml")``."""
    return Path(str(files(__name__).joinpath(*parts)))
