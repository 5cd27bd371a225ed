"""The poller records every block, numbers on after a loss, and ends for a reason it can name."""

import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.adb import Reply
from collector.errors import CollectorError, PhoneGoneError
from collector.onphone import LoopSettings
from collector.poller import Patience, Poller
from collector.recorder import Recorder
from parsers.blocks import Block, parse_block, render_block
from parsers.journal import RecordKind, records_of


class TickingClock:
    """Moves on a little whenever it is asked."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def utc(self) -> datetime:
        return datetime(2026, 5, 4, tzinfo=UTC) + timedelta(seconds=self.now_s)

    def monotonic_s(self) -> float:
        self.now_s += 0.05
        return self.now_s


class ScriptedStream:
    def __init__(self, pieces: list[bytes | Exception | None]) -> None:
        self._pieces = iter(pieces)
        self.closed = False

    def read(self, timeout_s: float) -> bytes | None:
        piece = next(self._pieces)
        if isinstance(piece, Exception):
            raise piece
        return piece

    def close(self) -> None:
        self.closed = True


class ScriptedPhone:
    """Gives out streams in order; after the last it is gone for good."""

    serial = "S/../\x1b[31m"

    def __init__(self, make: Callable[[int, int], list[bytes | Exception | None]], n: int) -> None:
        self._make = make
        self._left: Iterator[int] = iter(range(n))
        self.streams: list[ScriptedStream] = []
        self.first_seqs: list[int] = []

    def ask(self, command: str, deadline_s: float) -> Reply:
        raise AssertionError("the poller asks nothing")

    def stream(self, command: str) -> ScriptedStream:
        index = next(self._left, None)
        if index is None:
            raise PhoneGoneError(self.serial, "stream")
        first_seq = int(command.split("FIRST_SEQ=")[1].split(maxsplit=1)[0])
        self.first_seqs.append(first_seq)
        self.streams.append(ScriptedStream(self._make(index, first_seq)))
        return self.streams[-1]


def block(seq: int, level: int) -> bytes:
    text = (
        f"POWER_SUPPLY_NAME=battery\nPOWER_SUPPLY_CAPACITY={level}\n"
        f"POWER_SUPPLY_VOLTAGE_NOW=3900000\nPOWER_SUPPLY_CURRENT_NOW=-250000\n"
    )
    return render_block(
        Block(
            seq=seq,
            boot_id="0a1b2c3d",
            begin_boot_s=float(seq),
            boot_s=float(seq),
            phone_epoch_s=None,
            loop_cpu_ticks=None,
            parts=(("uevent", text.encode()),),
        )
    )


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.poller.BACK_OFF_S", (0.001,))


def poll(
    tmp_path: Path,
    phone: ScriptedPhone,
    patience: Patience,
    reconnect: Callable[[], None] = lambda: None,
) -> Poller:
    clock = TickingClock()
    recorder = Recorder(tmp_path / "alder-1.journal", clock, clock)
    stop = threading.Event()
    poller = Poller(
        "alder-1", phone, LoopSettings(fast="uevent"), recorder, clock, stop, reconnect, patience
    )
    poller.start()
    poller.join(timeout=10)
    assert not poller.is_alive()
    return poller


def recorded(tmp_path: Path) -> list[int]:
    found = records_of(tmp_path / "alder-1.journal", RecordKind.BLOCK)
    blocks = [parse_block(r.payload) for r in found]
    assert all(blocks)
    return [b.seq for b in blocks if b]


GONE = PhoneGoneError("x", "read")


def test_empty_phone_that_falls_silent_has_shut_off(tmp_path: Path) -> None:
    phone = ScriptedPhone(lambda _i, first: [block(first, 2), block(first + 1, 1), GONE], 1)
    poller = poll(tmp_path, phone, Patience(after_empty_s=0.0))
    assert poller.watch.end is not None
    assert poller.watch.end.what == "shut_off"
    assert poller.watch.end.evidence == "last seen at level 1 %, 3900 mV"
    assert recorded(tmp_path) == [0, 1]
    assert phone.streams[0].closed


def test_full_phone_that_falls_silent_is_lost_and_waited_for(tmp_path: Path) -> None:
    phone = ScriptedPhone(lambda _i, first: [block(first, 80), None, GONE], 1)
    calls: list[int] = []

    def reconnect() -> None:
        calls.append(1)
        raise PhoneGoneError("x", "connecting")

    poller = poll(tmp_path, phone, Patience(after_loss_s=2.0), reconnect)
    assert poller.watch.end is not None
    assert poller.watch.end.what == "link_lost"
    assert len(calls) > 3
    what = [r.payload for r in records_of(tmp_path / "alder-1.journal", RecordKind.EVENT)]
    assert sum(b'"link_lost"' in w and b"reason" in w for w in what) == 1


def test_numbers_go_on_after_a_loss(tmp_path: Path) -> None:
    phone = ScriptedPhone(
        lambda i, first: [
            block(first, 50 - i)[:40],
            block(first, 50 - i)[40:] + block(first + 1, 50 - i),
            block(first + 2, 50)[:30],
            GONE,
        ],
        3,
    )
    poller = poll(tmp_path, phone, Patience(after_loss_s=1.0))
    assert phone.first_seqs == [0, 2, 4]
    assert recorded(tmp_path) == [0, 1, 2, 3, 4, 5]
    assert poller.watch.n_blocks == 6


def test_every_loss_with_progress_starts_the_patience_anew(tmp_path: Path) -> None:
    phone = ScriptedPhone(lambda _i, first: [block(first, 50), *[None] * 30, GONE], 5)
    poller = poll(tmp_path, phone, Patience(after_loss_s=1.0))
    assert recorded(tmp_path) == [0, 1, 2, 3, 4]
    assert poller.watch.end is not None


def test_noise_between_blocks_is_noted(tmp_path: Path) -> None:
    phone = ScriptedPhone(lambda _i, first: [b"sh: warning\n" + block(first, 1), GONE], 1)
    poll(tmp_path, phone, Patience(after_empty_s=0.0))
    events = [r.payload for r in records_of(tmp_path / "alder-1.journal", RecordKind.EVENT)]
    assert any(b'"stray"' in e and b'"n_bytes": 12' in e for e in events)


def test_a_refusing_phone_is_waited_for_too(tmp_path: Path) -> None:
    def refuse() -> None:
        raise CollectorError("unauthorized")

    phone = ScriptedPhone(lambda _i, first: [block(first, 60), GONE], 1)
    poller = poll(tmp_path, phone, Patience(after_loss_s=1.0), refuse)
    assert poller.watch.end is not None
    assert poller.watch.end.what == "link_lost"


def test_no_serial_in_the_journal(tmp_path: Path) -> None:
    phone = ScriptedPhone(
        lambda _i, first: [block(first, 1), PhoneGoneError("SERIAL-9", "read SERIAL-9")], 1
    )
    poll(tmp_path, phone, Patience(after_empty_s=0.0))
    for record in records_of(tmp_path / "alder-1.journal", RecordKind.EVENT):
        assert b"SERIAL-9" not in record.payload
        assert b"\x1b" not in record.payload
        assert b"S/.." not in record.payload


def test_stop_ends_it_cleanly(tmp_path: Path) -> None:
    clock = TickingClock()
    stop = threading.Event()

    class Endless(ScriptedStream):
        def read(self, timeout_s: float) -> bytes | None:
            stop.set()
            return None

    phone = ScriptedPhone(lambda _i, first: [], 1)
    phone.stream = lambda command: Endless([])  # type: ignore[method-assign]
    recorder = Recorder(tmp_path / "alder-1.journal", clock, clock)
    poller = Poller(
        "alder-1", phone, LoopSettings(fast="uevent"), recorder, clock, stop, lambda: None
    )
    poller.start()
    poller.join(timeout=10)
    assert poller.watch.end is not None
    assert poller.watch.end.what == "stopped"


def test_a_full_disk_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: Recorder, raw: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Recorder, "block", full)
    phone = ScriptedPhone(lambda _i, first: [block(first, 60), GONE], 1)
    poller = poll(tmp_path, phone, Patience())
    assert poller.watch.error == "cannot write the journal: No space left on device"
    assert poller.watch.end is None
