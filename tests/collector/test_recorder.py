"""The recorder continues a journal after its last good record and never leaves half a one."""

import errno
import io
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.recorder import SYNC_EVERY_S, Recorder
from parsers.journal import RecordKind, read_journal


class StillClock:
    now_s = 0.0

    def utc(self) -> datetime:
        return datetime(2026, 5, 4, tzinfo=UTC)

    def monotonic_s(self) -> float:
        return self.now_s


def test_blocks_and_events_in_order(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "journal" / "a.journal", StillClock())
    recorder.event("stream", {"first_seq": 0})
    recorder.block(b"@begin ...")
    recorder.close()
    recorder.close()
    records = read_journal(tmp_path / "journal" / "a.journal").records
    assert [(r.kind, r.number) for r in records] == [(RecordKind.EVENT, 0), (RecordKind.BLOCK, 1)]


def test_a_torn_tail_is_cut_and_numbers_go_on(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    first = Recorder(path, StillClock())
    first.block(b"one")
    first.block(b"two")
    first.close()
    whole = path.read_bytes()
    path.write_bytes(whole[:-3])
    again = Recorder(path, StillClock())
    again.block(b"three")
    again.close()
    journal = read_journal(path)
    assert [(r.number, r.payload) for r in journal.records] == [(0, b"one"), (1, b"three")]
    assert journal.damage == []


def test_a_record_is_readable_before_anything_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    recorder = Recorder(path, StillClock())
    recorder.block(b"one")
    assert [r.payload for r in read_journal(path).records] == [b"one"]
    recorder.close()


def test_it_is_forced_to_disk_in_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[int] = []
    monkeypatch.setattr("os.fsync", synced.append)
    disk_clock = StillClock()
    recorder = Recorder(tmp_path / "a.journal", StillClock(), disk_clock)
    synced.clear()
    recorder.block(b"one")
    assert synced == []
    disk_clock.now_s += SYNC_EVERY_S
    recorder.sync_if_due()
    assert len(synced) == 1
    recorder.sync_if_due()
    assert len(synced) == 1, "nothing new, nothing to force"
    disk_clock.now_s += SYNC_EVERY_S
    recorder.block(b"two")
    assert len(synced) == 2
    recorder.close()


class FullDisk(io.FileIO):
    room = 10

    def write(self, data: object) -> int:
        assert isinstance(data, bytes)
        if self.room <= 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken = super().write(data[: self.room])
        self.room -= taken
        return taken


def test_a_full_disk_leaves_no_half_record(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    recorder = Recorder(path, StillClock())
    recorder.block(b"one")
    recorder._file.close()
    full = FullDisk(path, "r+b")
    full.seek(0, io.SEEK_END)
    recorder._file = full
    with pytest.raises(OSError, match="No space left"):
        recorder.block(b"two")
    assert [r.payload for r in read_journal(path).records] == [b"one"]
    assert read_journal(path).damage == []
    full.room = 10_000
    recorder.block(b"three")
    recorder.close()
    assert [r.payload for r in read_journal(path).records] == [b"one", b"three"]
