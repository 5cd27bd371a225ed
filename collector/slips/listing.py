"""Slips as the user sees them, and those that can still be cut out."""

import json

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from collector.tagging.rules import at_clock
from parsers.runfolder import RunFolder
from parsers.slips import Slip, Slips
from parsers.tags import read_tags, resolve
from parsers.text import printable


def print_slips(slips: Slips, console: Console, *, as_json: bool) -> None:
    """Prints all slips of a run, as a table or as JSON."""
    if as_json:
        document = {
            "schema": 1,
            "slips": [
                {
                    "number": number,
                    "kind": slip.begin.kind,
                    "phone": slip.begin.phone,
                    "segment": slip.begin.segment,
                    "text": slip.begin.text,
                    "start_utc": slip.begin.at_utc.isoformat(),
                    "end_utc": None if slip.end_utc is None else slip.end_utc.isoformat(),
                }
                for number, slip in enumerate(slips.slips, start=1)
            ],
        }
        console.print_json(json.dumps(document))
        return
    table = Table(box=None, pad_edge=False)
    for heading in ("", "from", "to", "phone", "segment", "what"):
        table.add_column(heading, overflow="fold")
    for number, slip in enumerate(slips.slips, start=1):
        table.add_row(
            f"{number}",
            at_clock(slip.begin.at_utc),
            "the end" if slip.end_utc is None else at_clock(slip.end_utc),
            slip.begin.phone,
            escape(printable(slip.begin.segment, 40)),
            escape(printable(slip.begin.text, 160)),
        )
    console.print(table if slips.slips else "nothing has slipped")
    for damage in slips.damage:
        console.print(f"not a slip, left alone: {printable(damage, 120)}", markup=False)


def cuttable(slips: Slips, run: RunFolder) -> list[tuple[int, Slip]]:
    """Slips that are over and still lie within a segment of their phone, with their numbers."""
    segments = resolve(read_tags(run.tags_path).records)
    found = []
    for number, slip in enumerate(slips.slips, start=1):
        end_utc = slip.end_utc
        if end_utc is None or end_utc <= slip.begin.at_utc:
            continue
        for segment in segments:
            over = segment.end is not None and segment.end.at_utc <= slip.begin.at_utc
            if segment.on(slip.begin.phone) and segment.start.at_utc < end_utc and not over:
                found.append((number, slip))
                break
    return found
