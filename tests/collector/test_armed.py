"""Phones that record with no link at all give what a linked run gives, to the last reading."""

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer
from collector.clock import RunClock
from collector.errors import PhoneArmedError
from collector.onphone import FOLDER, LoopSettings
from collector.recording.arming import arm, collect
from collector.recording.bench import Bench, make_ready
from collector.recording.remote import RemoteRecorder
from collector.recording.tidy import tidy
from collector.recording.watch import Patience
from collector.tagging.tags import Tagger
from collector.virtual.clock import VIRTUAL_START_UTC, SteppedTime
from collector.virtual.farm import Hosted, VirtualFarm
from collector.virtual.handset import ALDER, Handset, Stage
from collector.virtual.loads import NAVIGATION, STANDBY, VIDEO_BRIEFING
from collector.virtual.phone import VirtualPhone
from parsers.runfolder import RunFolder
from parsers.tables import read_table

pytestmark = pytest.mark.timeout(120)
LABEL = "alder-1"
STEP_S = 20.0
DRIFT_RATIO = 50e-6
DAY = (("navigation", NAVIGATION, 2400.0), ("standby", STANDBY, 2400.0))


class HostClock:
    """The computer's clock: quicker than the phone's by `DRIFT_RATIO`."""

    def __init__(self, time: SteppedTime) -> None:
        self._time = time

    def monotonic_s(self) -> float:
        return 1000.0 + self._time.monotonic_s() * (1.0 + DRIFT_RATIO)

    def utc(self) -> datetime:
        return VIRTUAL_START_UTC + timedelta(seconds=self.monotonic_s())


@dataclass
class Bed:
    """One phone on a stepped time, with so much charge that it shuts off in the third stage."""

    farm: VirtualFarm
    private: PrivateAdbServer
    time: SteppedTime
    clock: HostClock
    phone: VirtualPhone
    hosted: Hosted
    made: list[tuple[str, int]]

    @property
    def server(self) -> AdbServer:
        return AdbServer(self.private.port)

    def ready(self) -> Any:
        return make_ready(self.server, {self.hosted.address: LABEL})

    def step(self) -> None:
        self.farm.call(self.time.advance_to, self.time.monotonic_s() + STEP_S)
        self.farm.call(self.settle)

    async def settle(self) -> None:
        while self.phone.recorder.is_running and not self.phone.is_idle:
            await asyncio.sleep(0)

    def leave(self) -> None:
        self.farm.call(self.hosted.adbd.vanish)

    def come_back(self) -> None:
        self.farm.call(self.hosted.adbd.come_back)
        self.private.connect(self.hosted.address)


@pytest.fixture
def bed() -> Iterator[Bed]:
    with VirtualFarm() as farm, PrivateAdbServer() as private:
        yield new_bed(farm, private)


def new_bed(farm: VirtualFarm, private: PrivateAdbServer) -> Bed:
    time = SteppedTime()
    stages = [Stage(activity=a, duration_s=s, name=name) for name, a, s in DAY]
    stages.append(Stage(activity=VIDEO_BRIEFING, duration_s=1e6, name="video"))
    phone = VirtualPhone(Handset(ALDER, stages, seed=11, charge_ratio=0.4), time)
    made: list[tuple[str, int]] = []
    phone.recorder.on_block = lambda block: made.append((block.boot_id, block.seq))
    hosted = farm.add(phone)
    phone.on_off = hosted.adbd.vanish
    private.connect(hosted.address)
    return Bed(farm, private, time, HostClock(time), phone, hosted, made)


def live_through(bed: Bed, run: RunFolder, waiting: Any = lambda: None) -> None:
    """The day with its tags, until the phone is off."""
    tagger = Tagger(run, bed.clock)
    for name, _, duration_s in (*DAY, ("video", None, 1e9)):
        tagger.begin(name)
        end_s = bed.time.monotonic_s() + duration_s
        while bed.time.monotonic_s() < end_s - 1 and not bed.phone.handset.is_off:
            bed.step()
            waiting()
        tagger.end()


def rows(run: RunFolder) -> Any:
    return read_table(run.tables / "readings").to_pandas()


