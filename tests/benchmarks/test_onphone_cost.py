"""What one tick of the recorder costs under mksh and toybox: CPU time and bytes.

Run with: pytest -m benchmark tests/benchmarks/test_onphone_cost.py -s
"""

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.onphone import RECORDER_SCRIPT, LoopSettings
from collector.virtual import dumps
from collector.virtual.handset import ALDER, Handset
from parsers.blocks import Block, BlockReader

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(60)]
N_TICKS = 600
APPLETS = ("cat", "flock", "fsync", "grep", "rm", "setsid", "sleep", "tail", "wc")


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Path]:
    """A phone's worth of kernel files and programs, and the script."""
    mksh, toybox = shutil.which("mksh"), shutil.which("toybox")
    assert mksh, "install mksh and toybox"
    assert toybox, "install mksh and toybox"
    for folder in ("proc/sys/kernel/random", "sys/class/power_supply/battery", "bin", "rundown"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "proc/sys/kernel/random/boot_id").write_text("0a1b2c3d-1111\n")
    (tmp_path / "proc/uptime").symlink_to("/proc/uptime")
    (tmp_path / "proc/self").symlink_to("/proc/self")
    state = Handset(ALDER, (), seed=1).state()
    uevent = tmp_path / "sys/class/power_supply/battery/uevent"
    uevent.write_text(dumps.uevent_battery(state) or "")
    for applet in APPLETS:
        (tmp_path / "bin" / applet).symlink_to(toybox)
    (tmp_path / "bin" / "sh").symlink_to(mksh)
    for name in ("dumpsys", "service", "settings"):
        script = tmp_path / "bin" / name
        script.write_text(f'#!{mksh}\nprint -r -- "Result: Parcel($*)"\n')
        script.chmod(0o755)
    (tmp_path / "rundown" / "recorder.sh").write_text(RECORDER_SCRIPT)
    yield tmp_path
    running = tmp_path / "rundown" / "running"
    if running.exists():
        os.kill(int(running.read_text().split()[2]), signal.SIGKILL)


def record(root: Path, settings: LoopSettings) -> tuple[list[Block], int]:
    given = dict(item.split("=", 1) for item in settings.environment().split())
    subprocess.run(
        [shutil.which("mksh") or "mksh", root / "rundown" / "recorder.sh", "start"],
        env={
            "PATH": str(root / "bin"),
            "RUNDOWN_ROOT": str(root),
            "RUN": "abc",
            "MODE": "polled",
            **given,
        },
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        check=True,
        timeout=10,
    )
    path = root / "rundown" / "abc.blocks"
    deadline = time.monotonic() + 40
    while path.read_bytes().count(b"\n@end ") < N_TICKS:
        assert time.monotonic() < deadline
        time.sleep(0.2)
    data = path.read_bytes()
    return [block for _, block in BlockReader().feed(data)], len(data)


@pytest.mark.parametrize(("fast", "limit_ms"), [("uevent", 1.0), ("property", 8.0)])
def test_cost_per_tick(root: Path, fast: str, limit_ms: float) -> None:
    settings = LoopSettings(
        fast="uevent" if fast == "uevent" else "property", tick_ms=20, slow_s=600, context_s=600
    )
    blocks, n_bytes = record(root, settings)
    first, last = blocks[1], blocks[-1]
    assert first.loop_cpu_ticks is not None
    assert last.loop_cpu_ticks is not None
    cpu_s = (last.loop_cpu_ticks - first.loop_cpu_ticks) / os.sysconf("SC_CLK_TCK")
    per_tick_ms = 1e3 * cpu_s / (len(blocks) - 2)
    print(f"\n{fast}: {per_tick_ms:.2f} ms CPU and {n_bytes / len(blocks):.0f} bytes per tick")
    assert per_tick_ms < limit_ms
