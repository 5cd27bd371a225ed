"""What a user states of a gauge is kept with the run; what a phone says of its owner is not."""

from dataclasses import replace
from pathlib import Path

import pyarrow.compute as pc
import pytest
from typer.testing import CliRunner

import rundown
from collector.clock import SystemClock
from collector.onphone import LoopSettings
from collector.recording.recorder import Recorder
from collector.recording.tidy import tidy
from collector.virtual.handset import ALDER, Handset, Stage
from collector.virtual.loads import NAVIGATION
from collector.virtual.loop import LoopTwin
from collector.virtual.profiles import ABSOLUTE_MILLIAMP
from parsers.blocks import Block, render_block
from parsers.journal import read_journal
from parsers.runfolder import Clocks, Manifest, PhoneEntry, RunFolder
from parsers.tables import read_table

OWNER = "Greta Lindqvist"


def with_owner(block: Block) -> Block:
    """The block of a vendor who prints the owner's name among the battery's values."""
    parts = tuple(
        (name, body + f"\n  Battery owner: {OWNER}".encode() if name == "battery" else body)
        for name, body in block.parts
    )
    return replace(block, parts=parts)


def record(folder: RunFolder, *, keep_raw: bool = False) -> None:
    clock = SystemClock()
    spec = replace(ALDER, gauge=ABSOLUTE_MILLIAMP)
    stages = [Stage(name="navigation", activity=NAVIGATION, duration_s=3600.0)]
    handset, loop = Handset(spec, stages, seed=1), LoopTwin(LoopSettings(fast="uevent"))
    folder.path.mkdir()
    folder.write_manifest(
        Manifest(
            run_id="0123456789ab",
            tool_version="test",
            clocks=Clocks(utc=clock.utc(), host_s=clock.monotonic_s()),
            phones=(PhoneEntry(label="alder-1", phone_hash="0" * 16),),
        )
    )
    recorder = Recorder(folder.journal_path("alder-1"), clock, keep_raw=keep_raw)
    for _ in range(300):
        block = with_owner(loop.block(handset.state()))
        recorder.block(render_block(block))
        handset.advance_to(handset.next_awake(handset.boot_s, loop.wait_s(block.boot_s)))
    recorder.close()


def n_currents(folder: RunFolder) -> int:
    return int(pc.count(read_table(folder.tables / "readings")["current_ma"]).as_py())


@pytest.fixture
def run(tmp_path: Path) -> RunFolder:
    folder = RunFolder(tmp_path / "monday")
    record(folder)
    return folder


def test_what_is_stated_is_kept_until_taken_back(run: RunFolder) -> None:
    assert tidy(run)[0].gauge.current_sign is None
    stated = tidy(run, {"alder-1": "mA,inverted,x2"})[0].gauge
    assert (stated.current_unit, stated.current_sign, stated.scale) == ("mA", -1, 2.0)
    assert stated.confidence == 1.0
    assert tidy(run)[0].gauge == stated, "a later tidy keeps it"
    assert run.read_manifest().phone("alder-1").gauge_stated == "mA,inverted,x2"
    assert n_currents(run) == 300
    assert tidy(run, {"alder-1": "auto"})[0].gauge.current_sign is None
    assert run.read_manifest().phone("alder-1").gauge_stated == ""


def test_the_command_states_it(run: RunFolder) -> None:
    words = ["tidy", str(run.path), "--gauge", "alder-1=mA,absolute"]
    done = CliRunner().invoke(rundown.app, words)
    assert done.exit_code == 0, done.output
    facts = run.read_manifest().phone("alder-1").gauge
    assert facts is not None
    assert facts.current_sign == 0
    assert facts.why.startswith("stated by the user")


def test_tables_without_their_journal_are_left_alone(run: RunFolder) -> None:
    tidy(run)
    readings = read_table(run.tables / "readings")
    unread, manifest = (run.tables / "unread.jsonl").read_text(), run.read_manifest()
    run.journal_path("alder-1").unlink()
    done = CliRunner().invoke(rundown.app, ["tidy", str(run.path)])
    assert done.exit_code == 1
    assert "alder-1: 300 readings" in done.stderr
    said = (
        "journal/alder-1.journal is missing, its tables stay as they are; restore it from a copy"
    )
    assert said in " ".join(done.stderr.split())
    assert read_table(run.tables / "readings") == readings
    assert (run.tables / "unread.jsonl").read_text() == unread != ""
    assert run.read_manifest() == manifest


@pytest.mark.parametrize(
    ("words", "said"),
    [("alder-2=mA", "no phone 'alder-2'"), ("alder-1=amps", "'amps' says nothing")],
)
def test_nonsense_is_refused_and_changes_nothing(run: RunFolder, words: str, said: str) -> None:
    before = run.manifest_path.read_bytes()
    done = CliRunner().invoke(rundown.app, ["tidy", str(run.path), "--gauge", words])
    assert done.exit_code == 2
    assert said in done.output
    assert run.manifest_path.read_bytes() == before


def payloads(folder: RunFolder) -> bytes:
    journal = read_journal(folder.journal_path("alder-1"))
    return b"".join(record.payload for record in journal.records)


def test_by_default_the_owner_is_nowhere(run: RunFolder) -> None:
    tidied = tidy(run)[0]
    assert tidied.n_unread > 0
    assert OWNER.encode() not in payloads(run)
    assert b"Battery xxxxx: Xxxxx" in payloads(run)
    for path in run.path.rglob("*"):
        if path.is_file():
            assert b"Lindqvist" not in path.read_bytes(), path
    assert "Battery xxxxx" in (run.tables / "unread.jsonl").read_text()


def test_raw_text_is_kept_only_on_request(tmp_path: Path) -> None:
    folder = RunFolder(tmp_path / "raw")
    record(folder, keep_raw=True)
    tidy(folder)
    assert OWNER.encode() in payloads(folder)
    assert "Lindqvist" not in (folder.tables / "unread.jsonl").read_text()
