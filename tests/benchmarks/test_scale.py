"""128 virtual phones at once: what is missed, and what it costs this computer.

Run with: pytest -m benchmark tests/benchmarks/test_scale.py -s
"""

import os
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer
from collector.clock import SystemClock
from collector.inventory.probe import Offer
from collector.onphone import LoopSettings
from collector.recording.bench import Bench, Ready
from collector.recording.tidy import tidy
from parsers.journal import RecordKind, read_journal
from parsers.runfolder import PhoneEntry, RunFolder
from parsers.tables import read_table

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(400)]
N_PHONES = 128
LASTS_S = 60.0
PHONES = """
import sys, threading
from collector.virtual.clock import FastTime
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import ALDER, Handset, Stage
from collector.virtual.loads import NAVIGATION
from collector.virtual.phone import VirtualPhone

time = FastTime()
stages = [Stage(activity=NAVIGATION, duration_s=1e6, name="navigation")]
with VirtualFarm() as farm:
    for seed in range(int(sys.argv[1])):
        print(farm.add(VirtualPhone(Handset(ALDER, stages, seed=seed), time)).address, flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def phones() -> Iterator[list[str]]:
    """Addresses of the phones, which live in a process of their own."""
    with subprocess.Popen(
        [sys.executable, "-c", PHONES, str(N_PHONES)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        yield [process.stdout.readline().strip() for _ in range(N_PHONES)]
        process.stdin.close()


def ready(label: str, address: str, tick_ms: int) -> Ready:
    settings = LoopSettings(fast="uevent", tick_ms=tick_ms)
    entry = PhoneEntry(label=label, phone_hash=label)
    offer = Offer(settings=settings, sources={}, refused={}, design_mah=None)
    return Ready(serial=address, entry=entry, offer=offer)


def cpu_s(pid: int) -> float:
    """User and system time of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.parametrize("tick_ms", [1000, 100])
def test_scale(phones: list[str], tick_ms: int, tmp_path: Path) -> None:
    run = RunFolder(tmp_path / "run")
    with PrivateAdbServer() as private:
        for address in phones:
            private.connect(address)
        assert private._child is not None
        server = AdbServer(private.port)
        labels = [f"alder-{n}" for n in range(N_PHONES)]
        made_ready = [ready(*pair, tick_ms) for pair in zip(labels, phones, strict=True)]
        with Bench(run, server, made_ready, SystemClock(), virtual=True) as bench:
            deadline = time.monotonic() + 60
            while not all(poller.watch.n_blocks > 2 for poller in bench.pollers):
                assert time.monotonic() < deadline
                time.sleep(0.1)
            n_before = sum(p.watch.n_blocks for p in bench.pollers)
            began = time.monotonic(), time.process_time(), cpu_s(private._child.pid)
            time.sleep(LASTS_S)
            passed_s = time.monotonic() - began[0]
            collector_ratio = (time.process_time() - began[1]) / passed_s
            server_ratio = (cpu_s(private._child.pid) - began[2]) / passed_s
            n_blocks = sum(p.watch.n_blocks for p in bench.pollers) - n_before
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    journals = list(run.journals().values())
    records = [r for path in journals for r in read_journal(path).records]
    n_readings = sum(r.kind is RecordKind.BLOCK for r in records)
    journal_bytes = sum(path.stat().st_size for path in journals) / n_readings
    tidy(run)
    missing = [one for entry in run.read_manifest().phones for one in entry.missing]
    n_missed = sum(m.last_seq - m.first_seq + 1 for m in missing if m.last_seq is not None)
    n_unfetched = sum(m.last_seq is None for m in missing)
    table = read_table(run.tables / "readings")
    spacing_s = table.to_pandas().groupby("phone", observed=True)["boot_s"].diff().dropna()
    n_late = int((spacing_s > 1.5 * tick_ms / 1000).sum())
    parquet = list((run.tables / "readings").rglob("*.parquet"))
    parquet_bytes = sum(path.stat().st_size for path in parquet) / table.num_rows
    rate_hz = 1000 / tick_ms
    print(
        f"\n{N_PHONES} phones at {rate_hz:g} Hz for {passed_s:.0f} s: {n_blocks} readings, "
        f"{n_missed} missed, {n_unfetched} phones not fetched to the end, "
        f"{n_late} ticks late on the phones' side; collector "
        f"{100 * collector_ratio:.1f} % of one core, adb server {100 * server_ratio:.1f} %; "
        f"peak {peak_mb:.0f} MB; journal {journal_bytes:.0f}, Parquet {parquet_bytes:.1f} bytes "
        "per reading"
    )
    assert n_missed == n_unfetched == 0
    assert n_blocks == pytest.approx(N_PHONES * rate_hz * passed_s, rel=0.03)
    assert journal_bytes <= 140
    if table.num_rows > 500 * N_PHONES:  # a file's own description weighs on a short one
        assert parquet_bytes <= 40
