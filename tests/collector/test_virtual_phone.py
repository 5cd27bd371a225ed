"""The virtual phone answers as a phone does, and its loop prints what the real script prints."""

import asyncio
import itertools
import shutil
import stat
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from collector.onphone import (
    FOLDER,
    RECORDER_SCRIPT,
    SCRIPT_PATH,
    FastSource,
    LoopSettings,
    blocks_path,
    control_command,
    fetch_command,
    start_command,
)
from collector.recording.remote import RecorderStatus, status_of
from collector.virtual import dumps, dumps_context
from collector.virtual.clock import FastTime, SteppedTime
from collector.virtual.handset import HANDSETS, Handset, HandsetSpec, Stage
from collector.virtual.loads import NAVIGATION, STANDBY
from collector.virtual.loop import LoopTwin
from collector.virtual.phone import VirtualPhone
from collector.virtual.recorder import settings_of
from collector.virtual.state import PhoneState
from parsers.blocks import Block, BlockReader

RUN = "0a1b2c3d4e5f"
PATH = blocks_path(RUN)
SETTINGS = LoopSettings(fast="uevent", tick_ms=200)
BOTH = pytest.mark.parametrize("spec", HANDSETS, ids=lambda s: s.key)


class Output:
    """The three streams of a command, kept."""

    def __init__(self) -> None:
        self.stdout = b""
        self.stderr = b""

    async def out(self, data: bytes) -> None:
        self.stdout += data

    async def err(self, data: bytes) -> None:
        self.stderr += data

    async def read(self) -> bytes | None:
        return None


def phone(spec: HandsetSpec, charge_ratio: float = 1.0) -> VirtualPhone:
    stages = [Stage(activity=NAVIGATION, duration_s=600, name="navigation")]
    return VirtualPhone(Handset(spec, stages, seed=3, charge_ratio=charge_ratio), SteppedTime())


def ask(virtual: VirtualPhone, command: str) -> tuple[int, str, str]:
    output = Output()
    code = asyncio.run(virtual.shell(command, output))
    return code, output.stdout.decode(), output.stderr.decode()


def test_known_commands_answer_and_unknown_ones_fail() -> None:
    alder = phone(HANDSETS[0])
    assert ask(alder, "getprop ro.product.model") == (0, "Alder\n", "")
    assert ask(alder, "dumpsys battery")[1].startswith("Current Battery Service state:")
    code, out, err = ask(alder, "rm -rf /")
    assert (code, out) == (127, "")
    assert err == "/system/bin/sh: rm: inaccessible or not found\n"
    assert ask(alder, "dumpsys battery; id")[0] == 127


def test_a_hidden_supply_is_denied() -> None:
    birch = phone(HANDSETS[1])
    code, out, err = ask(birch, "cat /sys/class/power_supply/*/uevent")
    assert (code, out) == (1, "")
    assert "Permission denied" in err


