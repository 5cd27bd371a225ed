"""The on-phone recorder under the shell it is written for: mksh, with only toybox beside it."""

import os
import shutil
import signal
import stat
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.onphone import (
    FOLDER,
    RECORDER_SCRIPT,
    LoopSettings,
    blocks_path,
    control_command,
    fetch_command,
    follow_command,
    start_command,
)
from collector.recording.remote import RecorderStatus, status_of
from parsers.blocks import Block, BlockReader

RUN = "0a1b2c3d4e5f"
APPLETS = ("cat", "flock", "fsync", "grep", "rm", "setsid", "sleep", "tail", "wc")
WAIT_S = 15.0

UEVENT = """POWER_SUPPLY_NAME=battery
POWER_SUPPLY_STATUS=Discharging
POWER_SUPPLY_PRESENT=1
POWER_SUPPLY_CAPACITY=63
POWER_SUPPLY_SERIAL_NUMBER=SECRET-SERIAL
POWER_SUPPLY_VOLTAGE_NOW=3921000
POWER_SUPPLY_CURRENT_NOW=-287500
POWER_SUPPLY_TEMP=301
POWER_SUPPLY_CHARGE_COUNTER=2894000
"""
POWER = """POWER MANAGER (dumpsys power)
  mWakefulness=Awake
  mIsPowered=false
  mLastUserActivityTime=1200 (33 ms ago)
Wake Locks: size=1
  PARTIAL_WAKE_LOCK 'private tag'
Display Power: state=ON
"""
ACTIVITIES = """ACTIVITY MANAGER ACTIVITIES
    topResumedActivity=ActivityRecord{1 u0 com.example.courier/.Map t7}
    Hist #0: ActivityRecord{2 u0 com.example.private/.Secret t6}
"""


def tool(name: str) -> str:
    found = shutil.which(name)
    assert found, f"{name} is missing; install it (Debian: apt install mksh toybox)"
    return found


class Bed:
    """A phone's worth of files, programs and kernel facts; nothing else is on the PATH."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.folder = root / "tmp" / "rundown"
        self.script = self.folder / "recorder.sh"

    def push(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.script.write_text(RECORDER_SCRIPT)

    def shell(self, command: str) -> subprocess.Popen[bytes]:
        """Runs a command as adbd would, in this bed instead of the phone's folder."""
        return subprocess.Popen(
            [tool("mksh"), "-c", command.replace(FOLDER, str(self.folder))],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={"PATH": str(self.root / "bin"), "RUNDOWN_ROOT": str(self.root)},
        )

    def status(self, command: str) -> RecorderStatus:
        out, errors = self.shell(command).communicate(timeout=WAIT_S)
        assert errors == b""
        status = status_of(out)
        assert status is not None, out
        return status

    def start(self, settings: LoopSettings, run: str = RUN, boot: str = "", seq: int = 0) -> None:
        started = self.status(start_command(run, "polled", settings, boot, seq))
        assert started.state == "running"

    def stop(self, run: str = RUN) -> RecorderStatus:
        return self.status(control_command(run, "stop"))

    def data(self, run: str = RUN) -> bytes:
        path = self.folder / f"{run}.blocks"
        return path.read_bytes() if path.exists() else b""

    def blocks(self, run: str = RUN) -> list[Block]:
        reader = BlockReader()
        found = [block for _, block in reader.feed(self.data(run))]
        assert reader.stray_bytes == 0
        return found

    def until(self, n_blocks: int, run: str = RUN) -> list[Block]:
        wait_until(lambda: self.data(run).count(b"\n@end ") >= n_blocks)
        return self.blocks(run)

    def pid(self) -> int:
        return int((self.folder / "running").read_text().split()[2])


def wait_until(ready: Callable[[], object]) -> None:
    deadline = time.monotonic() + WAIT_S
    while not ready():
        assert time.monotonic() < deadline, "it never happened"
        time.sleep(0.01)


