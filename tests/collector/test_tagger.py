"""Tags: refused when they contradict, kept whole when many write at once."""

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.errors import TagError
from collector.tagging.moment import moment
from collector.tagging.tags import Tagger
from parsers.runfolder import Clocks, Manifest, PhoneEntry, RunFolder
from parsers.tags import read_tags, resolve

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


class HandClock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def utc(self) -> datetime:
        return START + timedelta(seconds=self.now_s - 1000)

    def monotonic_s(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def run(tmp_path: Path) -> RunFolder:
    folder = RunFolder(tmp_path)
    phones = tuple(PhoneEntry(label=name, phone_hash="0") for name in ("alder-1", "birch-1"))
    folder.write_manifest(
        Manifest(
            run_id="r", tool_version="0", clocks=Clocks(utc=START, host_s=1000.0), phones=phones
        )
    )
    return folder


def shape(run: RunFolder) -> list[tuple[str, int, str | None, float, float | None]]:
    return [
        (
            s.name,
            s.occurrence,
            s.phone,
            (s.start.at_utc - START).total_seconds(),
            (s.end.at_utc - START).total_seconds() if s.end else None,
        )
        for s in resolve(read_tags(run.tags_path).records)
    ]


def test_segments_follow_each_other(run: RunFolder, clock: HandClock) -> None:
    tagger = Tagger(run, clock)
    tagger.begin("voice call")
    clock.now_s += 60
    tagger.begin("navigation", close_open=True)
    clock.now_s += 60
    tagger.end()
    tagger.note("moved to the shade", phone="alder-1")
    clock.now_s += 60
    tagger.begin("voice call", phone="birch-1")
    tagger.begin("music", phone="alder-1")
    assert shape(run) == [
        ("voice call", 1, None, 0.0, 60.0),
        ("navigation", 1, None, 60.0, 120.0),
        ("voice call", 1, "birch-1", 180.0, None),
        ("music", 1, "alder-1", 180.0, None),
    ]
    tags = read_tags(run.tags_path)
    assert [n.text for n in tags.notes] == ["moved to the shade"]
    assert tags.records[0].at_host_s == 1000.0


def test_occurrences_count_equal_names(run: RunFolder, clock: HandClock) -> None:
    tagger = Tagger(run, clock)
    for _ in range(3):
        tagger.begin("standby", close_open=True)
        clock.now_s += 10
    assert [row[:2] for row in shape(run)] == [("standby", 1), ("standby", 2), ("standby", 3)]


def test_what_contradicts_is_refused_and_leaves_no_record(
    run: RunFolder, clock: HandClock
) -> None:
    tagger = Tagger(run, clock)
    with pytest.raises(TagError, match="no segment is open"):
        tagger.end()
    tagger.begin("music")
    with pytest.raises(TagError, match="'music' is still open on all phones"):
        tagger.begin("game", phone="alder-1")
    with pytest.raises(TagError, match="cannot end before it began"):
        tagger.end(at="-5m")
    with pytest.raises(TagError, match="no phone 'oak-1' in this run; it has alder-1, birch-1"):
        tagger.note("x", phone="oak-1")
    for name in ("", "  ", "x" * 61, "a\nb", "\x1b[31mred"):
        with pytest.raises(TagError, match="cannot name a segment"):
            tagger.begin(name)
    with pytest.raises(TagError, match="1 to 2000"):
        tagger.note(" ")
    assert len(read_tags(run.tags_path).records) == 1


def test_a_finished_run_needs_a_time(run: RunFolder, clock: HandClock) -> None:
    run.write_manifest(run.read_manifest().model_copy(update={"outcome": "finished"}))
    tagger = Tagger(run, clock)
    with pytest.raises(TagError, match="--at"):
        tagger.begin("music")
    tagger.begin("music", at="2026-05-04T08:00:10+02:00")
    assert shape(run) == [("music", 1, None, 10.0, None)]
    assert read_tags(run.tags_path).records[0].at_host_s is None


def test_moments(clock: HandClock) -> None:
    assert moment(None, clock) == (START, 1000.0)
    assert moment("-1h5m30.5s", clock) == (START - timedelta(seconds=3930.5), 1000.0 - 3930.5)
    local = (START - timedelta(minutes=10)).astimezone()
    assert moment(f"{local:%H:%M:%S}", clock) == (local, None)
    later = (START + timedelta(minutes=10)).astimezone()
    assert moment(f"{later:%H:%M}", clock)[0] == later - timedelta(days=1)
    for wrong in ("", "-", "soon", "25:00", "12:61", "2026-05-04T08:00", "5m"):
        with pytest.raises(TagError, match="is not a time"):
            moment(wrong, clock)


def test_half_a_line_does_not_swallow_the_next(run: RunFolder, clock: HandClock) -> None:
    tagger = Tagger(run, clock)
    tagger.begin("music")
    with run.tags_path.open("ab") as file:
        file.write(b'{"what": "end", "at')
    tagger.end()
    tags = read_tags(run.tags_path)
    assert [r.what for r in tags.records] == ["begin", "end"]
    assert len(tags.damage) == 1
    assert "line 2" in tags.damage[0]


def test_many_writers_lose_nothing(run: RunFolder) -> None:
    code = (
        "import sys; from pathlib import Path; from collector.clock import SystemClock; "
        "from collector.tagging.tags import Tagger; from parsers.runfolder import RunFolder\n"
        "t = Tagger(RunFolder(Path(sys.argv[1])), SystemClock())\n"
        "for n in range(15): t.note(f'{sys.argv[2]}-{n}')"
    )
    writers = [
        subprocess.Popen([sys.executable, "-c", code, str(run.path), str(n)]) for n in range(4)
    ]
    assert [w.wait(timeout=18) for w in writers] == [0] * 4
    tags = read_tags(run.tags_path)
    assert tags.damage == ()
    assert {n.text for n in tags.notes} == {f"{w}-{n}" for w in range(4) for n in range(15)}
