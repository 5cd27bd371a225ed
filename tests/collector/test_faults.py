"""The fault campaign: whatever happens, every reading is kept once, or named as missing.

Each fault strikes in the middle of a run of virtual phones behind a real adb server; recording has
to go on after it. Then every block that the phone made is looked for in the tables. The names of
the faults are the rows of the table in the contributor guide.
"""

import errno
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from collector.adb import AdbServer
from collector.onphone import FOLDER
from collector.recording.arming import collect
from collector.recording.bench import make_ready
from collector.recording.poller import Poller
from collector.recording.watch import Patience
from collector.virtual.clock import FastTime
from collector.virtual.handset import ALDER
from parsers.runfolder import RunFolder, checked_label
from parsers.tables import read_table

pytestmark = pytest.mark.timeout(60)
LABEL = "alder-1"
BEFORE, AFTER = 15, 12

Fault = Callable[[Any, Poller], None]


def until_blocks(poller: Poller, n_more: int) -> None:
    """Waits for so many more blocks in the journal."""
    from_here = poller.watch.n_blocks
    wait_until(lambda: poller.watch.n_blocks >= from_here + n_more, poller)


def wait_until(ready: Callable[[], object], poller: Poller) -> None:
    deadline = time.monotonic() + 40
    while not ready():
        assert time.monotonic() < deadline, poller.watch
        time.sleep(0.005)


def adbd(stand: Any) -> Any:
    return stand.hosted[LABEL].adbd


def gone_for(seconds: float) -> Fault:
    return lambda stand, _: stand.away(LABEL, lambda: stand.pass_s(seconds))


def stalled_for(seconds: float) -> Fault:
    def strike(stand: Any, _: Poller) -> None:
        stand.call(adbd(stand).stall)
        stand.pass_s(seconds)
        stand.call(adbd(stand).resume)

    return strike


def dripping(stand: Any, _: Poller) -> None:
    stand.call(adbd(stand).drip, 400.0)
    stand.pass_s(100)
    stand.call(adbd(stand).drip, None)


def cut_after(n_bytes: int) -> Fault:
    return lambda stand, _: stand.call(adbd(stand).cut_stream, after_bytes=n_bytes)


def cut_often(stand: Any, poller: Poller) -> None:
    places = random.Random(5)
    for _ in range(10):
        stand.call(adbd(stand).cut_stream, after_bytes=places.randrange(2000))
        until_blocks(poller, 5)


def garbled(stand: Any, poller: Poller) -> None:
    for _ in range(3):
        stand.call(adbd(stand).garble_stream)
        until_blocks(poller, 5)


def disconnected(stand: Any, _: Poller) -> None:
    stand.server.disconnect(stand.hosted[LABEL].address)


def server_killed(times: int) -> Fault:
    def strike(stand: Any, poller: Poller) -> None:
        for _ in range(times):
            stand.server.kill()
            until_blocks(poller, 5)

    return strike


def server_ended(stand: Any, _: Poller) -> None:
    stand.server.ask_server("host:kill", has_body=False)
    stand.server._child.wait(10)


def server_replaced(stand: Any, poller: Poller) -> None:
    """What a program with another version of adb does to a server that it meets."""
    port = str(stand.server.port)
    environment = stand.server.environment
    subprocess.run(
        ["/usr/bin/adb", "-P", port, "devices"], env=environment, check=True, capture_output=True
    )
    until_blocks(poller, 20)
    subprocess.run(
        ["/usr/bin/adb", "-P", port, "kill-server"],
        env=environment,
        check=True,
        capture_output=True,
    )


def rebooted(stand: Any, _: Poller) -> None:
    stand.away(LABEL, lambda: stand.call(stand.phones[LABEL].reboot))


def rebooted_unnoticed(stand: Any, _: Poller) -> None:
    """The stream just falls silent, as after a crash of the phone behind a Wi-Fi bridge."""
    stand.call(stand.phones[LABEL].reboot)