@pytest.fixture
def bed(tmp_path: Path) -> Iterator[Bed]:
    for folder in ("proc/sys/kernel/random", "sys/class/power_supply/battery", "bin"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "proc/sys/kernel/random/boot_id").write_text(
        "0a1b2c3d-1111-4222-8333-444455556666\n"
    )
    (tmp_path / "proc/uptime").symlink_to("/proc/uptime")
    (tmp_path / "proc/self").symlink_to("/proc/self")
    (tmp_path / "sys/class/power_supply/battery/uevent").write_text(UEVENT)
    for applet in APPLETS:
        (tmp_path / "bin" / applet).symlink_to(tool("toybox"))
    (tmp_path / "bin" / "sh").symlink_to(tool("mksh"))
    answers = {
        "dumpsys": f"""case $1 in
battery) print 'Current Battery Service state:'; print '  level: 63';;
power) cat <<'EOT'\n{POWER}EOT\n;;
activity) cat <<'EOT'\n{ACTIVITIES}EOT\n;;
*) print "Thermal Status: 0";;
esac""",
        "service": 'print -r -- "Result: Parcel($*)"',
        "settings": 'print -r -- "set-$3"',
    }
    for name, body in answers.items():
        script = tmp_path / "bin" / name
        script.write_text(f"#!{tool('mksh')}\n{body}\n")
        script.chmod(script.stat().st_mode | stat.S_IXUSR)
    bed = Bed(tmp_path)
    bed.push()
    yield bed
    if (bed.folder / "running").exists():
        os.kill(bed.pid(), signal.SIGKILL)


FAST = LoopSettings(fast="uevent", tick_ms=100, slow_s=600, context_s=600)


def test_uevent_ticks(bed: Bed) -> None:
    bed.start(LoopSettings(fast="uevent", tick_ms=100, slow_s=1, context_s=60))
    blocks = bed.until(14)[:14]
    assert [b.seq for b in blocks] == list(range(14))
    assert {b.boot_id for b in blocks} == {"0a1b2c3d"}
    parts = [dict(b.parts) for b in blocks]
    names = ["uevent", "battery", "power", "foreground", "thermal", "telephony", "settings"]
    assert list(parts[0]) == names
    assert parts[0]["battery"] == b"Current Battery Service state:\n  level: 63"
    assert parts[0]["settings"] == (
        b"screen_brightness=set-screen_brightness\n"
        b"screen_brightness_mode=set-screen_brightness_mode\nlow_power=set-low_power"
    )
    assert sum("battery" in p for p in parts) == 2, "once at the start, once after a second"
    assert sum("foreground" in p for p in parts) == 1
    kept = [line for line in UEVENT.splitlines() if "SERIAL" not in line]
    assert all(p["uevent"].decode().splitlines() == kept for p in parts)


def test_only_wanted_lines_leave_the_phone(bed: Bed) -> None:
    bed.start(FAST)
    parts = dict(bed.until(1)[0].parts)
    assert parts["power"].decode().splitlines() == [
        "  mWakefulness=Awake",
        "  mLastUserActivityTime=1200 (33 ms ago)",
        "Display Power: state=ON",
    ]
    assert b"com.example.courier/.Map" in parts["foreground"]
    for secret in (b"SECRET", b"Secret", b"private"):
        assert secret not in bed.data()


def test_a_change_of_level_brings_the_battery_dump_at_once(bed: Bed) -> None:
    uevent = bed.root / "sys/class/power_supply/battery/uevent"
    bed.start(FAST)
    bed.until(3)
    changed = uevent.with_name("new")
    changed.write_text(UEVENT.replace("=63", "=62"))
    changed.replace(uevent)
    wait_until(lambda: bed.data().count(b"@part battery") == 2)
    bed.stop()
    first_new = next(b for b in bed.blocks() if b"CAPACITY=62" in dict(b.parts)["uevent"])
    assert "battery" in dict(first_new.parts)


def test_property_ticks(bed: Bed) -> None:
    bed.start(LoopSettings(fast="property", tick_ms=100, slow_s=60, context_s=60))
    blocks = bed.until(10)[:10]
    fast = [[name for name, _ in b.parts if name.startswith("property")] for b in blocks]
    assert fast == ([["property_2"]] * 4 + [["property_2", "property_1"]]) * 2
    assert dict(blocks[1].parts)["property_2"] == b"Result: Parcel(call batteryproperties 1 i32 2)"


