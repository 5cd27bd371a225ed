"""One tagging command: several records that are checked, written and taken back together."""

import secrets
from typing import Any

from filelock import FileLock

from collector.clock import Clock
from collector.errors import TagError
from collector.tagging.append import append_lines
from collector.tagging.moment import Moment
from collector.tagging.rules import check
from parsers.runfolder import Manifest, RunFolder
from parsers.tags import TaggedSegment, TagRecord, What, in_effect, read_tags, resolve
from parsers.text import printable


class Command:
    """What one call wants to write: kept back until all of it is known to fit, then written.

    Use as a context manager: it holds the file's lock, so that what it was checked against is
    still so when it is written.

    Args:
        folder: the run.
        manifest: of the run.
        clock: stamps the records.
        phone: label of the phone it is about; None for all.

    Attributes:
        records: what is to be written.
        counting: records in the file that are in effect.
        segments: what they amount to.

    Raises:
        TagError: if the run has no such phone; on leaving, if the records do not fit.
    """

    def __init__(
        self, folder: RunFolder, manifest: Manifest, clock: Clock, phone: str | None
    ) -> None:
        labels = [entry.label for entry in manifest.phones]
        if phone is not None and phone not in labels:
            known = ", ".join(labels)
            raise TagError(f"no phone '{printable(phone)}' in this run; it has {known}")
        self.records: list[TagRecord] = []
        self._id = secrets.token_hex(4)
        self._clock = clock
        self._path, self._labels = folder.tags_path, labels
        self._lock = FileLock(folder.path / ".tags.lock", timeout=10)

    def __enter__(self) -> "Command":
        self._lock.acquire()
        self._all = read_tags(self._path).records
        self.counting = in_effect(self._all)
        self.segments = resolve(self._all)
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is None and self.records:
                check(self.segments, resolve((*self._all, *self.records)), self._labels)
                append_lines(
                    self._path, [r.model_dump_json(exclude_none=True) for r in self.records]
                )
        finally:
            self._lock.release()

    def add(self, what: What, then: Moment, **facts: Any) -> TagRecord:
        """One more record."""
        record = TagRecord(
            what=what,
            id=self._id,
            at_utc=then[0],
            at_host_s=then[1],
            made_utc=self._clock.utc(),
            **facts,
        )
        self.records.append(record)
        return record

    def edit(
        self, what: What, segment: TaggedSegment, then: Moment, *, phone: str | None, **facts: Any
    ) -> TagRecord:
        """An edit of a segment; of one phone's part of it, if a phone is given."""
        own = phone if segment.phone is None else segment.phone
        return self.add(what, then, of=segment.id, phone=own, **facts)
