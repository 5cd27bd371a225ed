"""Writing tags: checked against those already there, appended under a lock, never overwritten."""

import os
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

from filelock import FileLock

from collector.clock import Clock
from collector.errors import TagError
from parsers.runfolder import RunFolder
from parsers.tags import NAME_MAX_CHARS, TaggedSegment, TagRecord, open_segments, read_tags
from parsers.text import printable

_AGO = re.compile(r"-(?:(\d+)h)?(?:(\d+)m)?(?:(\d+(?:\.\d+)?)s)?")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?")


class Tagger:
    """Tags of one run; any number of processes may write at once.

    Args:
        folder: the run.
        clock: the computer's clocks.

    Raises:
        RunFolderError: if the folder is not a run.
    """

    def __init__(self, folder: RunFolder, clock: Clock) -> None:
        self._folder = folder
        self._clock = clock
        self._manifest = folder.read_manifest()

    def begin(
        self,
        name: str,
        *,
        phone: str | None = None,
        at: str | None = None,
        close_open: bool = False,
    ) -> TagRecord:
        """Begins a segment, on one phone or on all.

        Args:
            name: what is being done.
            phone: label; None for all phones.
            at: the moment meant (see `moment`); None for now.
            close_open: end whatever is open on the same phones at the same moment.

        Raises:
            TagError: if the name cannot be used, or another segment is open there.
        """
        wanted = _checked_name(name)
        with self._locked():
            for other in self._open_on(phone):
                if not close_open:
                    raise TagError(
                        f"segment '{printable(other.name)}' is still open on "
                        f"{_scope(other.phone)}: end it first with `rundown tag end`, "
                        "or begin this one with --close"
                    )
                self._append("end", phone=other.phone, at=at, name=other.name)
            return self._append("begin", phone=phone, at=at, name=wanted)

    def end(self, *, phone: str | None = None, at: str | None = None) -> TagRecord:
        """Ends the open segment of that phone, or the one that all phones share.

        Raises:
            TagError: if none is open there, or it began after the moment given.
        """
        with self._locked():
            mine = [s for s in self._open() if s.phone == phone]
            if not mine:
                raise TagError(
                    f"no segment is open on {_scope(phone)}; `rundown tag list` shows all"
                )
            return self._append(
                "end", phone=phone, at=at, name=mine[-1].name, after=mine[-1].start
            )

    def note(self, text: str, *, phone: str | None = None, at: str | None = None) -> TagRecord:
        """Keeps a remark with its time.

        Raises:
            TagError: if the text is empty or longer than 2000 characters.
        """
        if not 0 < len(text.strip()) <= 2000:
            raise TagError("a note needs 1 to 2000 characters")
        with self._locked():
            return self._append("note", phone=phone, at=at, text=text)

    def _open(self) -> list[TaggedSegment]:
        return open_segments(read_tags(self._folder.tags_path).records)

    def _open_on(self, phone: str | None) -> list[TaggedSegment]:
        return [s for s in self._open() if phone is None or s.phone in (None, phone)]

    def _locked(self) -> FileLock:
        return FileLock(self._folder.path / ".tags.lock", timeout=10)

    def _append(
        self,
        what: Literal["begin", "end", "note"],
        *,
        phone: str | None,
        at: str | None,
        name: str | None = None,
        text: str | None = None,
        after: TagRecord | None = None,
    ) -> TagRecord:
        if phone is not None and phone not in {p.label for p in self._manifest.phones}:
            known = ", ".join(p.label for p in self._manifest.phones)
            raise TagError(f"no phone '{printable(phone)}' in this run; it has {known}")
        at_utc, at_host_s = self._moment(at)
        if after is not None and at_utc < after.at_utc:
            raise TagError(
                f"segment '{printable(after.name or '')}' began at {after.at_utc:%H:%M:%S} UTC, "
                f"after {at_utc:%H:%M:%S}: it cannot end before it began"
            )
        record = TagRecord(
            what=what,
            phone=phone,
            name=name,
            text=text,
            at_utc=at_utc,
            at_host_s=at_host_s,
            made_utc=self._clock.utc(),
        )
        _append_line(self._folder.tags_path, record.model_dump_json(exclude_none=True))
        return record

    def _moment(self, at: str | None) -> tuple[datetime, float | None]:
        if at is None and self._manifest.outcome is not None:
            raise TagError("this run is over: say with --at when, such as --at 14:05:30")
        return moment(at, self._clock)


def moment(at: str | None, clock: Clock) -> tuple[datetime, float | None]:
    """When `at` is: on the wall clock and, if it can be told, on the monotonic clock.

    `at` is None (now), `-1h5m30s` (so long ago), `14:05` or `14:05:30` (the last time the
    computer's local clock showed that), or an ISO 8601 time with its offset.

    Raises:
        TagError: if it is none of these.
    """
    now = clock.utc()
    if at is None:
        return now, clock.monotonic_s()
    if at != "-" and (ago := _AGO.fullmatch(at)) is not None:
        hours, minutes, seconds = (float(part or 0) for part in ago.groups())
        span_s = hours * 3600 + minutes * 60 + seconds
        return now - timedelta(seconds=span_s), clock.monotonic_s() - span_s
    try:
        if (shown := _CLOCK.fullmatch(at)) is not None:
            return _last_time_it_was(now, shown), None
        stamp = datetime.fromisoformat(at)
    except ValueError:
        stamp = None
    if stamp is None or stamp.tzinfo is None:
        raise TagError(
            f"'{printable(at)}' is not a time: use -5m, 14:05:30, or 2026-05-04T14:05:30+02:00"
        )
    return stamp, None


def _last_time_it_was(now: datetime, shown: re.Match[str]) -> datetime:
    seconds = float(shown[3] or 0)
    local = now.astimezone().replace(
        hour=int(shown[1]),
        minute=int(shown[2]),
        second=int(seconds),
        microsecond=int(seconds % 1 * 1e6),
    )
    return local if local <= now else local - timedelta(days=1)


def _append_line(path: Path, line: str) -> None:
    with path.open("ab") as file:
        # A writer that was killed may have left half a line; it must not swallow this one.
        torn = file.tell() > 0 and path.read_bytes()[-1:] != b"\n"
        file.write((b"\n" if torn else b"") + line.encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())


def _checked_name(name: str) -> str:
    cleaned = name.strip()
    if not cleaned or len(cleaned) > NAME_MAX_CHARS or not cleaned.isprintable():
        raise TagError(
            f"'{printable(name)}' cannot name a segment: "
            f"use 1 to {NAME_MAX_CHARS} printable characters"
        )
    return cleaned


def _scope(phone: str | None) -> str:
    return "all phones" if phone is None else printable(phone)