def test_ticks_keep_their_pace_and_count_their_cost(bed: Bed) -> None:
    bed.start(LoopSettings(fast="none", tick_ms=200, slow_s=600, context_s=600))
    blocks = bed.until(12)
    # Never faster than asked; how much slower is up to the machine.
    assert blocks[11].boot_s - blocks[1].boot_s >= 10 * 0.2 - 0.05
    cpu = [b.loop_cpu_ticks for b in blocks]
    assert all(isinstance(ticks, int) for ticks in cpu)
    assert cpu == sorted(cpu, key=lambda ticks: ticks or 0)
    assert all(b.phone_epoch_s and b.phone_epoch_s > 1.6e9 for b in blocks)


def test_a_tick_starts_no_process_where_the_supply_can_be_read(bed: Bed) -> None:
    bed.start(FAST)
    bed.until(2)
    # Every program of this bed is a link: from now on none can be started.
    for program in (bed.root / "bin").iterdir():
        program.rename(program.with_name(f"hidden-{program.name}"))
    n_blocks = len(bed.blocks())
    blocks = bed.until(n_blocks + 20)
    assert all(list(dict(b.parts)) == ["uevent"] for b in blocks[n_blocks:])
    spacing_s = (blocks[-1].boot_s - blocks[n_blocks].boot_s) / (len(blocks) - n_blocks - 1)
    assert spacing_s > 0.09, "it waits by itself, without a busy loop"


def test_it_lives_on_when_the_host_hangs_up(bed: Bed) -> None:
    bed.start(FAST)
    pid = bed.pid()
    assert os.getsid(pid) != os.getsid(0), "a session of its own"
    os.kill(pid, signal.SIGHUP)
    os.kill(pid, signal.SIGPIPE)
    n_blocks = len(bed.until(2))
    bed.until(n_blocks + 3)
    assert bed.pid() == pid


def test_one_at_a_time_and_ended_by_request(bed: Bed) -> None:
    assert bed.status(control_command(RUN, "status")).state == "idle"
    bed.start(FAST)
    pid = bed.pid()
    bed.start(FAST)
    assert bed.pid() == pid, "the second start finds it running"
    bed.until(3)
    stopped = bed.stop()
    assert (stopped.state, stopped.n_bytes) == ("idle", len(bed.data()))
    assert not (bed.folder / "running").exists()
    assert [b.seq for b in bed.blocks()] == list(range(len(bed.blocks())))


def test_a_slow_one_is_woken_to_end(bed: Bed) -> None:
    bed.start(LoopSettings(fast="none", tick_ms=60_000, slow_s=600, context_s=600))
    bed.until(1)
    began_s = time.monotonic()
    assert bed.stop().state == "idle"
    assert time.monotonic() - began_s < 12


def test_another_runs_recorder_is_left_alone(bed: Bed) -> None:
    bed.start(FAST)
    other = "ffffffffffff"
    assert bed.stop(other).records(RUN)
    bed.shell(control_command(other, "remove")).communicate(timeout=WAIT_S)
    assert bed.status(control_command(RUN, "status")).records(RUN)


def test_the_count_goes_on_after_a_kill_and_torn_bytes_cost_nothing_else(bed: Bed) -> None:
    bed.start(FAST)
    bed.until(5)
    os.kill(bed.pid(), signal.SIGKILL)
    wait_until(lambda: bed.status(control_command(RUN, "status")).state == "idle")
    whole = bed.blocks()
    with (bed.folder / f"{RUN}.blocks").open("ab") as file:
        file.write(f"@begin {len(whole)} 0a1b2c3d 17.00\n@part uevent 281\nPOWER".encode())
    bed.start(FAST)
    wait_until(lambda: bed.data().count(b"\n@end ") >= len(whole) + 4)
    bed.stop()
    reader = BlockReader()
    numbers = [block.seq for _, block in reader.feed(bed.data())]
    assert numbers[: len(whole)] == list(range(len(whole)))
    assert numbers[len(whole) :] == list(range(len(whole) + 1, numbers[-1] + 1))
    assert reader.stray_bytes > 0, "the torn block, whose number is spent"


