"""Tags as the user sees them: what stands now, and how it came to be."""

import json
from datetime import datetime
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from collector.tagging.rules import at_clock, scope
from parsers.tags import TaggedSegment, TagRecord, Tags, in_effect, resolve
from parsers.text import printable


def print_tags(tags: Tags, console: Console, *, as_json: bool) -> None:
    """Prints segments and notes in order of time, as a table or as JSON."""
    segments = resolve(tags.records)
    if as_json:
        notes = [
            {"at_utc": n.at_utc.isoformat(), "phone": n.phone, "text": n.text} for n in tags.notes
        ]
        document = {"schema": 1, "segments": [_told(s) for s in segments], "notes": notes}
        console.print_json(json.dumps(document))
        return
    rows: list[tuple[datetime, str, str, str]] = [
        (s.start.at_utc, at_clock(s.end.at_utc) if s.end else "open", _phones(s), _name(s))
        for s in segments
    ]
    rows += [(n.at_utc, "note", n.phone or "all", n.text or "") for n in tags.notes]
    zone = f"{min(row[0] for row in rows).astimezone():%Z}" if rows else ""
    table = Table(box=None, pad_edge=False)
    for heading in (f"from ({zone})", "to", "phones", "segment or note"):
        table.add_column(heading)
    for begin, end, phones, what in sorted(rows, key=lambda row: row[0]):
        table.add_row(at_clock(begin), end, phones, escape(printable(what, 60)))
    console.print(table if rows else "nothing is tagged yet")
    _print_damage(tags, console)


def print_history(tags: Tags, console: Console, *, as_json: bool) -> None:
    """Prints every record in the order it was made; those taken back are marked."""
    counting = {id(record) for record in in_effect(tags.records)}
    if as_json:
        document = {
            "schema": 1,
            "history": [
                {
                    **json.loads(record.model_dump_json(exclude_none=True)),
                    "in_effect": id(record) in counting,
                }
                for record in tags.records
            ],
        }
        console.print_json(json.dumps(document))
        return
    names = {record.id: record.name for record in tags.records if record.what == "begin"}
    table = Table(box=None, pad_edge=False)
    for heading in ("made", "command", "phones", "what"):
        table.add_column(heading)
    for record in tags.records:
        taken_back = record.what != "undo" and id(record) not in counting
        what = escape(printable(in_words(record, names), 90))
        table.add_row(
            at_clock(record.made_utc),
            escape(printable(record.id, 12)),
            record.phone or "all",
            f"{what} (taken back)" if taken_back else what,
        )
    console.print(table if tags.records else "nothing is tagged yet")
    _print_damage(tags, console)


def in_words(record: TagRecord, names: dict[str, str | None]) -> str:
    """One record as a sentence.

    Args:
        record: what was said.
        names: of the segments, by the command that began each.
    """
    then = at_clock(record.at_utc)
    edited = f"'{names.get(record.of or '') or record.of}'"
    named = f" '{record.name}'" if record.name else ""
    later = f", the rest is{named}" if named else ""
    words = {
        "begin": f"begin{named} at {then}",
        "end": f"end{named} at {then}",
        "note": f"note at {then}: {record.text}",
        "move": f"move the {record.border} of {edited} to {then}",
        "rename": f"rename {edited} to{named}",
        "split": f"split {edited} at {then}{later}",
        "cut": f"cut {then} to {at_clock(record.until_utc)} out of {edited}",
        "drop": f"drop {edited}",
        "undo": f"take command {record.of} back",
    }
    return words[record.what]


def say(records: list[TagRecord], tags: Tags, console: Console) -> None:
    """Prints what a command has done, so that a slip of the finger is seen at once."""
    names = {record.id: record.name for record in tags.records if record.what == "begin"}
    for record in records:
        console.print(
            f"{in_words(record, names)} ({scope(record.phone)})", markup=False, soft_wrap=True
        )


def _told(segment: TaggedSegment) -> dict[str, Any]:
    return {
        "segment": segment.name,
        "occurrence": segment.occurrence,
        "phone": segment.phone,
        "except_phones": sorted(segment.apart),
        "start_utc": segment.start.at_utc.isoformat(),
        "end_utc": segment.end.at_utc.isoformat() if segment.end else None,
    }


def _phones(segment: TaggedSegment) -> str:
    if segment.phone is not None:
        return segment.phone
    return f"all but {', '.join(sorted(segment.apart))}" if segment.apart else "all"


def _name(segment: TaggedSegment) -> str:
    return segment.name if segment.occurrence == 1 else f"{segment.name}#{segment.occurrence}"


def _print_damage(tags: Tags, console: Console) -> None:
    for damage in tags.damage:
        console.print(f"not a tag, left alone: {printable(damage, 120)}", markup=False)
