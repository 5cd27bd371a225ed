"""The recorder continues a journal after its last good record and never leaves half a one."""

import errno
import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.errors import JournalFullError
from collector.recording.recorder import SYNC_EVERY_S, Recorder
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
    assert [(r.kind, r.number) for r in records] == [(RecordKind.EVENT, 0), (RecordKind.BLOCK, 2)]


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
    assert [(r.number, r.payload) for r in journal.records] == [(1, b"one"), (3, b"three")]
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


def on_full_disk(path: Path, memory_bytes: int = 100_000) -> tuple[Recorder, FullDisk, StillClock]:
    """A recorder with one block on disk and room for ten bytes more."""
    disk_clock = StillClock()
    recorder = Recorder(path, StillClock(), disk_clock, memory_bytes)
    recorder.block(b"one")
    recorder._file.close()
    full = FullDisk(path, "r+b")
    full.seek(0, io.SEEK_END)
    recorder._file = full
    return recorder, full, disk_clock


def payloads(path: Path) -> list[bytes]:
    journal = read_journal(path)
    assert journal.damage == []
    return [r.payload for r in journal.records]


def test_a_full_disk_is_said_and_bridged_in_memory(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    recorder, full, disk_clock = on_full_disk(path)
    recorder.block(b"two")
    recorder.block(b"three")
    assert (recorder.problem or "none") == "No space left on device"
    assert recorder.waiting_bytes > 0
    durable = recorder.is_durable
    assert not durable
    assert payloads(path) == [b"one"], "and no half record"
    full.room = 10_000
    disk_clock.now_s += SYNC_EVERY_S
    recorder.sync_if_due()
    assert (recorder.problem or "none") == "none"
    assert recorder.waiting_bytes == 0
    recorder.block(b"four")
    assert recorder.is_durable
    assert recorder.close()
    assert payloads(path) == [b"one", b"two", b"three", b"four"]


def test_memory_has_a_bound_and_events_have_none(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    recorder, full, _ = on_full_disk(path, memory_bytes=200)
    taken = 0
    while recorder.waiting_bytes <= 200:
        recorder.block(b"%d" % taken)
        taken += 1
    with pytest.raises(JournalFullError, match="make room") as caught:
        recorder.block(b"too much")
    assert caught.value.path == str(path)
    recorder.event("end")
    assert recorder.waiting_bytes < 500
    full.room = 10_000
    assert recorder.close()
    kept = payloads(path)
    assert kept[1:-1] == [b"%d" % n for n in range(taken)], "all that was taken, in order"
    assert kept[-1] == b'{"what": "end"}'


def test_what_the_disk_never_took_is_said_in_the_end(tmp_path: Path) -> None:
    recorder, full, _ = on_full_disk(tmp_path / "a.journal")
    recorder.block(b"two")
    assert not recorder.close()
    assert full.closed
    assert payloads(tmp_path / "a.journal") == [b"one"]


def test_a_wall_clock_that_is_set_leaves_a_note(tmp_path: Path) -> None:
    class Wall(StillClock):
        hours = 0

        def utc(self) -> datetime:
            return super().utc() + timedelta(hours=self.hours, seconds=self.now_s)

    clock = Wall()
    recorder = Recorder(tmp_path / "a.journal", clock)
    recorder.block(b"one")
    clock.now_s += 3600
    recorder.block(b"two")
    clock.hours = -1
    recorder.block(b"three")
    recorder.close()
    assert payloads(tmp_path / "a.journal") == [
        b"one",
        b"two",
        b'{"what": "host_clock_step", "step_s": -3600.0}',
        b"three",
    ]
