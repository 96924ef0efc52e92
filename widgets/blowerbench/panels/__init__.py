"""The bench as a picture with controls, for a notebook. Importing this package loads the Jupyter packages."""

from blowerbench.panels.widget import BenchPanel

__all__ = ["BenchPanel"]
