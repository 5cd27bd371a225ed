"""From tables and tags to energy per segment, comparisons and what gets published.

`load(path)` reads a run, `energy(run)` gives its energies; both are loaded on first use, so that
importing the package stays light.
"""

from importlib import import_module
from typing import Any

_HOMES = {"load": "analysis.recording", "energy": "analysis.accounting"}

__all__ = ["energy", "load"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
