"""One text dump as the user sees it: what was understood, in units, and what was not."""

import json
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from parsers.recognise import as_json, recognise
from parsers.text import printable

UNITS = {
    "pct": "%",
    "mv": "mV",
    "ma": "mA",
    "mah": "mAh",
    "mwh": "mWh",
    "c": "°C",
    "s": "s",
    "ms": "ms",
    "dbm": "dBm",
    "mhz": "MHz",
    "hz": "Hz",
    "mbps": "Mbit/s",
    "ua": "µA",
}
"""How the ending of a name is written as a unit."""


def read_dump(text: str) -> dict[str, Any]:
    """Kind, values, unread lines and trust of a dump, as `rundown read --json` prints it.

    Raises:
        UnknownDumpError: if no source has such lines.
        ParserError: if the phone refused the dump, or it is cut beyond use.
    """
    source = recognise(text)
    return as_json(source, source.parse(text))


def needs_attention(dump: dict[str, Any]) -> bool:
    """Whether lines were not understood, or the phone's values are simulated or frozen."""
    return bool(dump["unread"]) or not dump["trusted"]


def print_dump(dump: dict[str, Any], console: Console) -> None:
    """Prints the values with their units, then the lines that were not understood."""
    console.print(f"kind: {dump['kind']}")
    if not dump["trusted"]:
        console.print("the phone says that its values are simulated or frozen: do not trust them")
    table = Table(show_header=False, box=None, pad_edge=False)
    for name, value in _flat(dump["values"]):
        table.add_row(escape(name), escape(_shown(name, value)))
    console.print(table)
    for unread in dump["unread"]:
        said = printable(unread["text"], 120)
        console.print(f"line {unread['line']} not understood: {said}", markup=False)


def print_json(dump: dict[str, Any], console: Console) -> None:
    """Prints the dump as JSON."""
    console.print_json(json.dumps(dump))


def _flat(values: dict[str, Any], prefix: str = "") -> list[tuple[str, Any]]:
    flat: list[tuple[str, Any]] = []
    for name, value in values.items():
        if isinstance(value, dict):
            flat += _flat(value, f"{prefix}{name}.")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for number, item in enumerate(value, start=1):
                flat += _flat(item, f"{prefix}{name}.{number}.")
        else:
            flat.append((f"{prefix}{name}", value))
    return flat


def _shown(name: str, value: Any) -> str:
    if value is None:
        return "cannot be told from this dump alone"
    if isinstance(value, bool):
        return "yes" if value else "no"
    unit = UNITS.get(name.rsplit("_", 1)[-1], "") if "_" in name else ""
    number = f"{value:.10g}" if isinstance(value, float) else str(value)
    return printable(f"{number} {unit}".rstrip(), 120)
