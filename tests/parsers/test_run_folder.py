"""The manifest is replaced whole, refuses what it does not know, and labels are safe names."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from parsers.errors import RunFolderError
from parsers.runfolder import Clocks, Manifest, PhoneEntry, RunFolder, checked_label, newest_run

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


def manifest(start: datetime = START) -> Manifest:
    return Manifest(
        run_id="r1",
        tool_version="0",
        clocks=Clocks(utc=start, host_s=5.0),
        phones=(PhoneEntry(label="alder-1", phone_hash="00"),),
    )


def test_manifest_round_trip(tmp_path: Path) -> None:
    folder = RunFolder(tmp_path)
    folder.write_manifest(manifest())
    assert folder.read_manifest() == manifest()
    assert folder.read_manifest().outcome is None, "a run is interrupted until it says otherwise"
    assert [p.name for p in tmp_path.iterdir()] == ["run.json"], "no temporary file is left"
    assert folder.read_manifest().phone("alder-1").phone_hash == "00"


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("{", "the file"),
        (
            manifest().model_dump_json().replace('"schema_version":1', '"schema_version":2'),
            "schem",
        ),
        (manifest().model_dump_json().replace('"title"', '"titel"'), "titel"),
    ],
)
def test_a_manifest_of_another_kind_is_refused(tmp_path: Path, text: str, where: str) -> None:
    (tmp_path / "run.json").write_text(text)
    with pytest.raises(RunFolderError, match=where):
        RunFolder(tmp_path).read_manifest()


def test_no_run_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(RunFolderError, match=r"no run\.json"):
        RunFolder(tmp_path).read_manifest()
    with pytest.raises(RunFolderError, match="no run in this folder"):
        newest_run(tmp_path)


def test_the_newest_run_is_the_one_that_began_last(tmp_path: Path) -> None:
    for name, hours in (("b", 0), ("a", 2), ("c", 1)):
        RunFolder(tmp_path / name).write_manifest(manifest(START + timedelta(hours=hours)))
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "run.json").write_text("not json")
    assert newest_run(tmp_path).path.name == "a"


@pytest.mark.parametrize("label", ["alder-1", "a", "9a", "4-b", "x" * 40, "a_b-c"])
def test_good_labels(label: str, tmp_path: Path) -> None:
    assert checked_label(label) == label
    assert RunFolder(tmp_path).journal_path(label).parent == tmp_path / "journal"


@pytest.mark.parametrize(
    "label",
    [
        *("", "A", "../up", "a/b", "a\\b", "-a", "a-", "x" * 41, "con", "lpt1", "a\n", "ä", "a b"),
        *(".", "9", "2026", "1_0", "4-2"),
    ],
)
def test_bad_labels(label: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="such as alder-1"):
        RunFolder(tmp_path).journal_path(label)