def run_script(root: Path, state: PhoneState, settings: LoopSettings) -> list[Block]:
    """The first block of the real script on a phone in that state."""
    for folder in ("proc/sys/kernel/random", "sys/class/power_supply/battery", "bin"):
        (root / folder).mkdir(parents=True)
    answers = {
        "dumpsys-battery": dumps.dumpsys_battery(state),
        "dumpsys-power": dumps_context.dumpsys_power(state),
        "dumpsys-activity": dumps_context.dumpsys_activities(state),
        "dumpsys-thermalservice": dumps_context.dumpsys_thermal(state),
        "dumpsys-telephony.registry": dumps_context.dumpsys_telephony(state),
        "service-call": dumps.service_call_property(state, 2),
        **{
            f"settings-{key}": dumps_context.settings_get(state, space, key)
            for space, key in (
                ("system", "screen_brightness"),
                ("system", "screen_brightness_mode"),
                ("global", "low_power"),
            )
        },
    }
    for name, text in answers.items():
        (root / name).write_text(text)
    (root / "proc/sys/kernel/random/boot_id").write_text(state.boot_id + "\n")
    (root / "proc/uptime").write_text(dumps.proc_uptime(state))
    (root / "sys/class/power_supply/battery/uevent").write_text(dumps.uevent_battery(state) or "")
    mksh, toybox = shutil.which("mksh"), shutil.which("toybox")
    assert mksh, "install mksh and toybox"
    assert toybox, "install mksh and toybox"
    for applet in ("cat", "flock", "fsync", "grep", "rm", "sleep", "tail", "wc"):
        (root / "bin" / applet).symlink_to(toybox)
    for name, word in (("dumpsys", "$1"), ("service", "$1"), ("settings", "$3")):
        script = root / "bin" / name
        script.write_text(f"#!{mksh}\ncat {root}/{name}-{word}\n")
        script.chmod(script.stat().st_mode | stat.S_IXUSR)
    script = root / "rundown" / "recorder.sh"
    script.parent.mkdir()
    script.write_text(RECORDER_SCRIPT)
    given = dict(item.split("=", 1) for item in settings.environment().split())
    subprocess.run(
        [mksh, script, "run"],
        stdin=subprocess.DEVNULL,
        env={
            "PATH": str(root / "bin"),
            "RUNDOWN_ROOT": str(root),
            "RUN": RUN,
            "MODE": "polled",
            **given,
            "CAP_KB": "1",
        },
        timeout=10,
        check=True,
    )
    blocks = script.with_name(f"{RUN}.blocks").read_bytes()
    return [block for _, block in BlockReader().feed(blocks)]


@BOTH
def test_its_loop_prints_what_the_script_prints(spec: HandsetSpec, tmp_path: Path) -> None:
    handset = phone(spec).handset
    handset.advance_to(handset.boot_s + 95.0)
    state = handset.state()
    has_file = dumps.uevent_battery(state) is not None
    fast: FastSource = "uevent" if has_file else "none"
    if not has_file and state.live.current_raw is not None:
        fast = "property"
    settings = LoopSettings(fast=fast)
    real = run_script(tmp_path, state, settings)[0]
    twin = LoopTwin(settings).block(state)
    assert dict(real.parts).keys() == dict(twin.parts).keys()
    for name, body in twin.parts:
        assert dict(real.parts)[name].rstrip(b"\n") == body, name
    assert (real.seq, real.boot_id) == (twin.seq, twin.boot_id)
    assert real.begin_boot_s == pytest.approx(twin.begin_boot_s, abs=0.01)


def test_settings_survive_the_way_to_the_phone() -> None:
    settings = LoopSettings(fast="property", supply="bms-2", tick_ms=250, slow_s=5, cap_kb=9)
    given = dict(item.split("=", 1) for item in settings.environment().split())
    assert settings_of(given) == settings


def blocks_of(virtual: VirtualPhone) -> list[Block]:
    reader = BlockReader()
    found = [block for _, block in reader.feed(virtual.files.read(blocks_path(RUN)))]
    assert reader.stray_bytes == 0
    return found


async def record_for(
    virtual: VirtualPhone, time: SteppedTime, settings: LoopSettings, steps: list[float]
) -> list[Block]:
    """What the recorder has written once the time has gone through the steps."""
    virtual.files.write(SCRIPT_PATH, RECORDER_SCRIPT.encode())
    output = Output()
    assert await virtual.shell(start_command(RUN, "polled", settings), output) == 0
    assert output.stdout.startswith(b"recorder 2 running ")
    for at_s in steps:
        await asyncio.sleep(0)
        time.advance_to(at_s)
        for _ in range(20):
            await asyncio.sleep(0)
    virtual.power_off()
    return blocks_of(virtual)


def stepped(spec: HandsetSpec, stages: list[Stage]) -> tuple[VirtualPhone, SteppedTime]:
    time = SteppedTime()
    return VirtualPhone(Handset(spec, stages, seed=5), time), time


