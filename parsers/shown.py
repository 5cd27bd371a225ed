"""One text dump as the user sees it: what was understood, in units, and what was not."""

import json
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.measure import Measurement
from rich.table import Table

from parsers.recognise import as_json, recognise
from parsers.redact import redact
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
_MOST_LINES = 40
_PIPED_WIDTH = 200


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
    if not console.is_terminal:
        console.width = _PIPED_WIDTH
    console.print(f"kind: {dump['kind']}")
    if not dump["trusted"]:
        console.print("the phone says that its values are simulated or frozen: do not trust them")
    values = {name: value for name, value in dump["values"].items() if not _is_table(value)}
    table = Table(show_header=False, box=None, pad_edge=False)
    for name, value in values.items():
        table.add_row(escape(name), escape(_shown(name, value)))
    if values:
        console.print(table)
    for name, value in dump["values"].items():
        if _is_table(value):
            _print_table(name, value, console)
    for unread in dump["unread"][:_MOST_LINES]:
        said = printable(unread["text"], 120)
        console.print(f"line {unread['line']} not understood: {said}", markup=False)
    _print_more(len(dump["unread"]), console)


def _is_table(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)


def _print_table(title: str, rows: list[dict[str, Any]], console: Console) -> None:
    names = list(dict.fromkeys(name for row in rows[:_MOST_LINES] for name in row))
    table = Table(box=None, pad_edge=False)
    for name in names:
        table.add_column(escape(name))
    for row in rows[:_MOST_LINES]:
        table.add_row(*(escape(_shown(n, row[n])) if n in row else "–" for n in names))
    console.print()
    console.print(f"{title}:", markup=False)
    room = console.options.update(max_width=_PIPED_WIDTH)
    if Measurement.get(console, room, table).maximum <= console.width:
        console.print(table)
    else:
        for row in rows[:_MOST_LINES]:
            told = ", ".join(f"{name} {_shown(name, value)}" for name, value in row.items())
            console.print(f"- {told}", markup=False)
    _print_more(len(rows), console)


def _print_more(n_all: int, console: Console) -> None:
    if n_all > _MOST_LINES:
        console.print(f"… and {n_all - _MOST_LINES} more; --json has them all")


def print_json(dump: dict[str, Any], console: Console) -> None:
    """Prints the dump as JSON: plain ASCII, so that it survives any terminal and any pipe."""
    console.file.write(json.dumps(dump, indent=2) + "\n")


def redacted_dump(text: str) -> str:
    """The dump with all masked that may be private, fit for a bug report.

    Raises:
        UnknownDumpError: if no source has such lines, so that nobody knows what is private.
    """
    return redact(text, recognise(text))


def _shown(name: str, value: Any) -> str:
    if value is None:
        return "cannot be told from this dump alone"
    if value == []:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    unit = UNITS.get(name.rsplit("_", 1)[-1], "") if "_" in name else ""
    number = f"{value:.10g}" if isinstance(value, float) else str(value)
    return printable(f"{number} {unit}".rstrip(), 120)
