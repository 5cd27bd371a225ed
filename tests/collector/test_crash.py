"""A poller killed in mid-run loses nothing that had arrived; Ctrl-C ends it cleanly."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer
from collector.virtual.clock import FastTime
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import ALDER, BIRCH, Handset, Stage
from collector.virtual.loads import NAVIGATION
from collector.virtual.phone import VirtualPhone
from parsers.journal import RecordKind, read_journal
from parsers.runfolder import RunFolder
from parsers.tables import read_table

pytestmark = pytest.mark.timeout(60)
LABELS = ("alder-1", "birch-1")


@pytest.fixture(scope="module")
def bench() -> Iterator[tuple[dict[str, VirtualPhone], dict[str, str]]]:
    """Two phones in real time, and the environment of a poller that sees them."""
    stages = [Stage(activity=NAVIGATION, duration_s=3600, name="navigation")]
    with VirtualFarm() as farm, PrivateAdbServer() as private:
        server, phones, addresses = AdbServer(private.port), {}, {}
        for label, spec in zip(LABELS, (ALDER, BIRCH), strict=True):
            phones[label] = VirtualPhone(Handset(spec, stages, seed=2), FastTime())
            addresses[label] = farm.add(phones[label]).address
            server.connect(addresses[label])
        environment = {**os.environ, "ANDROID_ADB_SERVER_PORT": str(private.port)}
        yield phones, environment | {f"ADDRESS_{k}": v for k, v in addresses.items()}


Start = Callable[[Path], subprocess.Popen[str]]


@pytest.fixture
def start(bench: tuple[dict[str, VirtualPhone], dict[str, str]]) -> Iterator[Start]:
    """Starts pollers; none outlives the test."""
    _, environment = bench
    started: list[subprocess.Popen[str]] = []

    def start_one(out: Path) -> subprocess.Popen[str]:
        started.append(launch(environment, out))
        return started[-1]

    yield start_one
    for poller in started:
        if poller.returncode is None:
            poller.kill()
            poller.communicate()


def launch(environment: dict[str, str], out: Path) -> subprocess.Popen[str]:
    chosen = [f"--phone={label}={environment[f'ADDRESS_{label}']}" for label in LABELS]
    return subprocess.Popen(
        [sys.executable, "-m", "rundown", "poll", "--out", str(out), "--tick-s", "0.1", *chosen],
        env=environment,
        stderr=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )


def wait_for_blocks(run: RunFolder, n_blocks: int, poller: subprocess.Popen[str]) -> None:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        assert poller.poll() is None, poller.communicate()[1]
        journals = [read_journal(path) for path in run.journals().values()]
        counts = [sum(r.kind is RecordKind.BLOCK for r in j.records) for j in journals]
        if len(counts) == len(LABELS) and min(counts) >= n_blocks:
            return
        time.sleep(0.05)
    pytest.fail("the poller recorded nothing")


def rundown(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "rundown", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )


def test_sigkill_loses_nothing_that_had_arrived(
    bench: tuple[dict[str, VirtualPhone], dict[str, str]], start: Start, tmp_path: Path
) -> None:
    phones, _ = bench
    run = RunFolder(tmp_path / "run")
    poller = start(run.path)
    wait_for_blocks(run, 15, poller)
    sent_a_second_ago = {label: phones[label].last_seq or 0 for label in LABELS}
    time.sleep(1.0)
    poller.kill()
    poller.communicate()
    assert run.read_manifest().outcome is None, "interrupted, not assumed good"
    done = rundown("tidy", str(run.path))
    assert done.returncode in (0, 1), done.stderr
    table = read_table(run.tables / "readings").to_pandas()
    for label in LABELS:
        seqs = table.loc[table["phone"] == label, "seq"].tolist()
        assert seqs == list(range(len(seqs))), "in order, none twice, none missing"
        assert len(seqs) > sent_a_second_ago[label]


def test_tidy_gives_the_same_tables_again(start: Start, tmp_path: Path) -> None:
    run = RunFolder(tmp_path / "run")
    poller = start(run.path)
    wait_for_blocks(run, 12, poller)
    poller.send_signal(signal.SIGINT)
    _, errors = poller.communicate(timeout=20)
    assert poller.returncode == 0, errors
    manifest = run.read_manifest()
    assert manifest.outcome == "stopped"
    assert {p.end.what for p in manifest.phones if p.end} == {"stopped"}
    files = sorted(run.tables.rglob("*.parquet"))
    before = [f.read_bytes() for f in files]
    assert rundown("tidy", str(run.path)).returncode == 0
    assert [f.read_bytes() for f in files] == before
    assert run.read_manifest() == manifest


def test_a_second_poller_is_refused(start: Start, tmp_path: Path) -> None:
    run = RunFolder(tmp_path / "run")
    poller = start(run.path)
    wait_for_blocks(run, 2, poller)
    second = start(run.path)
    _, errors = second.communicate(timeout=20)
    assert second.returncode == 2
    assert "being recorded by another process" in errors
    poller.send_signal(signal.SIGINT)
    poller.communicate(timeout=20)
    third = start(run.path)
    _, errors = third.communicate(timeout=20)
    assert third.returncode == 2
    assert "there is a run in this folder already" in errors


def test_no_serial_reaches_the_disk(
    bench: tuple[dict[str, VirtualPhone], dict[str, str]], start: Start, tmp_path: Path
) -> None:
    _, environment = bench
    run = RunFolder(tmp_path / "run")
    poller = start(run.path)
    wait_for_blocks(run, 5, poller)
    poller.send_signal(signal.SIGINT)
    poller.communicate(timeout=20)
    manifest = json.loads(run.manifest_path.read_text())
    assert all(len(phone["phone_hash"]) == 16 for phone in manifest["phones"])
    payloads = b"".join(
        r.payload for path in run.journals().values() for r in read_journal(path).records
    )
    everything = payloads + run.manifest_path.read_bytes()
    for secret in ("VIRTUAL", *(environment[f"ADDRESS_{label}"] for label in LABELS)):
        assert secret.encode() not in everything