def rebooted_twice(stand: Any, poller: Poller) -> None:
    rebooted(stand, poller)
    until_blocks(poller, 2)
    rebooted(stand, poller)


def recorder_killed(torn_bytes: int) -> Fault:
    return lambda stand, _: stand.call(stand.phones[LABEL].recorder.kill, torn_bytes=torn_bytes)


def wiped(stand: Any, _: Poller) -> None:
    phone = stand.phones[LABEL]
    stand.call(phone.recorder.kill)
    stand.call(phone.files.remove, FOLDER)


def phone_full(stand: Any, poller: Poller) -> None:
    files = stand.phones[LABEL].files
    limit_bytes, files.limit_bytes = files.limit_bytes, files.used_bytes
    stand.pass_s(20)
    files.limit_bytes = limit_bytes


def phone_clock(step_s: float) -> Fault:
    return lambda stand, _: stand.call(stand.phones[LABEL].handset.jump_wall_clock, step_s)


def unauthorized(stand: Any, poller: Poller) -> None:
    stand.away(LABEL, lambda: stand.call(adbd(stand).require_auth, True))
    wait_until(lambda: "accept the debugging key" in poller.watch.advice, poller)
    stand.away(LABEL, lambda: stand.call(adbd(stand).require_auth, False))


def on_full_disk(poller: Poller) -> "Full":
    full = Full(poller._recorder._file)
    poller._recorder._file = full  # type: ignore[assignment]  # all that a recorder uses
    return full


def disk_full(stand: Any, poller: Poller) -> None:
    full = on_full_disk(poller)
    until_blocks(poller, 10)
    assert poller._recorder.problem == "No space left on device"
    full.room = True


def disk_full_beyond_memory(stand: Any, poller: Poller) -> None:
    poller._recorder._memory_bytes = 2000
    full = on_full_disk(poller)
    wait_until(lambda: poller.watch.state == "disk full", poller)
    stand.pass_s(60)
    full.room = True


class Full:
    """A journal's file on a disk that takes nothing until there is `room`."""

    def __init__(self, file: Any) -> None:
        self._file = file
        self.room = False

    def write(self, data: bytes) -> int:
        if not self.room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return int(self._file.write(data))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


NOTHING_LOST: dict[str, Fault] = {
    "phone gone for 1 s": gone_for(1.0),
    "phone gone for 5 min": gone_for(300.0),
    "link stalls for 5 s": stalled_for(5.0),
    "link stalls for 3 min": stalled_for(180.0),
    "link drips": dripping,
    "stream cut at once": cut_after(0),
    "stream cut within a packet head": cut_after(3),
    "stream cut within a block": cut_after(700),
    "stream cut ten times": cut_often,
    "bytes damaged on the way": garbled,
    "adb disconnect": disconnected,
    "adb server ended by kill-server": server_ended,
    "adb server killed ten times": server_killed(10),
    "adb server replaced by another version": server_replaced,
    "phone restarts": rebooted,
    "phone restarts behind an open stream": rebooted_unnoticed,
    "phone restarts twice": rebooted_twice,
    "recorder on the phone killed": recorder_killed(0),
    "recorder killed while it writes": recorder_killed(120),
    "phone's clock set 1 h forward": phone_clock(3600.0),
    "phone's clock set 1 h back": phone_clock(-3600.0),
    "key no longer accepted, then accepted": unauthorized,
    "disk full for a while": disk_full,
    "disk full beyond the memory's bound": disk_full_beyond_memory,
}


@pytest.mark.parametrize("name", NOTHING_LOST)
def test_nothing_is_lost(stand: Any, name: str) -> None:
    stand.add()
    with stand.bench() as bench:
        (poller,) = bench.pollers
        until_blocks(poller, BEFORE)
        NOTHING_LOST[name](stand, poller)
        until_blocks(poller, AFTER)
    assert poller.watch.end is not None
    assert poller.watch.end.what == "stopped"
    assert not poller.watch.left_on_phone, "fetched to the end, and the phone is clean"
    assert stand.phones[LABEL].files.find(FOLDER) is None
    stand.check()


