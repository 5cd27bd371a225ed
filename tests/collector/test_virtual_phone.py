"""The virtual phone answers as a phone does, and its loop prints what the real script prints."""

import asyncio
import itertools
import os
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

from collector.onphone import LoopSettings
from collector.virtual import dumps, dumps_context
from collector.virtual.clock import FastTime, SteppedTime
from collector.virtual.handset import HANDSETS, Handset, HandsetSpec, Stage
from collector.virtual.loads import NAVIGATION, STANDBY
from collector.virtual.loop import LoopTwin, settings_of
from collector.virtual.phone import VirtualPhone
from collector.virtual.state import PhoneState
from parsers.blocks import Block, BlockReader

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
    for applet in ("grep", "cat"):
        (root / "bin" / applet).symlink_to(toybox)
    for name, word in (("dumpsys", "$1"), ("service", "$1"), ("settings", "$3")):
        script = root / "bin" / name
        script.write_text(f"#!{mksh}\ncat {root}/{name}-{word}\n")
        script.chmod(script.stat().st_mode | stat.S_IXUSR)
    done = subprocess.run(
        [mksh, "-c", settings.command()],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        env={"PATH": str(root / "bin"), "RUNDOWN_ROOT": str(root), "TMPDIR": os.fspath(root)},
        timeout=10,
        check=True,
    )
    assert done.stderr == b""
    return [block for _, block in BlockReader().feed(done.stdout)]


@BOTH
def test_its_loop_prints_what_the_script_prints(spec: HandsetSpec, tmp_path: Path) -> None:
    handset = phone(spec).handset
    handset.advance_to(handset.boot_s + 95.0)
    state = handset.state()
    has_file = dumps.uevent_battery(state) is not None
    fast = "uevent" if has_file else "property" if state.live.current_raw is not None else "none"
    settings = LoopSettings(fast=fast)
    real = run_script(tmp_path, state, settings)[0]
    twin = LoopTwin(settings).block(state)
    assert dict(real.parts).keys() == dict(twin.parts).keys()
    for name, body in twin.parts:
        assert dict(real.parts)[name].rstrip(b"\n") == body, name
    assert (real.seq, real.boot_id) == (twin.seq, twin.boot_id)
    assert real.begin_boot_s == pytest.approx(twin.begin_boot_s, abs=0.01)


def test_settings_survive_the_way_to_the_phone() -> None:
    settings = LoopSettings(fast="property", supply="bms-2", tick_ms=250, slow_s=5, first_seq=77)
    assert settings_of(settings.command()) == settings
    with pytest.raises(ValueError, match="not a head of the loop"):
        settings_of("echo hello; " + settings.command())


async def loop_for(
    virtual: VirtualPhone, time: SteppedTime, settings: LoopSettings, steps: list[float]
) -> list[Block]:
    output = Output()
    task = asyncio.create_task(virtual.shell(settings.command(), output))
    for at_s in steps:
        await asyncio.sleep(0)
        time.advance_to(at_s)
        for _ in range(20):
            await asyncio.sleep(0)
    task.cancel()
    return [block for _, block in BlockReader().feed(output.stdout)]


def stepped(spec: HandsetSpec, stages: list[Stage]) -> tuple[VirtualPhone, SteppedTime]:
    time = SteppedTime()
    return VirtualPhone(Handset(spec, stages, seed=5), time), time


def test_ticks_come_on_time_while_awake() -> None:
    stages = [Stage(activity=NAVIGATION, duration_s=600, name="navigation")]
    virtual, time = stepped(HANDSETS[0], stages)
    blocks = asyncio.run(
        loop_for(virtual, time, LoopSettings(fast="uevent"), [5.0 * n for n in range(1, 13)])
    )
    assert [b.seq for b in blocks] == list(range(61))
    start_s = blocks[0].boot_s
    assert [b.boot_s - start_s for b in blocks] == pytest.approx(range(61), abs=0.011)
    assert sum("battery" in dict(b.parts) for b in blocks) == 7
    assert sum("foreground" in dict(b.parts) for b in blocks) == 3
    assert virtual.is_idle
    assert virtual.last_seq == 60


def test_no_tick_in_suspend() -> None:
    stages = [Stage(activity=STANDBY, duration_s=3600, name="standby")]
    virtual, time = stepped(HANDSETS[0], stages)
    blocks = asyncio.run(
        loop_for(virtual, time, LoopSettings(fast="uevent"), [5.0 * n for n in range(1, 241)])
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
    blocks = asyncio.run(loop_for(virtual, time, LoopSettings(fast="uevent"), steps))
    assert virtual.handset.is_off
    assert len(calls) == 1
    assert virtual.handset.off_boot_s is not None
    assert 0 <= virtual.handset.off_boot_s - blocks[-1].boot_s <= 1.01


def test_time_can_run_by_itself() -> None:
    time = FastTime(rate=1000.0)
    stages = [Stage(activity=NAVIGATION, duration_s=600, name="navigation")]
    virtual = VirtualPhone(Handset(HANDSETS[0], stages, seed=5), time)

    async def run() -> list[Block]:
        output = Output()
        task = asyncio.create_task(virtual.shell(LoopSettings(fast="uevent").command(), output))
        await time.until(30.0)
        task.cancel()
        return [block for _, block in BlockReader().feed(output.stdout)]

    blocks = asyncio.run(run())
    assert len(blocks) >= 2
    assert [b.seq for b in blocks] == list(range(len(blocks)))


def test_a_reboot_starts_a_new_session() -> None:
    virtual = phone(HANDSETS[0])
    before = virtual.handset.boot_id
    virtual.reboot()
    assert virtual.handset.boot_id != before
    assert ask(virtual, "cat /proc/uptime")[1].startswith("0.")
