"""Puts what arrives into a phone's journal, and makes it durable within a second."""

import json
import os
import threading
from collections.abc import Mapping
from pathlib import Path

from collector.clock import Clock, SystemClock
from parsers.journal import MAGIC, RecordKind, frame, read_journal

SYNC_EVERY_S = 0.5
"""A record is written when it arrives and forced to disk at most this much later."""


class Recorder:
    """The only writer of one journal.

    An existing journal is continued after its last good record; a torn tail is cut off, which
    loses nothing that could be read.

    Args:
        path: the journal.
        clock: stamps the records.
        disk_clock: paces the syncing; real time even where `clock` is simulated.

    Raises:
        JournalDamagedError: if the file exists and is not a journal.
        OSError: if it cannot be written.
    """

    def __init__(self, path: Path, clock: Clock, disk_clock: Clock | None = None) -> None:
        self._clock = clock
        self._disk_clock = disk_clock or SystemClock()
        self._lock = threading.Lock()
        path.parent.mkdir(parents=True, exist_ok=True)
        self._number = 0
        good_bytes = 0
        if path.exists():
            journal = read_journal(path)
            good_bytes = journal.good_bytes
            self._number = max((r.number for r in journal.records), default=-1) + 1
        self._file = path.open("r+b" if path.exists() else "w+b", buffering=0)
        self._file.truncate(good_bytes)
        self._file.seek(good_bytes)
        if good_bytes == 0:
            self._file.write(MAGIC)
        self._sync()

    def block(self, raw: bytes) -> None:
        """Records one framed block as received.

        Raises:
            OSError: if it cannot be written.
        """
        self._append(RecordKind.BLOCK, raw)

    def event(self, what: str, facts: Mapping[str, object] | None = None) -> None:
        """Records something the collector did or noticed.

        Raises:
            OSError: if it cannot be written.
        """
        self._append(RecordKind.EVENT, json.dumps({"what": what, **(facts or {})}).encode())

    def sync_if_due(self) -> None:
        """Forces what is written to disk if that was last done `SYNC_EVERY_S` ago or longer."""
        with self._lock:
            if self._dirty:
                self._sync_if_due()

    def close(self) -> None:
        """Forces everything to disk and closes the file."""
        with self._lock:
            if not self._file.closed:
                self._sync()
                self._file.close()

    def _append(self, kind: RecordKind, payload: bytes) -> None:
        with self._lock:
            stamp = self._clock.utc(), self._clock.monotonic_s()
            self._write(frame(kind, self._number, *stamp, payload))
            self._number += 1
            self._dirty = True
            self._sync_if_due()

    def _write(self, record: bytes) -> None:
        start = self._file.tell()
        try:
            written = 0
            while written < len(record):
                written += self._file.write(record[written:])
        except OSError:
            # Half a record would hide the next one from a simple reader.
            self._file.truncate(start)
            self._file.seek(start)
            raise

    def _sync_if_due(self) -> None:
        if self._disk_clock.monotonic_s() - self._synced_s >= SYNC_EVERY_S:
            self._sync()

    def _sync(self) -> None:
        os.fsync(self._file.fileno())
        self._synced_s = self._disk_clock.monotonic_s()
        self._dirty = False
