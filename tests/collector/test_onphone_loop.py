"""The on-phone loop under the shell it is written for: mksh, with only toybox beside it."""

import os
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

from collector.onphone import LoopSettings
from parsers.blocks import Block, BlockReader

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


@pytest.fixture
def phone_root(tmp_path: Path) -> Path:
    for folder in ("proc/sys/kernel/random", "sys/class/power_supply/battery", "bin"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "proc/sys/kernel/random/boot_id").write_text(
        "0a1b2c3d-1111-4222-8333-444455556666\n"
    )
    (tmp_path / "proc/uptime").symlink_to("/proc/uptime")
    (tmp_path / "proc/self").symlink_to("/proc/self")
    (tmp_path / "sys/class/power_supply/battery/uevent").write_text(UEVENT)
    for applet in ("grep", "cat"):
        (tmp_path / "bin" / applet).symlink_to(tool("toybox"))
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
    return tmp_path


def run_loop(root: Path, settings: LoopSettings, n_blocks: int) -> tuple[list[Block], int, bytes]:
    """The first blocks, then standard input is closed: the exit code and what was on stderr."""
    process = subprocess.Popen(
        [tool("mksh"), "-c", settings.command()],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={"PATH": str(root / "bin"), "RUNDOWN_ROOT": str(root)},
    )
    assert process.stdout is not None
    assert process.stdin is not None
    reader, blocks = BlockReader(), list[Block]()
    while len(blocks) < n_blocks:
        data = os.read(process.stdout.fileno(), 65536)
        assert data, process.stderr.read() if process.stderr else b""
        blocks += [block for _, block in reader.feed(data)]
    _, errors = process.communicate(timeout=10)
    assert reader.stray_bytes == 0
    return blocks, process.returncode, errors


def test_uevent_ticks(phone_root: Path) -> None:
    settings = LoopSettings(fast="uevent", tick_ms=100, slow_s=1, context_s=60, first_seq=41)
    blocks, code, errors = run_loop(phone_root, settings, 14)
    assert (code, errors) == (0, b""), "the end of standard input ends the loop quietly"
    assert [b.seq for b in blocks] == list(range(41, 41 + len(blocks)))
    assert {b.boot_id for b in blocks} == {"0a1b2c3d"}
    parts = [dict(b.parts) for b in blocks]
    assert list(parts[0]) == ["uevent", "battery", "power", "foreground", "thermal", "settings"]
    assert parts[0]["battery"] == b"Current Battery Service state:\n  level: 63"
    assert parts[0]["settings"] == (
        b"screen_brightness=set-screen_brightness\n"
        b"screen_brightness_mode=set-screen_brightness_mode\nlow_power=set-low_power"
    )
    assert sum("battery" in p for p in parts) == 2, "once at the start, once after a second"
    assert sum("foreground" in p for p in parts) == 1
    kept = [line for line in UEVENT.splitlines() if "SERIAL" not in line]
    assert all(p["uevent"].decode().splitlines() == kept for p in parts)


def test_only_wanted_lines_leave_the_phone(phone_root: Path) -> None:
    settings = LoopSettings(fast="uevent", tick_ms=100, slow_s=1, context_s=1)
    blocks, _, _ = run_loop(phone_root, settings, 2)
    parts = dict(blocks[0].parts)
    assert parts["power"].decode().splitlines() == [
        "  mWakefulness=Awake",
        "  mLastUserActivityTime=1200 (33 ms ago)",
        "Display Power: state=ON",
    ]
    assert b"com.example.courier/.Map" in parts["foreground"]
    everything = b"".join(body for _, body in blocks[0].parts)
    assert b"SECRET" not in everything
    assert b"Secret" not in everything
    assert b"private" not in everything


def test_a_change_of_level_brings_the_battery_dump_at_once(phone_root: Path) -> None:
    settings = LoopSettings(fast="uevent", tick_ms=100, slow_s=600, context_s=600)
    uevent = phone_root / "sys/class/power_supply/battery/uevent"
    process = subprocess.Popen(
        [tool("mksh"), "-c", settings.command()],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={"PATH": str(phone_root / "bin"), "RUNDOWN_ROOT": str(phone_root)},
    )
    assert process.stdout is not None
    reader, blocks = BlockReader(), list[Block]()
    while len(blocks) < 20:
        blocks += [b for _, b in reader.feed(os.read(process.stdout.fileno(), 65536))]
        if len(blocks) == 3:
            changed = uevent.with_name("new")
            changed.write_text(UEVENT.replace("=63", "=62"))
            changed.replace(uevent)
        if len(blocks) > 5 and "battery" in dict(blocks[-1].parts):
            break
    process.communicate(timeout=10)
    with_dump = [b for b in blocks[1:] if "battery" in dict(b.parts)]
    assert with_dump, "the new level was not followed by a battery dump"
    first_new = next(b for b in blocks if b"CAPACITY=62" in dict(b.parts)["uevent"])
    assert with_dump[0].seq == first_new.seq


def test_property_ticks(phone_root: Path) -> None:
    settings = LoopSettings(fast="property", tick_ms=100, slow_s=60, context_s=60)
    blocks, code, _ = run_loop(phone_root, settings, 10)
    assert code == 0
    fast = [next(name for name, _ in b.parts if name.startswith("property")) for b in blocks[:10]]
    assert fast == (["property_2"] * 4 + ["property_1"]) * 2
    assert dict(blocks[1].parts)["property_2"] == b"Result: Parcel(call batteryproperties 1 i32 2)"


def test_ticks_keep_their_pace_and_count_their_cost(phone_root: Path) -> None:
    settings = LoopSettings(fast="none", tick_ms=200, slow_s=600, context_s=600)
    blocks, _, _ = run_loop(phone_root, settings, 12)
    lasted_s = blocks[11].boot_s - blocks[1].boot_s
    # Never faster than asked; how much slower is up to the machine.
    assert lasted_s >= 10 * 0.2 - 0.05
    cpu = [b.loop_cpu_ticks for b in blocks]
    assert all(isinstance(ticks, int) for ticks in cpu)
    assert cpu == sorted(cpu, key=lambda ticks: ticks or 0)
    assert all(b.phone_epoch_s and b.phone_epoch_s > 1.6e9 for b in blocks)


@pytest.mark.parametrize("supply", ["", "../../etc", "a b", "$(id)", "x;y", "ä", "a'b"])
def test_an_unsafe_supply_name_never_reaches_the_shell(supply: str) -> None:
    with pytest.raises(ValueError, match="not safe"):
        LoopSettings(fast="uevent", supply=supply).command()
