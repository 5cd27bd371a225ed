"""Puts what arrives into a phone's journal, and makes it durable within a second."""

import json
import os
import threading
from collections import deque
from collections.abc import Mapping
from pathlib import Path

from collector.clock import Clock, SystemClock
from collector.errors import JournalFullError
from parsers.journal import MAGIC, Framer, RecordKind, read_journal
from parsers.redact import redact_block

SYNC_EVERY_S = 0.5
"""A record is written when it arrives and forced to disk at most this much later."""
MEMORY_BYTES = 16 * 1024 * 1024
"""Held per phone while its journal cannot be written: about a day at one reading a second."""
CLOCK_STEP_S = 0.5
"""A wall clock that moves against the monotonic one by more than this was set."""


class Recorder:
    """The only writer of one journal.

    An existing journal is continued after its last good record; a torn tail is cut off, which
    loses nothing that could be read. While the disk is full or read-only, records wait in memory,
    in order, and are written when it has room again.

    Args:
        path: the journal.
        clock: stamps the records.
        disk_clock: paces the syncing; real time even where `clock` is simulated.
        memory_bytes: of records that may wait in memory.
        keep_raw: keep what the phone prints with everything private in it.

    Attributes:
        problem: why the journal cannot be written right now; None while it can.

    Raises:
        JournalDamagedError: if the file exists and is not a journal.
        OSError: if it cannot be created.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        disk_clock: Clock | None = None,
        memory_bytes: int = MEMORY_BYTES,
        *,
        keep_raw: bool = False,
    ) -> None:
        self._keep_raw = keep_raw
        self.problem: str | None = None
        self._path = path
        self._clock = clock
        self._disk_clock = disk_clock or SystemClock()
        self._memory_bytes = memory_bytes
        self._waiting: deque[bytes] = deque()
        self._waiting_bytes = 0
        self._wall_s: float | None = None
        self._lock = threading.Lock()
        path.parent.mkdir(parents=True, exist_ok=True)
        number = 0
        good_bytes = 0
        if path.exists():
            journal = read_journal(path)
            good_bytes = journal.good_bytes
            number = max((r.number for r in journal.records), default=-1) + 1
        self._framer = Framer(number)
        self._file = path.open("r+b" if path.exists() else "w+b", buffering=0)
        self._file.truncate(good_bytes)
        self._file.seek(good_bytes)
        if good_bytes == 0:
            self._file.write(MAGIC)
        self._sync()

    @property
    def waiting_bytes(self) -> int:
        """Records in memory that the disk has not taken yet."""
        return self._waiting_bytes

    def block(self, raw: bytes) -> None:
        """Records one framed block as received, what may be private masked byte by byte.

        Raises:
            JournalFullError: the disk takes nothing and the memory for it is used up; the block
                is not recorded.
        """
        self._append(RecordKind.BLOCK, raw if self._keep_raw else redact_block(raw))

    def event(self, what: str, facts: Mapping[str, object] | None = None) -> None:
        """Records something the collector did or noticed, however full the memory is."""
        self._append(RecordKind.EVENT, json.dumps({"what": what, **(facts or {})}).encode())

    def sync_if_due(self) -> None:
        """Writes what waits and forces it to disk, if that was last tried `SYNC_EVERY_S` ago."""
        with self._lock:
            if self._dirty:
                self._sync_if_due()

    @property
    def is_durable(self) -> bool:
        """Whether everything recorded so far is on disk; tries to bring it there."""
        with self._lock:
            if self._dirty and not self._file.closed:
                self._sync()
            return not self._dirty

    def close(self) -> bool:
        """Forces everything to disk and closes the file; False if the disk did not take it all."""
        with self._lock:
            if not self._file.closed:
                self._sync()
                self._file.close()
            return not self._waiting and self.problem is None

    def _append(self, kind: RecordKind, payload: bytes) -> None:
        with self._lock:
            if kind is RecordKind.BLOCK and self._is_full():
                raise JournalFullError(str(self._path), self.problem or "no room")
            self._note_clock_step()
            stamp = self._clock.utc(), self._clock.monotonic_s()
            self._queue(self._framer.frame(kind, *stamp, payload))
            self._dirty = True
            if self.problem is None:
                self._write_waiting()
            self._sync_if_due()

    def _is_full(self) -> bool:
        if self._waiting_bytes > self._memory_bytes:
            self._sync_if_due()
        return self._waiting_bytes > self._memory_bytes

    def _note_clock_step(self) -> None:
        utc, host_s = self._clock.utc(), self._clock.monotonic_s()
        wall_s = utc.timestamp() - host_s
        if self._wall_s is not None and abs(wall_s - self._wall_s) > CLOCK_STEP_S:
            facts = {"what": "host_clock_step", "step_s": round(wall_s - self._wall_s, 3)}
            payload = json.dumps(facts).encode()
            self._queue(self._framer.frame(RecordKind.EVENT, utc, host_s, payload))
        self._wall_s = wall_s

    def _queue(self, record: bytes) -> None:
        self._waiting.append(record)
        self._waiting_bytes += len(record)

    def _write_waiting(self) -> None:
        try:
            while self._waiting:
                self._write(self._waiting[0])
                self._waiting_bytes -= len(self._waiting.popleft())
        except OSError as exc:
            self.problem = exc.strerror or str(exc)
        else:
            self.problem = None

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
        self._write_waiting()
        try:
            os.fsync(self._file.fileno())
        except OSError as exc:
            self.problem = exc.strerror or str(exc)
        self._synced_s = self._disk_clock.monotonic_s()
        self._dirty = bool(self._waiting) or self.problem is not None
