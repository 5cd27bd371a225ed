"""The segments that come with a log, as tags of a run."""

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Literal

from analysis.errors import LogError
from analysis.logs.file import TIMES, Log, read_log
from parsers.tags import NAME_MAX_CHARS, TagRecord
from parsers.text import printable

_Span = tuple[str, str | None, float, float]
_COLUMNS = {
    "start_s": replace(TIMES["t_s"], quantity="start_s"),
    "end_s": replace(TIMES["t_s"], quantity="end_s"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LogClock:
    """The log's clock and the wall clock at the log's first row."""

    first_s: float
    utc: datetime

    def at(self, t_s: float) -> datetime:
        """The wall clock at a moment of the log."""
        return self.utc + timedelta(seconds=t_s - self.first_s)


def read_segments(path: Path, labels: set[str], clock: LogClock) -> list[TagRecord]:
    """Begin and end of each segment, in the order of time.

    Args:
        path: `segment`, `start_s`, `end_s`, perhaps `phone`.
        labels: of the phones there are.
        clock: on which the segments are.

    Raises:
        LogError: for a row that is no segment, or two segments at the same time.
        OSError: if the file cannot be read.
    """
    log = read_log(path, _COLUMNS, ("phone", "segment"))
    for name in ("start_s", "end_s"):
        if name not in log.values:
            raise LogError(str(log.path), f"has no column {name}")
    if "segment" not in log.texts:
        raise LogError(str(log.path), "has no column segment")
    spans = [_span(log, row, labels) for row in range(len(log.texts["segment"]))]
    spans.sort(key=lambda span: span[2])
    for label in sorted(labels):
        mine = [span for span in spans if span[1] in (None, label)]
        for one, two in pairwise(mine):
            if two[2] < one[3]:
                raise LogError(
                    str(log.path),
                    f"'{printable(one[0])}' and '{printable(two[0])}' overlap on {label}; "
                    "only one segment can be at a time",
                )
    return [
        record for number, span in enumerate(spans) for record in _records(number, span, clock)
    ]


def _records(number: int, span: _Span, clock: LogClock) -> tuple[TagRecord, TagRecord]:
    name, phone, start_s, end_s = span

    def record(what: Literal["begin", "end"], at_s: float) -> TagRecord:
        at_utc = clock.at(at_s)
        return TagRecord(
            what=what,
            id=f"import-{number}",
            phone=phone,
            name=name,
            at_utc=at_utc,
            at_host_s=at_s,
            made_utc=at_utc,
        )

    return record("begin", start_s), record("end", end_s)


def _span(log: Log, row: int, labels: set[str]) -> _Span:
    name = log.texts["segment"][row].strip()
    phone = log.texts["phone"][row].strip() if "phone" in log.texts else ""
    start_s, end_s = (_moment_s(log, name, row) for name in ("start_s", "end_s"))
    if not 1 <= len(name) <= NAME_MAX_CHARS or not name.isprintable():
        raise log.wrong(row, f"a segment's name has 1 to {NAME_MAX_CHARS} printable characters")
    if phone and phone not in labels:
        raise log.wrong(row, f"the log has no phone '{printable(phone)}'")
    if not start_s < end_s:
        raise log.wrong(row, "end_s must be after start_s")
    return name, phone or None, start_s, end_s


def _moment_s(log: Log, name: str, row: int) -> float:
    moment_s = float(log.values[name][row])
    if math.isnan(moment_s):
        raise log.wrong(row, f"{name} is empty; write the seconds on the log's clock")
    return moment_s