LOSES: dict[str, Fault] = {
    "phone's storage full for a while": phone_full,
    "blocks deleted on the phone": wiped,
}


@pytest.mark.parametrize("name", LOSES)
def test_what_is_lost_is_named(stand: Any, name: str) -> None:
    stand.add()
    with stand.bench() as bench:
        (poller,) = bench.pollers
        until_blocks(poller, BEFORE)
        LOSES[name](stand, poller)
        until_blocks(poller, AFTER)
    stand.check(n_missing=None)


def test_phone_gone_for_good_keeps_the_rest_until_collected(stand: Any) -> None:
    stand.add()
    with stand.bench(patience=Patience(after_loss_s=20.0)) as bench:
        (poller,) = bench.pollers
        until_blocks(poller, BEFORE)
        stand.call(adbd(stand).vanish)
        assert bench.wait(30)
    assert poller.watch.end is not None
    assert poller.watch.end.what == "link_lost"
    assert poller.watch.left_on_phone
    assert stand.check(n_missing=None), "what only the phone has is named as missing"
    stand.call(adbd(stand).come_back)
    stand.server.connect(stand.hosted[LABEL].address)
    (outcome,) = collect(stand.run, AdbServer(stand.server.port), stand.time)
    assert outcome.problem is None
    assert outcome.n_blocks > 0
    stand.check()
    assert stand.phones[LABEL].files.find(FOLDER) is None


class Stepping:
    """The stand's time with a wall clock of its own that can be set."""

    def __init__(self, time: FastTime) -> None:
        self._time = time
        self.step_s = 0.0

    def utc(self) -> datetime:
        return self._time.utc() + timedelta(seconds=self.step_s)

    def monotonic_s(self) -> float:
        return self._time.monotonic_s()


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_computers_clock_is_set(stand: Any, step_s: float) -> None:
    stand.add()
    clock = Stepping(stand.time)
    with stand.bench(clock) as bench:
        (poller,) = bench.pollers
        until_blocks(poller, BEFORE)
        clock.step_s = step_s
        until_blocks(poller, AFTER)
    stand.check()
    rows = read_table(stand.run.tables / "readings").to_pandas()
    assert (rows["host_s"].diff().dropna() > 0).all(), "durations do not know of it"
    steps_s = rows["host_utc"].diff().dt.total_seconds().dropna()
    assert steps_s.abs().max() == pytest.approx(abs(step_s), abs=60)


def test_a_folder_that_cannot_be_written_is_said_before_the_run(stand: Any) -> None:
    stand.add()
    stand.run = RunFolder(stand.run.path / "file" / "run")
    stand.run.path.parent.parent.mkdir()
    stand.run.path.parent.write_text("in the way")
    with pytest.raises(OSError, match="Not a directory"), stand.bench():
        pass