def test_ticks_come_on_time_while_awake() -> None:
    stages = [Stage(activity=NAVIGATION, duration_s=600, name="navigation")]
    virtual, time = stepped(HANDSETS[0], stages)
    blocks = asyncio.run(
        record_for(virtual, time, LoopSettings(fast="uevent"), [5.0 * n for n in range(1, 13)])
    )
    assert [b.seq for b in blocks] == list(range(61))
    start_s = blocks[0].boot_s
    assert [b.boot_s - start_s for b in blocks] == pytest.approx(range(61), abs=0.011)
    assert sum("battery" in dict(b.parts) for b in blocks) == 7
    assert sum("foreground" in dict(b.parts) for b in blocks) == 3
    assert virtual.is_idle
    assert virtual.last_seq == 60


@pytest.mark.parametrize("tick_ms", [100, 200, 300, 700])
def test_a_fraction_of_a_second_is_kept_too(tick_ms: int) -> None:
    loop = LoopTwin(LoopSettings(fast="none", tick_ms=tick_ms))
    now_s = begun_s = 5024.28
    for _ in range(1000):
        now_s += loop.wait_s(now_s)
    assert now_s - begun_s == pytest.approx(tick_ms)


def test_no_tick_in_suspend() -> None:
    stages = [Stage(activity=STANDBY, duration_s=3600, name="standby")]
    virtual, time = stepped(HANDSETS[0], stages)
    blocks = asyncio.run(
        record_for(virtual, time, LoopSettings(fast="uevent"), [5.0 * n for n in range(1, 241)])
    )
    assert 20 < len(blocks) < 400, "asleep most of the time, a few ticks in each wake-up"
    handset = virtual.handset
    for earlier, later in itertools.pairwise(blocks):
        awake_s = handset.awake_s_at(later.boot_s) - handset.awake_s_at(earlier.boot_s)
        # Timers stand still in suspend: between ticks at most one period passes awake.
        assert awake_s <= 1.0 + 0.02


def test_shut_off_is_told_once_and_ends_the_loop() -> None:
    time = SteppedTime()
    stages = [Stage(activity=NAVIGATION, duration_s=600, name="navigation")]
    virtual = VirtualPhone(Handset(HANDSETS[0], stages, seed=5, charge_ratio=0.01), time)
    calls: list[float] = []
    virtual.on_off = lambda: calls.append(time.monotonic_s())
    steps = [5.0 * n for n in range(1, 400)]
    blocks = asyncio.run(record_for(virtual, time, LoopSettings(fast="uevent"), steps))
    assert virtual.handset.is_off
    assert len(calls) == 1
    assert virtual.handset.off_boot_s is not None
    assert 0 <= virtual.handset.off_boot_s - blocks[-1].boot_s <= 1.01


def test_time_can_run_by_itself() -> None:
    time = FastTime(rate=1000.0)
    stages = [Stage(activity=NAVIGATION, duration_s=600, name="navigation")]
    virtual = VirtualPhone(Handset(HANDSETS[0], stages, seed=5), time)

    async def run() -> None:
        virtual.files.write(SCRIPT_PATH, RECORDER_SCRIPT.encode())
        command = start_command(RUN, "polled", LoopSettings(fast="uevent"))
        await virtual.shell(command, Output())
        await time.until(30.0)
        virtual.power_off()

    asyncio.run(run())
    blocks = blocks_of(virtual)
    assert len(blocks) >= 2
    assert [b.seq for b in blocks] == list(range(len(blocks)))


