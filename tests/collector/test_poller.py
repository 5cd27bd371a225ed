"""The poller records every block once, comes back after a loss, and says why it ended."""

import threading
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.errors import (
    CollectorError,
    JournalFullError,
    PhoneGoneError,
    PhoneRefusedError,
    PhoneSilentError,
    ServerGoneError,
)
from collector.recording.poller import Poller
from collector.recording.recorder import Recorder
from collector.recording.remote import RecorderStatus
from collector.recording.watch import Patience
from parsers.blocks import Block, parse_block, render_block
from parsers.journal import RecordKind, records_of
from parsers.runfolder import ClockAnchor


class TickingClock:
    """Moves on a little whenever it is asked."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def utc(self) -> datetime:
        return datetime(2026, 5, 4, tzinfo=UTC) + timedelta(seconds=self.now_s)

    def monotonic_s(self) -> float:
        self.now_s += 0.05
        return self.now_s


GONE = PhoneGoneError("x", "read")


@dataclass
class FilePhone:
    """A phone whose file is `data`; each stream gives it in pieces and ends as scripted.

    Attributes:
        turns: what happens to each stream in turn: how many bytes it gives, damaged or not, and
            the error at its end. After the last the phone cannot be reached.
    """

    data: bytes
    turns: list["Turn"]
    running: bool = True
    followed: list[int] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    started_with: list[tuple[str, int]] = field(default_factory=list)
    boot_id: str = "0a1b2c3d"

    def status(self) -> RecorderStatus:
        self.asked.append("status")
        return self._told(self.running)

    def ensure_running(self, first_boot_id: str, first_seq: int) -> RecorderStatus:
        self.started_with.append((first_boot_id, first_seq))
        if not self.turns:
            raise PhoneGoneError("x", "start")
        self.running = True
        return self._told(running=True)

    def follow(self, from_bytes: int) -> "FileStream":
        self.followed.append(from_bytes)
        return FileStream(self, from_bytes, self.turns.pop(0))

    def stop(self) -> RecorderStatus:
        self.asked.append("stop")
        self.running = False
        return self._told(running=False)

    def remove(self) -> None:
        self.asked.append("remove")
        self.data = b""

    def _told(self, running: bool) -> RecorderStatus:
        return RecorderStatus(
            version=2,
            state="running" if running else "idle",
            run_id="0a1b",
            mode="polled",
            boot_id=self.boot_id,
            boot_s=0.0,
            n_bytes=len(self.data),
        )


@dataclass
class Turn:
    n_bytes: int = 1 << 30
    then: Exception | None = None
    damage_at: int | None = None
    stop: threading.Event | None = None


class FileStream:
    def __init__(self, phone: FilePhone, from_bytes: int, turn: Turn) -> None:
        data = bytearray(phone.data)
        if turn.damage_at is not None:
            data[turn.damage_at] ^= 0xFF
        self._left = bytes(data[from_bytes : from_bytes + turn.n_bytes])
        self._turn = turn

    def read(self, timeout_s: float) -> bytes | None:
        if self._left:
            piece, self._left = self._left[:37], self._left[37:]
            return piece
        if self._turn.then is not None:
            raise self._turn.then
        if self._turn.stop is not None:
            self._turn.stop.set()
        return None

    def close(self) -> None:
        pass


class Way:
    """Counts the ways back; `errors` come first."""

    def __init__(self, *errors: CollectorError) -> None:
        self.errors = list(errors)
        self.stalled: list[bool] = []

    def restore(self, *, stalled: bool) -> None:
        self.stalled.append(stalled)
        if self.errors:
            raise self.errors.pop(0)


def block(seq: int, level: int = 50) -> bytes:
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


def blocks(n_blocks: int, level: int = 50) -> bytes:
    return b"".join(block(seq, level) for seq in range(n_blocks))


SIZE = len(block(0))


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.recording.poller.BACK_OFF_S", (0.001,))


def poll(
    tmp_path: Path,
    phone: FilePhone,
    patience: Patience | None = None,
    way: Way | None = None,
    stop: threading.Event | None = None,
) -> Poller:
    clock = TickingClock()
    recorder = Recorder(tmp_path / "alder-1.journal", clock, clock)
    anchor = ClockAnchor(boot_id="0a1b2c3d", boot_s=1.0, host_s=2.0, u_s=0.01)
    poller = Poller(
        "alder-1",
        way or Way(),
        phone,
        recorder,
        clock,
        stop or threading.Event(),
        lambda: anchor,
        patience or Patience(after_loss_s=1.0, after_empty_s=0.0),
    )
    poller.start()
    poller.join(timeout=10)
    assert not poller.is_alive()
    return poller


def recorded(tmp_path: Path) -> list[int]:
    found = records_of(tmp_path / "alder-1.journal", RecordKind.BLOCK)
    read = [parse_block(r.payload) for r in found]
    assert all(read)
    return [b.seq for b in read if b]


def events(tmp_path: Path) -> list[bytes]:
    return [r.payload for r in records_of(tmp_path / "alder-1.journal", RecordKind.EVENT)]


def test_empty_phone_that_falls_silent_has_shut_off(tmp_path: Path) -> None:
    poller = poll(tmp_path, FilePhone(blocks(2, level=1), [Turn(then=GONE)]))
    assert poller.watch.end is not None
    assert poller.watch.end.what == "shut_off"
    assert poller.watch.end.evidence == "last seen at level 1 %, 3900 mV"
    assert recorded(tmp_path) == [0, 1]
    assert poller.watch.left_on_phone, "its last seconds may be there"


def test_full_phone_that_falls_silent_is_lost_and_waited_for(tmp_path: Path) -> None:
    way = Way(*[PhoneGoneError("x", "connecting")] * 1000)
    phone = FilePhone(blocks(1, level=80), [Turn(then=GONE)])
    poller = poll(tmp_path, phone, Patience(after_loss_s=2.0), way)
    assert poller.watch.end is not None
    assert poller.watch.end.what == "link_lost"
    assert len(way.stalled) > 3
    assert sum(b'"link_lost"' in e and b"reason" in e for e in events(tmp_path)) == 1


@pytest.mark.parametrize("n_bytes", [1, SIZE - 1, SIZE, SIZE + 1, 2 * SIZE + 60])
def test_a_broken_stream_is_taken_up_where_the_last_whole_block_ended(
    tmp_path: Path, n_bytes: int
) -> None:
    phone = FilePhone(blocks(5), [Turn(n_bytes, GONE), Turn(n_bytes, GONE), Turn(then=GONE)])
    poll(tmp_path, phone)
    assert recorded(tmp_path) == [0, 1, 2, 3, 4]
    whole = n_bytes // SIZE * SIZE
    assert phone.followed == [0, whole, 2 * whole]


@pytest.mark.parametrize("damage_at", [3, SIZE - 2, SIZE + 1, 2 * SIZE + 5])
def test_what_was_damaged_on_the_way_is_fetched_again(tmp_path: Path, damage_at: int) -> None:
    phone = FilePhone(blocks(5), [Turn(damage_at=damage_at), Turn(then=GONE)])
    poller = poll(tmp_path, phone)
    assert recorded(tmp_path) == [0, 1, 2, 3, 4]
    assert any(b'"stray"' in e for e in events(tmp_path))
    assert poller.watch.end is not None


def test_what_is_damaged_on_the_phone_is_passed_over(tmp_path: Path) -> None:
    data = blocks(2) + b"@begin 2 0a1b2c3d 2.0\n@part uev" + b"\n" + block(3) + block(4)
    phone = FilePhone(data, [Turn(), Turn(then=GONE)])
    poll(tmp_path, phone)
    assert recorded(tmp_path) == [0, 1, 3, 4]
    assert phone.followed == [0, 2 * SIZE]


def test_stop_ends_the_recorder_takes_the_rest_and_clears_the_phone(tmp_path: Path) -> None:
    stop = threading.Event()
    phone = FilePhone(blocks(3), [Turn(stop=stop)])
    poller = poll(tmp_path, phone, stop=stop)
    assert poller.watch.end is not None
    assert poller.watch.end.what == "stopped"
    assert recorded(tmp_path) == [0, 1, 2]
    assert phone.asked == ["stop", "remove"]
    assert not poller.watch.left_on_phone
    assert any(b'"fetched_all"' in e for e in events(tmp_path))


def test_nothing_is_deleted_on_the_phone_before_it_is_on_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Recorder, "close", lambda self: self._file.close())
    stop = threading.Event()
    phone = FilePhone(blocks(3), [Turn(stop=stop)])
    poller = poll(tmp_path, phone, stop=stop)
    assert "remove" not in phone.asked
    assert poller.watch.left_on_phone
    assert poller.watch.error is not None


def test_nothing_is_deleted_while_the_recorder_does_not_stop(tmp_path: Path) -> None:
    stop = threading.Event()
    phone = FilePhone(blocks(3), [Turn(stop=stop)])
    phone.stop = phone.status  # type: ignore[method-assign]
    poller = poll(tmp_path, phone, stop=stop)
    assert "remove" not in phone.asked
    assert poller.watch.left_on_phone


def test_a_silent_stream_makes_it_ask(tmp_path: Path) -> None:
    phone = FilePhone(blocks(2), [Turn()])
    asked = phone.status

    def stalled() -> RecorderStatus:
        if len(phone.asked) < 3:
            return asked()
        raise PhoneSilentError("x", "status", 10.0)

    phone.status = stalled  # type: ignore[method-assign]
    way = Way(*[PhoneGoneError("x", "connecting")] * 1000)
    patience = Patience(after_loss_s=2.0, silent_s=0.5)
    poller = poll(tmp_path, phone, patience, way)
    assert phone.asked == ["status"] * 3, "a phone asleep is left alone, then asked again"
    assert poller.watch.end is not None
    assert way.stalled[0], "the link is begun anew: it looks good and carries nothing"


def test_a_stream_that_lags_behind_the_file_is_left(tmp_path: Path) -> None:
    phone = FilePhone(blocks(4), [Turn(n_bytes=2 * SIZE), Turn(then=GONE)])
    poll(tmp_path, phone, Patience(after_loss_s=2.0, silent_s=0.5))
    assert recorded(tmp_path) == [0, 1, 2, 3]
    assert phone.followed == [0, 2 * SIZE]


def test_a_recorder_that_has_ended_is_started_again(tmp_path: Path) -> None:
    phone = FilePhone(blocks(2), [Turn(), Turn(then=GONE)], running=True)
    status = phone.status

    def ended() -> RecorderStatus:
        phone.running = False
        return status()

    phone.status = ended  # type: ignore[method-assign]
    poll(tmp_path, phone, Patience(after_loss_s=1.0, silent_s=0.5))
    assert phone.started_with[:2] == [("", 0), ("0a1b2c3d", 2)], "numbers go on"
    assert "remove" in phone.asked, "a full file makes room once all of it is here"
    assert phone.followed == [0, 0]


@pytest.mark.parametrize(
    ("error", "state", "advice"),
    [
        (ServerGoneError(1), "waiting for the adb server", "start-server"),
        (PhoneRefusedError("x", "unauthorized"), "waiting for you", "accept the debugging key"),
        (PhoneGoneError("x", "w", state="offline"), "waiting for the link", "connect again"),
        (PhoneGoneError("x", "w"), "waiting for the link", "not listed"),
        (PhoneSilentError("x", "w", 1.0), "no answer", "asleep or out of reach"),
    ],
)
def test_what_is_waited_for_is_said(
    tmp_path: Path, error: CollectorError, state: str, advice: str
) -> None:
    seen: list[tuple[str, str]] = []

    class Watched(Way):
        def restore(self, *, stalled: bool) -> None:
            if self.stalled:
                seen.append((poller.watch.state, poller.watch.advice))
            super().restore(stalled=stalled)

    way = Watched(*[error] * 1000)
    clock = TickingClock()
    phone = FilePhone(blocks(1), [Turn(then=GONE)])
    poller = Poller(
        "alder-1",
        way,
        phone,
        Recorder(tmp_path / "alder-1.journal", clock, clock),
        clock,
        threading.Event(),
        lambda: ClockAnchor(boot_id="0a1b2c3d", boot_s=1.0, host_s=2.0, u_s=0.01),
        Patience(after_loss_s=2.0),
    )
    poller.start()
    poller.join(timeout=10)
    assert seen
    assert seen[0][0] == state
    assert advice in seen[0][1]


def test_a_full_memory_waits_for_the_disk_and_then_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    block_of = Recorder.block
    refusals = [3]

    def full(self: Recorder, raw: bytes) -> None:
        if b"@begin 2 " in raw and refusals[0]:
            refusals[0] -= 1
            raise JournalFullError("journal", "No space left on device")
        block_of(self, raw)

    monkeypatch.setattr(Recorder, "block", full)
    phone = FilePhone(blocks(5), [Turn(), Turn(), Turn(), Turn(then=GONE)])
    poll(tmp_path, phone)
    assert recorded(tmp_path) == [0, 1, 2, 3, 4]
    assert phone.followed == [0, 2 * SIZE, 2 * SIZE, 2 * SIZE]


def test_a_flooding_phone_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.recording.flow.TOTAL_BYTES", 10 * SIZE)
    phone = FilePhone(blocks(50), [Turn(then=GONE)])
    poller = poll(tmp_path, phone)
    assert poller.watch.error is not None
    assert "more than any run needs" in poller.watch.error
    assert 5 < len(recorded(tmp_path)) <= 10


def test_a_file_that_is_gone_from_the_phone_is_begun_anew(tmp_path: Path) -> None:
    phone = FilePhone(blocks(3), [Turn(then=GONE), Turn(then=GONE)])
    ensure = phone.ensure_running

    def wiped(first_boot_id: str, first_seq: int) -> RecorderStatus:
        if first_seq:
            phone.data = block(3)
        return ensure(first_boot_id, first_seq)

    phone.ensure_running = wiped  # type: ignore[method-assign]
    poll(tmp_path, phone)
    assert recorded(tmp_path) == [0, 1, 2, 3]
    assert any(b'"file_gone"' in e for e in events(tmp_path))


def test_no_serial_in_the_journal(tmp_path: Path) -> None:
    gone = PhoneGoneError("SERIAL-9", "read SERIAL-9")
    poll(tmp_path, FilePhone(blocks(1, level=1), [Turn(then=gone)]))
    assert not any(b"SERIAL-9" in payload for payload in events(tmp_path))