@pytest.mark.parametrize("kind", ["floods", "drips"])
def test_a_hostile_phone_does_not_hold_up_the_others(
    stand: Any, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.recording.flow.BURST_BYTES", 1_000_000)
    monkeypatch.setattr("collector.recording.flow.TOTAL_BYTES", 20_000_000)
    stand.add()
    bad = stand.add("birch-1", seed=9)

    async def flood(path: str, from_bytes: int, io: Any, *, follow: bool) -> int:
        while True:
            await io.out(b"@begin 1 0a1b2c3d 1.0\n" + b"x" * 65536)

    if kind == "floods":
        bad._tail = flood
    with stand.bench() as bench:
        good, other = bench.pollers
        if kind == "drips":
            stand.call(stand.hosted["birch-1"].adbd.drip, 20.0)
        until_blocks(good, 60)
        assert other._recorder.waiting_bytes == 0
        if kind == "drips":
            stand.call(stand.hosted["birch-1"].adbd.drip, None)
    stand.check()
    journal = stand.run.journal_path("birch-1")
    assert journal.stat().st_size < 2_000_000


def test_a_journal_torn_at_any_place_keeps_what_was_whole(stand: Any) -> None:
    stand.add()
    with stand.bench() as bench:
        until_blocks(bench.pollers[0], 40)
    whole = stand.check()
    journal = stand.run.journal_path(LABEL)
    data = journal.read_bytes()
    all_rows = stand.tables()[LABEL]
    seen = []
    for n_bytes in range(18, len(data), 211):
        journal.write_bytes(data[:n_bytes])
        rows = stand.tables().get(LABEL, [])
        assert rows == all_rows[: len(rows)]
        seen.append(len(rows))
    assert seen == sorted(seen)
    assert whole == []


def test_hostile_names_go_nowhere(stand: Any) -> None:
    hostile = "../../etc/\x1b[31m\u202e$(reboot)`id`<script>" + "x" * 4000
    stand.add(spec=replace(ALDER, model=hostile))
    (ready,) = make_ready(AdbServer(stand.server.port), {})
    assert checked_label(ready.entry.label) == ready.entry.label
    with stand.bench() as bench:
        until_blocks(bench.pollers[0], BEFORE)
    stand.check()
    written = {path.name for path in stand.run.path.rglob("*")}
    assert not any("etc" in name or "script" in name for name in written)
    assert b"\x1b" not in stand.run.manifest_path.read_bytes()


ZYGOTE = """
import os, sys, threading
from pathlib import Path
from collector.adb import AdbServer
from collector.recording.bench import Bench, make_ready
from collector.clock import SystemClock
from parsers.runfolder import RunFolder, checked_label

port = int(sys.argv[1])
for line in sys.stdin:
    path, label, serial = line.split()
    child = os.fork()
    if child == 0:
        server = AdbServer(port)
        ready = make_ready(server, {serial: label}, tick_ms=100)
        with Bench(RunFolder(Path(path)), server, ready, SystemClock()):
            threading.Event().wait()
    print(child, flush=True)
    os.waitpid(child, 0)
    print("dead", flush=True)
"""


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_the_poller_killed_fifty_times_at_random_moments(stand: Any, tmp_path: Any) -> None:
    stand.RATE = 1.0
    stand.time = FastTime(10.0)
    moments = random.Random(7)
    phone = stand.add()
    serial = stand.hosted[LABEL].address
    server = AdbServer(stand.server.port)
    with subprocess.Popen(
        [sys.executable, "-c", ZYGOTE, str(stand.server.port)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as zygote:
        assert zygote.stdin is not None
        assert zygote.stdout is not None
        n_rows = []
        for n in range(50):
            stand.run = RunFolder(tmp_path / f"run-{n}")
            stand.made[LABEL].clear()
            zygote.stdin.write(f"{stand.run.path} {LABEL} {serial}\n")
            zygote.stdin.flush()
            child = int(zygote.stdout.readline())
            deadline = time.monotonic() + 20
            while not stand.run.manifest_path.exists() or phone.last_seq is None:
                assert time.monotonic() < deadline
                time.sleep(0.005)
            time.sleep(moments.uniform(0.0, 0.5))
            os.kill(child, signal.SIGKILL)
            assert zygote.stdout.readline() == "dead\n"
            assert stand.run.read_manifest().outcome is None, "interrupted, not assumed good"
            if stand.made[LABEL]:
                (outcome,) = collect(stand.run, server, stand.time)
                assert outcome.problem is None
                stand.check()
                n_rows.append(len(stand.made[LABEL]))
            phone.recorder.last_seq = None
        zygote.stdin.close()
    assert len(n_rows) >= 45
    assert len(set(n_rows)) > 5, "the moments differed"
