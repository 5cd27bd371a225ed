"""Which kind of dump a text is, and what was read from it as plain JSON values."""

from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from typing import Any

from parsers.errors import UnknownDumpError
from parsers.outcome import Parsed
from parsers.sources import SOURCES, Source
from parsers.text import lines_of, refusal


def recognise(text: str) -> Source:
    """The source whose tell-tale lines the text has.

    Raises:
        UnknownDumpError: if no source knows it.
    """
    lines = lines_of(text)
    for source in SOURCES:
        if source.looks_like(lines):
            return source
    answer = refusal(lines)
    if answer is not None:
        raise UnknownDumpError(f"the phone refused it: {answer}")
    raise UnknownDumpError("no source has such lines" if lines else "the text is empty")


def as_json(source: Source, parsed: Parsed[Any]) -> dict[str, Any]:
    """One dump as `rundown read --json` prints it: kind, values, unread, trusted."""
    return {
        "kind": source.KIND,
        "values": values(parsed),
        "unread": [{"line": unread.line, "text": unread.text} for unread in parsed.unread],
        "trusted": parsed.trusted,
    }


def values(parsed: Parsed[Any]) -> dict[str, Any]:
    """What the rows hold, values that are not there left out.

    `current_ma` is None where a current was read whose unit or sign this dump can't tell. Several
    rows come as a list under `rows`.
    """
    rows = [_plain(row) for row in parsed.rows]
    return rows[0] if len(rows) == 1 else {"rows": rows}


def _plain(value: Any) -> Any:
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(item) for item in value]
    if not is_dataclass(value):
        return value
    present = {f.name: getattr(value, f.name) for f in fields(value)}
    plain = {name: _plain(item) for name, item in present.items() if item is not None}
    if "current_raw" in plain:
        plain.setdefault("current_ma", None)
    return plain
