"""What a phone says of itself reaches neither a file name nor the terminal unescaped."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer
from collector.virtual.clock import FastTime
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import BIRCH, Handset, Stage
from collector.virtual.loads import NAVIGATION
from collector.virtual.phone import VirtualPhone
from parsers.runfolder import RunFolder

ROOT = Path(__file__).parent.parent
pytestmark = pytest.mark.timeout(60)
NAMES = (
    "../../../tmp/escape",
    "a/b\\c",
    "two\nlines\r\nthree",
    "\x1b[31mred\x1b]0;title\x07",
    "\u202etxt.exe\u2066",
    "[bold]markup[/] <b>html</b>",
    "=cmd|' /C calc'!A0",
    "long" * 1024,
    "$(touch pwned); `id` && rm -rf /",
    "",
)


@pytest.fixture(scope="module")
def environment() -> Iterator[dict[str, str]]:
    stages = [Stage(activity=NAVIGATION, duration_s=3600, name="navigation")]
    with VirtualFarm() as farm, PrivateAdbServer() as private:
        server = AdbServer(private.port)
        for name in NAMES:
            spec = replace(BIRCH, model=name, device=name, build=name)
            hosted = farm.add(VirtualPhone(Handset(spec, stages, seed=1), FastTime()))
            server.connect(hosted.address)
        yield {**os.environ, "ANDROID_ADB_SERVER_PORT": str(private.port)}


def assert_harmless(shown: str) -> None:
    for char in shown:
        assert char == "\n" or char.isprintable(), f"{char!r} reached the terminal"
    assert "long" * 100 not in shown


def test_the_list_of_phones(environment: dict[str, str], tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, ROOT / "rundown.py", "phones"],
        capture_output=True,
        text=True,
        check=True,
        env=environment,
        cwd=tmp_path,
    )
    assert_harmless(done.stdout + done.stderr)
    assert "[bold]markup" in "".join(done.stdout.split())
    done = subprocess.run(
        [sys.executable, ROOT / "rundown.py", "phones", "--json"],
        capture_output=True,
        text=True,
        check=True,
        env=environment,
        cwd=tmp_path,
    )
    assert_harmless(done.stdout)
    assert len(json.loads(done.stdout)["phones"]) == len(NAMES)


def test_recording(environment: dict[str, str], tmp_path: Path) -> None:
    poller = subprocess.Popen(
        [sys.executable, ROOT / "rundown.py", "poll", "--out", "run"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment,
        cwd=tmp_path,
    )
    run = RunFolder(tmp_path / "run")
    deadline = time.monotonic() + 30
    while len(run.journals()) < len(NAMES):
        assert time.monotonic() < deadline
        assert poller.poll() is None, poller.communicate()[0]
        time.sleep(0.05)
    poller.send_signal(signal.SIGINT)
    shown, _ = poller.communicate(timeout=30)
    assert_harmless(shown)
    assert [p.name for p in tmp_path.iterdir()] == ["run"]
    for path in run.path.rglob("*"):
        assert set(path.name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-_.="), path.name
        assert len(path.name) <= 50
    labels = set(run.journals())
    assert len(labels) == len(NAMES)
    models = [p.model for p in run.read_manifest().phones]
    assert "[bold]markup[/] <b>html</b>" in models, "kept as it is, as data"
    assert max(map(len, models)) <= 200
