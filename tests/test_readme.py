"""The README's commands do what it says."""

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.estimators import ESTIMATORS
from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer
from collector.virtual.clock import FastTime
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import ALDER, CEDAR, Handset, Stage
from collector.virtual.loads import NAVIGATION
from collector.virtual.phone import VirtualPhone
from parsers.runfolder import RunFolder

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")


def marked(name: str) -> str:
    found = re.search(rf"<!-- {name} -->\n```sh\n(.*?)\n```", README, re.DOTALL)
    assert found, f"the README has no block marked {name}"
    return found[1]


def commands_of(section: str) -> list[str]:
    """Every `rundown ...` line or inline command of a section, comments cut off."""
    text = README.split(f"## {section}\n", 1)[1].split("\n## ", 1)[0]
    lines = re.findall(r"^ {7}(rundown .*)$|`(rundown [^`]+)`", text, re.MULTILINE)
    return [(line or inline).split("  #")[0].strip() for line, inline in lines]


def test_it_opens_with_the_job() -> None:
    title, _, rest = README.partition("\n\n")
    assert title == "# rundown"
    paragraph = rest.split("\n\n", 1)[0]
    for word in ("phones", "adb", "mWh", "uncertainty", "ties"):
        assert word in paragraph


def test_each_set_up_is_a_single_line() -> None:
    for name in ("demo", "test"):
        assert "\n" not in marked(name)


def test_every_method_is_explained() -> None:
    table = README.split("| method | what it integrates | needs |", 1)[1].split("\n\n", 1)[0]
    for estimator in ESTIMATORS:
        assert f"`{estimator.NAME}`" in table


@pytest.mark.timeout(600)
def test_the_demo_line_works_in_a_plain_clone(tmp_path: Path) -> None:
    tracked = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    ).stdout.splitlines()
    for name in tracked:
        if (ROOT / name).is_file() and not name.startswith(("tests/", "fixtures/")):
            (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, tmp_path / name)
    done = subprocess.run(
        ["sh", "-c", marked("demo")], capture_output=True, text=True, check=False, cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
    assert "true mWh" in done.stdout
    assert (tmp_path / "shift-demo" / "published" / "report.html").is_file()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[dict[str, str]]:
    stages = [Stage(activity=NAVIGATION, duration_s=3600, name="navigation")]
    with VirtualFarm() as farm, PrivateAdbServer() as private:
        server = AdbServer(private.port)
        for spec in (ALDER, replace(CEDAR, key="cedar2")):
            hosted = farm.add(VirtualPhone(Handset(spec, stages, seed=1), FastTime(rate=20)))
            server.connect(hosted.address)
        yield {**os.environ, "ANDROID_ADB_SERVER_PORT": str(private.port)}


def rundown_words(line: str) -> list[str]:
    return [sys.executable, str(ROOT / "rundown.py"), *shlex.split(line)[1:]]


@pytest.mark.timeout(120)
def test_the_way_with_real_phones(bench: dict[str, str], tmp_path: Path) -> None:
    lines = commands_of("Your own phones")
    poll = next(line for line in lines if line.startswith("rundown poll"))
    folder = shlex.split(poll)[shlex.split(poll).index("--out") + 1]
    others = [line for line in lines if line != poll]
    asked = {line.split()[1] for line in others}
    assert asked == {"phones", "tag", "collect", "energy", "publish", "tidy"}
    poller = subprocess.Popen(
        rundown_words(poll), stderr=subprocess.PIPE, text=True, env=bench, cwd=tmp_path
    )
    run, deadline = RunFolder(tmp_path / folder), time.monotonic() + 30
    while not run.journals():
        assert time.monotonic() < deadline
        assert poller.poll() is None, poller.communicate()[1]
        time.sleep(0.05)
    for line in (line for line in others if line.split()[1] in ("phones", "tag")):
        time.sleep(1.1)  # so that no segment is empty: 20 s of phone time
        line_at = line.replace("-30s", "-0.5s")
        done = subprocess.run(
            rundown_words(line_at),
            capture_output=True,
            text=True,
            env=bench,
            cwd=tmp_path,
            check=False,
        )
        last_end = line.endswith("--at -30s")
        assert done.returncode == (2 if last_end else 0), f"{line}: {done.stderr}"
    poller.send_signal(signal.SIGINT)
    _, errors = poller.communicate(timeout=30)
    assert poller.returncode == 0, errors
    for line in (line for line in others if line.split()[1] not in ("phones", "tag")):
        done = subprocess.run(
            rundown_words(line),
            capture_output=True,
            text=True,
            env=bench,
            cwd=tmp_path,
            check=False,
        )
        assert done.returncode in (0, 1), f"{line}: {done.stderr}"
    assert (run.published / "report.html").is_file()


def indented(section: str) -> list[str]:
    """The `rundown ...` lines of a section that stand by themselves."""
    text = README.split(f"## {section}\n", 1)[1].split("\n## ", 1)[0]
    return re.findall(r"^ {4}(rundown .*)$", text, re.MULTILINE)


def asked(line: str, bench: dict[str, str], folder: Path) -> int:
    done = subprocess.run(
        rundown_words(line),
        capture_output=True,
        text=True,
        env=bench,
        cwd=folder,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode in (0, 1), f"{line}: {done.stderr}"
    return done.returncode


@pytest.mark.timeout(120)
def test_the_way_to_a_fair_test(bench: dict[str, str], tmp_path: Path) -> None:
    lines = indented("A fair test")
    assert [line.split()[1] for line in lines] == ["plan", "plan", "check"]
    for line in lines:
        asked(line, bench, tmp_path)
    assert (tmp_path / "monday.toml").is_file()


@pytest.mark.timeout(120)
def test_the_way_without_a_link(bench: dict[str, str], tmp_path: Path) -> None:
    arm, collect = indented("With no link at all")
    assert asked(arm, bench, tmp_path) == 0
    time.sleep(2)  # 40 s of phone time
    asked(collect, bench, tmp_path)
    run = RunFolder(tmp_path / arm.split()[-1])
    assert {p.armed for p in run.read_manifest().phones} == {True}
    assert len(list((run.tables / "readings").glob("phone=*/*.parquet"))) == 2
