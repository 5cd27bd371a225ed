"""Tags as the user sees them."""

import json

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from parsers.tags import Tags, resolve
from parsers.text import printable


def print_tags(tags: Tags, console: Console, *, as_json: bool) -> None:
    """Prints segments and notes in order of time, as a table or as JSON."""
    segments = resolve(tags.records)
    if as_json:
        document = {
            "schema": 1,
            "segments": [
                {
                    "segment": s.name,
                    "occurrence": s.occurrence,
                    "phone": s.phone,
                    "start_utc": s.start.at_utc.isoformat(),
                    "end_utc": s.end.at_utc.isoformat() if s.end else None,
                }
                for s in segments
            ],
            "notes": [
                {"at_utc": n.at_utc.isoformat(), "phone": n.phone, "text": n.text}
                for n in tags.notes
            ],
        }
        console.print_json(json.dumps(document))
        return
    table = Table(box=None, pad_edge=False)
    for heading in ("from (UTC)", "to", "phones", "segment or note"):
        table.add_column(heading)
    rows = [
        (s.start.at_utc, f"{s.end.at_utc:%H:%M:%S}" if s.end else "open", s.phone, s.name)
        for s in segments
    ] + [(n.at_utc, "note", n.phone, n.text or "") for n in tags.notes]
    for begin, end, phone, what in sorted(rows, key=lambda row: row[0]):
        table.add_row(f"{begin:%H:%M:%S}", end, phone or "all", escape(printable(what, 60)))
    console.print(table if rows else "nothing is tagged yet")
    for damage in tags.damage:
        console.print(f"not a tag, left alone: {printable(damage, 120)}", markup=False)