class TestRecorder:
    """What holds for the script under mksh (test_onphone_recorder.py) holds for its twin."""

    @pytest.fixture
    def bed(self) -> Iterator[tuple[VirtualPhone, SteppedTime, Callable[[str], RecorderStatus]]]:
        virtual, time = stepped(
            HANDSETS[0], [Stage(activity=NAVIGATION, duration_s=600, name="navigation")]
        )
        with asyncio.Runner() as runner:

            async def run(command: str) -> bytes:
                output = Output()
                await virtual.shell(command, output)
                await asyncio.sleep(0)
                time.advance_to(time.monotonic_s() + 3.0)
                for _ in range(20):
                    await asyncio.sleep(0)
                return output.stdout

            def status(command: str) -> RecorderStatus:
                told = status_of(runner.run(run(command)))
                assert told is not None
                return told

            virtual.files.write(SCRIPT_PATH, RECORDER_SCRIPT.encode())
            yield virtual, time, status
            runner.run(virtual.recorder.stop())

    def test_without_its_script_it_is_not_there(self) -> None:
        alder = phone(HANDSETS[0])
        assert ask(alder, control_command(RUN, "status"))[0] == 127
        alder.files.write(SCRIPT_PATH, b"another version")
        assert ask(alder, control_command(RUN, "status"))[0] == 127

    def test_started_stopped_removed(self, bed: Any) -> None:
        virtual, _, status = bed
        assert status(control_command(RUN, "status")).state == "idle"
        assert status(start_command(RUN, "armed", SETTINGS)).records(RUN)
        assert status(start_command(RUN, "armed", SETTINGS)).mode == "armed"
        assert status(control_command("ffff", "stop")).records(RUN), "not ours to end"
        stopped = status(control_command(RUN, "stop"))
        assert (stopped.state, stopped.n_bytes) == ("idle", len(virtual.files.read(PATH)))
        n_blocks = len(blocks_of(virtual))
        assert n_blocks > 5
        assert status(start_command(RUN, "armed", SETTINGS)).records(RUN)
        status(control_command(RUN, "stop"))
        numbers = [b.seq for b in blocks_of(virtual)]
        assert numbers == list(range(len(numbers)))
        assert len(numbers) > n_blocks
        assert ask(virtual, control_command(RUN, "remove")) == (0, "", "")
        assert virtual.files.find(FOLDER) is None

    def test_a_reboot_ends_it_and_the_next_counts_anew(self, bed: Any) -> None:
        virtual, _, status = bed
        status(start_command(RUN, "polled", SETTINGS))
        virtual.reboot()
        assert status(control_command(RUN, "status")).state == "idle"
        before = blocks_of(virtual)
        status(start_command(RUN, "polled", SETTINGS, before[0].boot_id, 99))
        after = blocks_of(virtual)[len(before) :]
        assert [b.seq for b in after[:3]] == [0, 1, 2]
        assert {b.boot_id for b in after}.isdisjoint({b.boot_id for b in before})

    def test_the_number_of_a_torn_block_is_spent(self, bed: Any) -> None:
        virtual, _, status = bed
        status(start_command(RUN, "polled", SETTINGS))
        last_seq = virtual.last_seq
        virtual.recorder.kill(torn_bytes=60)
        status(start_command(RUN, "polled", SETTINGS))
        data = virtual.files.read(PATH)
        numbers = [block.seq for _, block in BlockReader().feed(data)]
        assert numbers == [*range(last_seq + 1), *range(last_seq + 2, numbers[-1] + 1)]

    def test_a_full_phone_and_a_full_file(self, bed: Any) -> None:
        virtual, _, status = bed
        status(start_command(RUN, "polled", SETTINGS))
        virtual.files.limit_bytes = virtual.files.used_bytes
        status(control_command(RUN, "status"))
        virtual.files.limit_bytes = 1 << 26
        status(control_command(RUN, "status"))
        numbers = [b.seq for b in blocks_of(virtual)]
        assert numbers != list(range(len(numbers))), "those without room are lost"
        status(control_command(RUN, "stop"))
        capped = replace(SETTINGS, cap_kb=1)
        status(start_command("ccc", "polled", capped))
        assert status(control_command("ccc", "status")).state == "idle"
        assert len(virtual.files.read(blocks_path("ccc"))) >= 1024

    def test_its_file_is_followed(self, bed: Any) -> None:
        virtual, _, status = bed
        status(start_command(RUN, "polled", SETTINGS))
        status(control_command(RUN, "stop"))
        whole = virtual.files.read(PATH)
        assert ask(virtual, fetch_command(RUN, 10))[1].encode() == whole[10:]
        code, _, errors = ask(virtual, fetch_command("dddd", 0))
        assert (code, "No such file" in errors) == (1, True)


def test_a_reboot_starts_a_new_session() -> None:
    virtual = phone(HANDSETS[0])
    before = virtual.handset.boot_id
    virtual.reboot()
    assert virtual.handset.boot_id != before
    assert ask(virtual, "cat /proc/uptime")[1].startswith("0.")