def energies(run: RunFolder) -> dict[str, dict[str, float]]:
    done = subprocess.run(
        [sys.executable, "-m", "rundown", "energy", str(run.path), "--json"],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert done.returncode in (0, 1), done.stderr
    (phone,) = json.loads(done.stdout)["phones"]
    return {segment["segment"]: segment for segment in phone["segments"]}


def record_linked(linked: Bed, run: RunFolder) -> None:
    """The same day, followed by a poller from beginning to end."""
    bench = Bench(
        run,
        linked.server,
        linked.ready(),
        linked.clock,
        virtual=True,
        patience=Patience(after_empty_s=0.0, silent_s=1e9),
    )
    with bench:
        (poller,) = bench.pollers

        def until_seen() -> None:
            made = linked.made
            while poller.is_alive() and (not made or poller.watch.last_seq != made[-1][1]):
                poller.join(0.0005)

        until_seen()
        live_through(linked, run, until_seen)
        poller.join(20)
    tidy(run)


@pytest.mark.slow
def test_an_armed_run_gives_what_a_linked_one_gives(bed: Bed, tmp_path: Path) -> None:
    run = RunFolder(tmp_path / "armed")
    assert [o.problem for o in arm(run, bed.server, bed.ready(), bed.clock, virtual=True)] == [
        None
    ]
    bed.leave()
    live_through(bed, run)
    off_s = bed.time.monotonic_s()
    bed.farm.call(bed.time.advance_to, off_s + 5400.0)
    bed.farm.call(bed.phone.reboot)
    bed.farm.call(bed.time.advance_to, off_s + 5430.0)
    bed.come_back()
    (outcome,) = collect(run, bed.server, bed.clock)
    assert outcome.problem is None
    assert outcome.n_blocks == len(bed.made) > 4000
    tidy(run)

    table = rows(run)
    assert list(zip(table["boot_id"], table["seq"], strict=True)) == bed.made
    manifest = run.read_manifest()
    entry = manifest.phone(LABEL)
    assert manifest.outcome == "finished"
    assert entry.missing == ()
    assert entry.armed
    assert bed.phone.files.find(FOLDER) is None, "the phone is clean again"

    assert entry.end is not None
    assert entry.end.what == "shut_off"
    assert "started anew since" in entry.end.evidence
    assert entry.end.last_answer_utc is not None
    assert entry.end.silent_utc is not None
    truly_off = bed.clock.utc() - timedelta(seconds=bed.time.monotonic_s() - off_s)
    assert entry.end.last_answer_utc <= truly_off <= entry.end.silent_utc

    linked_run = RunFolder(tmp_path / "linked")
    record_linked(new_bed(bed.farm, bed.private), linked_run)
    apart, together = energies(run), energies(linked_run)
    assert apart.keys() == together.keys() >= {"navigation", "standby", "video"}
    for name, segment in apart.items():
        other = together[name]
        half = (other["energy_hi95_mwh"] - other["energy_lo95_mwh"]) / 2
        assert segment["energy_mwh"] == pytest.approx(other["energy_mwh"], abs=half), name


def test_the_phones_clock_is_laid_against_ours_from_both_ends(bed: Bed, tmp_path: Path) -> None:
    run = RunFolder(tmp_path / "armed")
    arm(run, bed.server, bed.ready(), bed.clock, virtual=True)
    bed.leave()
    for _ in range(200):
        bed.step()
    bed.come_back()
    collect(run, bed.server, bed.clock)
    tidy(run)
    table = rows(run)
    zero_s = bed.phone.shared_s(0.0)
    true_host_s = 1000.0 + (table["boot_s"] + zero_s) * (1.0 + DRIFT_RATIO)
    error_s = (table["host_s"] - true_host_s).abs().max()
    drift_s = 4000.0 * DRIFT_RATIO
    clocks = run.read_manifest().phone(LABEL).clocks
    assert len(clocks) == 2
    assert error_s < 0.02 < drift_s, "one end alone would be off by the drift"
    assert all(anchor.u_s < 0.01 for anchor in clocks)
    end = run.read_manifest().phone(LABEL).end
    assert end is not None
    assert end.what == "stopped"


def test_an_armed_phone_is_not_taken_over(bed: Bed, tmp_path: Path) -> None:
    run = RunFolder(tmp_path / "armed")
    arm(run, bed.server, bed.ready(), bed.clock)
    phone = bed.server.phone(bed.hosted.address)
    other = RemoteRecorder(phone, "ffffffffffff", LoopSettings(fast="uevent"), "polled")
    with pytest.raises(PhoneArmedError, match="rundown collect") as caught:
        other.ensure_running("", 0)
    assert caught.value.run_id == run.read_manifest().run_id
    (again,) = arm(RunFolder(tmp_path / "second"), bed.server, bed.ready(), bed.clock)
    assert again.problem is not None
    assert "is armed for run" in again.problem


def test_a_phone_that_is_not_there_is_left_for_later(bed: Bed, tmp_path: Path) -> None:
    run = RunFolder(tmp_path / "armed")
    arm(run, bed.server, bed.ready(), bed.clock)
    bed.leave()
    bed.private.disconnect(bed.hosted.address)
    (outcome,) = collect(run, bed.server, bed.clock)
    assert outcome.problem == "not attached, or not ready"
    assert run.read_manifest().outcome is None
    bed.step()
    bed.come_back()
    (outcome,) = collect(run, bed.server, bed.clock)
    assert (outcome.problem, outcome.n_blocks) == (None, len(bed.made))
    (outcome,) = collect(run, bed.server, bed.clock)
    assert (outcome.problem, outcome.n_blocks) == (None, 0), "a second time changes nothing"
    tidy(run)
    assert len(rows(run)) == len(bed.made)


def test_what_is_damaged_while_collected_is_fetched_again(bed: Bed, tmp_path: Path) -> None:
    run = RunFolder(tmp_path / "armed")
    arm(run, bed.server, bed.ready(), bed.clock)
    bed.step()
    tail, times = bed.phone._tail, []

    class Garbling:
        def __init__(self, io: Any) -> None:
            self._io = io

        async def out(self, data: bytes) -> None:
            await self._io.out(data.replace(b"@begin 3 ", b"@bexin 3 "))

    async def garbled_once(path: str, from_bytes: int, io: Any, *, follow: bool) -> int:
        times.append(from_bytes)
        used: Any = Garbling(io) if len(times) == 1 else io
        return await tail(path, from_bytes, used, follow=follow)

    bed.phone._tail = garbled_once  # type: ignore[method-assign]
    (outcome,) = collect(run, bed.server, bed.clock)
    assert (outcome.problem, outcome.n_blocks) == (None, len(bed.made))
    assert times == [0, 0]
    tidy(run)
    assert rows(run)["seq"].tolist() == [seq for _, seq in bed.made], "in the phone's order"


def test_a_computer_restarted_meanwhile_uses_its_wall_clock(bed: Bed) -> None:
    bed.step()
    began_utc, began_s = bed.clock.utc(), bed.clock.monotonic_s()
    clock = RunClock(bed.clock, began_utc, began_s - 700.0, same_boot=False)
    bed.step()
    passed_s = bed.clock.monotonic_s() - began_s
    assert clock.monotonic_s() == pytest.approx(began_s - 700.0 + passed_s, abs=1e-3)


def rundown(bed: Bed, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "rundown", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
        env={**os.environ, "ANDROID_ADB_SERVER_PORT": str(bed.private.port)},
    )


def test_the_commands_say_what_to_do(bed: Bed, tmp_path: Path) -> None:
    run = str(tmp_path / "armed")
    armed = rundown(bed, "arm", "--out", run, "--phone", f"{LABEL}={bed.hosted.address}")
    assert armed.returncode == 0, armed.stderr
    assert f"{LABEL}: records; unplug it now" in armed.stderr
    bed.leave()
    bed.private.disconnect(bed.hosted.address)
    for _ in range(10):
        bed.step()
    away = rundown(bed, "collect", run)
    assert away.returncode == 3
    assert "not attached" in away.stderr
    bed.come_back()
    collected = rundown(bed, "collect", run)
    assert collected.returncode == 0, collected.stderr
    assert f"{len(bed.made)} new readings; cleared from the phone" in collected.stderr
    assert len(rows(RunFolder(tmp_path / "armed"))) == len(bed.made)
