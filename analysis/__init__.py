"""From tables and tags to energy per segment, comparisons and what gets published.

`load(path)` reads a run, `energy(run)` gives its energies, `compare([energies, ...])` what they
say of phones and runs; all are loaded on first use, so that importing the package stays light.
"""

from importlib import import_module
from typing import Any

_HOMES = {
    "compare": "analysis.comparison.comparing",
    "energy": "analysis.accounting",
    "load": "analysis.readings.run",
}
"""No module has the name of what it offers here: once loaded, it would hide it."""

__all__ = ["compare", "energy", "load"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