def test_a_new_boot_counts_from_zero_and_the_host_may_ask_for_more(bed: Bed) -> None:
    bed.start(FAST)
    bed.until(3)
    bed.stop()
    (bed.root / "proc/sys/kernel/random/boot_id").write_text(
        "bbbbbbbb-1111-4222-8333-444455556666\n"
    )
    bed.start(FAST, boot="0a1b2c3d", seq=500)
    wait_until(lambda: bed.data().count(b" bbbbbbbb ") >= 2)
    bed.stop()
    assert [b.seq for b in bed.blocks() if b.boot_id == "bbbbbbbb"][:2] == [0, 1]
    (bed.folder / f"{RUN}.blocks").unlink()
    bed.start(FAST, boot="bbbbbbbb", seq=500)
    assert bed.until(1)[0].seq == 500


def test_a_cap_ends_it(bed: Bed) -> None:
    bed.start(LoopSettings(fast="uevent", tick_ms=100, slow_s=600, context_s=600, cap_kb=2))
    wait_until(lambda: not (bed.folder / "running").exists())
    assert 2 * 1024 <= len(bed.data()) < 4 * 1024
    assert bed.status(control_command(RUN, "status")).state == "idle"


def test_a_full_phone_is_survived(bed: Bed) -> None:
    bed.start(FAST)
    bed.until(2)
    blocks = bed.folder / f"{RUN}.blocks"
    kept = blocks.rename(bed.folder / "kept")
    blocks.symlink_to("/dev/full")
    begun_s = time.monotonic()
    wait_until(lambda: time.monotonic() - begun_s > 0.35)
    blocks.unlink()
    kept.rename(blocks)
    n_blocks = len(bed.blocks())
    later = bed.until(n_blocks + 2)
    assert later[-1].seq > len(later) - 1, "the numbers of the lost ones are spent"


def test_it_removes_itself(bed: Bed) -> None:
    bed.start(FAST)
    bed.until(1)
    out, _ = bed.shell(control_command(RUN, "remove")).communicate(timeout=WAIT_S)
    assert out == b""
    assert not bed.folder.exists()


def test_removing_one_run_keeps_the_others(bed: Bed) -> None:
    (bed.folder / "eeee.blocks").write_bytes(b"of another run")
    bed.start(FAST)
    bed.status(control_command(RUN, "remove"))
    assert {p.name for p in bed.folder.iterdir()} >= {"eeee.blocks", "recorder.sh"}
    assert not (bed.folder / f"{RUN}.blocks").exists()


def test_followed_from_a_place_on(bed: Bed) -> None:
    bed.start(FAST)
    bed.until(3)
    follower = bed.shell(follow_command(RUN, 10))
    assert follower.stdout is not None
    seen = b""
    while seen.count(b"\n@end ") < 8:
        seen += os.read(follower.stdout.fileno(), 65536)
    follower.terminate()
    follower.communicate(timeout=WAIT_S)
    assert bed.data()[10:].startswith(seen)
    bed.stop()
    rest, _ = bed.shell(fetch_command(RUN, 10)).communicate(timeout=WAIT_S)
    assert rest == bed.data()[10:]


@pytest.mark.parametrize("supply", ["", "../../etc", "a b", "$(id)", "x;y", "ä", "a'b"])
def test_an_unsafe_supply_name_never_reaches_the_shell(supply: str) -> None:
    with pytest.raises(ValueError, match="not safe"):
        LoopSettings(fast="uevent", supply=supply).environment()


@pytest.mark.parametrize("run", ["", "../x", "A", "a b", "$(id)", "a" * 33])
def test_an_unsafe_run_never_reaches_the_shell(run: str) -> None:
    with pytest.raises(ValueError, match="not safe"):
        blocks_path(run)
    with pytest.raises(ValueError, match="not safe"):
        start_command("abc", "polled", FAST, first_boot_id="$(id)")
