"""Putting tags right: every edit is a record, contradictions are refused, all can be undone."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

import rundown
from collector.errors import TagError
from collector.tagging.rules import clashes
from collector.tagging.tags import Tagger
from parsers.runfolder import Clocks, Manifest, PhoneEnd, PhoneEntry, RunFolder
from parsers.tags import read_tags, resolve

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
LABELS = ["alder-1", "birch-1"]
Shape = list[tuple[str, str | None, float, float | None]]


class HandClock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def utc(self) -> datetime:
        return START + timedelta(seconds=self.now_s)

    def monotonic_s(self) -> float:
        return 500.0 + self.now_s


class Desk:
    """A run, its tagger and its clock; `at(s)` says when things happen."""

    def __init__(self, path: Path) -> None:
        path.mkdir(exist_ok=True)
        self.folder = RunFolder(path)
        self.folder.write_manifest(
            Manifest(
                run_id="r",
                tool_version="0",
                clocks=Clocks(utc=START, host_s=500.0),
                phones=tuple(PhoneEntry(label=label, phone_hash="0") for label in LABELS),
            )
        )
        self.clock = HandClock()

    @property
    def tagger(self) -> Tagger:
        return Tagger(self.folder, self.clock)

    def at(self, now_s: float) -> Tagger:
        self.clock.now_s = now_s
        return self.tagger

    def shape(self, label: str | None = None) -> Shape:
        return [
            (
                s.name,
                s.phone,
                (s.start.at_utc - START).total_seconds(),
                (s.end.at_utc - START).total_seconds() if s.end else None,
            )
            for s in resolve(read_tags(self.folder.tags_path).records)
            if label is None or s.on(label)
        ]

    def stop(self, at_s: float) -> None:
        end = PhoneEnd(what="stopped", last_answer_utc=START + timedelta(seconds=at_s))
        manifest = self.folder.read_manifest()
        phones = tuple(p.model_copy(update={"end": end}) for p in manifest.phones)
        changed = {"outcome": "stopped", "phones": phones}
        self.folder.write_manifest(manifest.model_copy(update=changed))


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """Navigation for ten minutes, at once followed by ten of a game, then a pause."""
    desk = Desk(tmp_path / "run")
    desk.at(0).begin("navigation")
    desk.at(600).begin("game", close_open=True)
    desk.at(1200).end()
    desk.clock.now_s = 1500
    return desk


def test_a_game_that_began_five_minutes_early(desk: Desk) -> None:
    desk.tagger.move("game", "start", "-5m")
    assert desk.shape() == [("navigation", None, 0, 300), ("game", None, 300, 1200)]
    records = read_tags(desk.folder.tags_path).records
    assert [r.at_host_s for r in records if r.what == "move"] == [800.0, 800.0]


def test_a_border_of_one_phone_alone(desk: Desk) -> None:
    desk.tagger.move("game", "end", "+60s", phone="alder-1")
    assert desk.shape("alder-1") == [
        ("navigation", None, 0, 600),
        ("game", "alder-1", 600, 1260),
    ]
    assert desk.shape("birch-1") == [("navigation", None, 0, 600), ("game", None, 600, 1200)]
    desk.tagger.move("game", "start", "-1m", phone="alder-1")
    assert desk.shape("alder-1") == [
        ("navigation", "alder-1", 0, 540),
        ("game", "alder-1", 540, 1260),
    ]
    assert desk.shape("birch-1") == [("navigation", None, 0, 600), ("game", None, 600, 1200)]


@pytest.mark.parametrize(
    ("edit", "args", "expected"),
    [
        ("rename", ("game", "tiles"), [("navigation", None, 0, 600), ("tiles", None, 600, 1200)]),
        ("drop", ("navigation",), [("game", None, 600, 1200)]),
        ("drop", (None,), [("navigation", None, 0, 600)]),
        (
            "split",
            ("game", "-10m", "music"),
            [("navigation", None, 0, 600), ("game", None, 600, 900), ("music", None, 900, 1200)],
        ),
        (
            "cut",
            ("game", "-10m", "-6m"),
            [
                ("navigation", None, 0, 600),
                ("game", None, 600, 900),
                ("game, part 2", None, 1140, 1200),
            ],
        ),
        (
            "cut",
            ("game", "-20m", "-10m"),
            [("navigation", None, 0, 600), ("game", None, 900, 1200)],
        ),
        ("cut", ("game", "-10m", "-1m"), [("navigation", None, 0, 600), ("game", None, 600, 900)]),
        ("cut", ("game", "-20m", "-1m"), [("navigation", None, 0, 600)]),
    ],
)
def test_edits(desk: Desk, edit: str, args: tuple[Any, ...], expected: Shape) -> None:
    before = desk.folder.tags_path.read_bytes()
    shape = desk.shape()
    getattr(desk.tagger, edit)(*args)
    assert desk.shape() == expected
    assert desk.folder.tags_path.read_bytes().startswith(before), "only ever added to"
    desk.tagger.undo()
    assert desk.shape() == shape


def test_a_span_cut_out_of_one_phone_while_the_segment_goes_on(desk: Desk) -> None:
    desk.at(2000).begin("standby")
    desk.at(3000).cut_out(
        (START + timedelta(seconds=2100), 2600.0),
        (START + timedelta(seconds=2200), 2700.0),
        "alder-1",
    )
    assert desk.shape("alder-1")[2:] == [
        ("standby", "alder-1", 2000, 2100),
        ("standby, part 2", "alder-1", 2200, None),
    ]
    desk.at(4000).end()
    assert desk.shape("alder-1")[3] == ("standby, part 2", "alder-1", 2200, 4000)
    assert desk.shape("birch-1")[2] == ("standby", None, 2000, 4000)
    with pytest.raises(TagError, match="no segment was on then"):
        desk.tagger.cut_out((START, None), (START - timedelta(seconds=1), None), "alder-1")


def test_parts_are_numbered_and_named_with_their_segment(desk: Desk) -> None:
    tagger = desk.tagger
    tagger.cut("game", "-12m", "-11m")
    tagger.cut("game, part 2", "-8m", "-7m")
    two = [("game", None, 600, 780), ("game, part 2", None, 840, 1200)]
    assert [part[0] for part in desk.shape()[1:]] == ["game", "game, part 2", "game, part 3"]
    tagger.rename("game", "tiles")
    assert [part[0] for part in desk.shape()[1:]] == ["tiles", "tiles, part 2", "tiles, part 3"]
    tagger.rename("tiles, part 3", "music")
    assert [part[0] for part in desk.shape()[1:]] == ["tiles", "tiles, part 2", "music"]
    tagger.drop("tiles")
    assert [part[0] for part in desk.shape()[1:]] == ["tiles", "music"]
    for _ in range(4):
        tagger.undo()
    assert desk.shape()[1:] == two


def test_parts_behind_a_split_go_with_the_later_half(desk: Desk) -> None:
    desk.tagger.cut("game", "-8m", "-7m")
    desk.tagger.split("game", "-10m", "music")
    assert [part[0] for part in desk.shape()[1:]] == ["game", "music", "music, part 2"]


def test_occurrences_stay_comparable_between_phones(desk: Desk) -> None:
    desk.at(2000).begin("game")
    desk.at(2600).end()
    desk.tagger.cut("game#1", "-30m", "-29m", phone="alder-1")
    on_alder = [s for s in resolve(read_tags(desk.folder.tags_path).records) if s.on("alder-1")]
    second = next(s for s in on_alder if s.start.at_utc == START + timedelta(seconds=2000))
    assert [s.name for s in on_alder if s.name == "game"] == ["game", "game"]
    assert second.name == "game"


@pytest.mark.parametrize(
    ("edit", "args", "said"),
    [
        ("move", ("game", "start", "-20m"), "cannot end before it began"),
        ("move", ("navigation", "start", "+15m"), "cannot end before it began"),
        ("move", ("music", "start", "-5m"), "no segment 'music' on all phones; there are 'navi"),
        ("move", ("navigation", "end", "+1h"), "cannot end before it began|overlap|still to come"),
        ("split", ("game", "-20m"), "is not inside 'game'"),
        ("cut", ("game", "-24m", "-20m"), "not within 'game'"),
        ("cut", ("game", "-6m", "-10m"), "not within 'game'"),
        ("rename", ("game", "\x1b[1m"), "cannot name a segment"),
        ("rename", ("game", ""), "cannot name a segment"),
        ("drop", ("game#7",), "no segment 'game#7'"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(
    desk: Desk, edit: str, args: tuple[Any, ...], said: str
) -> None:
    before = desk.folder.tags_path.read_bytes()
    with pytest.raises(TagError, match=said):
        getattr(desk.tagger, edit)(*args)
    assert desk.folder.tags_path.read_bytes() == before


def test_overlaps_name_what_is_in_the_way(desk: Desk) -> None:
    with pytest.raises(TagError, match=r"'music' at .* would lie before the end of 'game'"):
        desk.tagger.begin("music", at="-10m")
    desk.at(2000).begin("standby")
    with pytest.raises(TagError, match="'standby' is still open"):
        desk.tagger.move("standby", "end", "-1m")
    desk.at(2600).end()
    desk.tagger.drop("game")
    with pytest.raises(TagError, match="'music' would still be open when 'standby' began"):
        desk.tagger.begin("music", at="-25m", phone="alder-1")
    with pytest.raises(TagError, match="cannot end before it began"):
        desk.tagger.begin("music", at="-15m", until="-25m")
    with pytest.raises(TagError, match=r"'standby' at .* would lie before the end of 'music'"):
        desk.tagger.begin("music", at="-25m", until="-5m", phone="alder-1")
    desk.tagger.begin("music", at="-25m", until="-15m", phone="alder-1")
    assert [s[:2] for s in desk.shape("alder-1")] == [
        ("navigation", None),
        ("music", "alder-1"),
        ("standby", None),
    ]


def test_undo_walks_back_to_the_beginning(desk: Desk) -> None:
    desk.tagger.note("cloudy")
    assert [r.text for r in desk.tagger.undo()] == ["cloudy"]
    assert [r.what for r in desk.tagger.undo()] == ["end"]
    assert [r.what for r in desk.tagger.undo()] == ["end", "begin"], (
        "one command, taken back whole"
    )
    assert desk.shape() == [("navigation", None, 0, None)]
    desk.tagger.undo()
    assert desk.shape() == []
    with pytest.raises(TagError, match="nothing to take back"):
        desk.tagger.undo()
    assert len(read_tags(desk.folder.tags_path).records) == 9, "all of it is still there"


def test_a_file_of_the_first_schema_can_be_edited(desk: Desk) -> None:
    lines = [
        '{"tag_schema":1,"what":"begin","name":"old","at_utc":"2026-05-04T06:00:00Z",'
        '"made_utc":"2026-05-04T06:00:00Z"}',
        '{"tag_schema":1,"what":"end","at_utc":"2026-05-04T06:10:00Z",'
        '"made_utc":"2026-05-04T06:10:00Z"}',
    ]
    desk.folder.tags_path.write_text("".join(f"{line}\n" for line in lines))
    desk.tagger.rename("old", "new")
    assert desk.shape() == [("new", None, 0, 600)]
    desk.tagger.undo()
    desk.tagger.undo()
    assert desk.shape() == [("old", None, 0, None)]


def test_after_the_run_a_clock_time_is_one_of_the_run(desk: Desk) -> None:
    desk.stop(1400)
    desk.clock.now_s = 86400 * 5
    shown = (START + timedelta(seconds=900)).astimezone()
    desk.tagger.split("game", f"{shown:%H:%M:%S}")
    assert [row[2] for row in desk.shape()] == [0, 600, 900]
    for at, said in (("-5m", "was not on then"), ("23:59:59", "was not on then"), (None, "--at")):
        with pytest.raises(TagError, match=said):
            desk.tagger.note("late", at=at)
    desk.stop(86400 * 3)
    with pytest.raises(TagError, match="several days of the run had it"):
        desk.tagger.note("late", at=f"{shown:%H:%M:%S}")


def test_a_time_still_to_come_is_refused(desk: Desk) -> None:
    with pytest.raises(TagError, match="still to come"):
        desk.tagger.begin("music", at="2026-05-04T07:00:00Z")


COMMANDS = st.tuples(
    st.sampled_from(["begin", "close", "end", "move", "cut", "split", "drop", "rename", "undo"]),
    st.sampled_from([None, *LABELS]),
    st.sampled_from(["a", "b", "a#2", None]),
    st.sampled_from(["-90s", "-30s", "-5s"]),
    st.sampled_from(["start", "end"]),
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(script=st.lists(COMMANDS, max_size=14))
def test_no_script_of_commands_makes_segments_overlap(tmp_path: Path, script: list[Any]) -> None:
    desk = Desk(tmp_path / "any")
    desk.folder.tags_path.unlink(missing_ok=True)
    history: list[Shape] = [[]]
    for n, (what, phone, which, at, border) in enumerate(script):
        tagger = desk.at(100.0 + 20 * n)
        before = desk.folder.tags_path.read_bytes() if desk.folder.tags_path.exists() else b""
        calls: dict[str, tuple[Any, ...]] = {
            "begin": ("a",),
            "close": ("b",),
            "end": (),
            "move": (which, border, at),
            "cut": (which, at, "-1s"),
            "split": (which, at),
            "drop": (which,),
            "rename": (which, "b"),
            "undo": (),
        }
        more: dict[str, Any] = {} if what == "undo" else {"phone": phone}
        more |= {"close_open": True} if what == "close" else {}
        more |= {"at": at} if what == "end" else {}
        try:
            getattr(tagger, "begin" if what == "close" else what)(*calls[what], **more)
        except TagError:
            after = desk.folder.tags_path
            assert (after.read_bytes() if after.exists() else b"") == before
            continue
        if what == "undo":
            history.pop()
            assert desk.shape() == history[-1]
        else:
            history.append(desk.shape())
        records = read_tags(desk.folder.tags_path)
        assert records.damage == ()
        assert clashes(resolve(records.records), LABELS) == {}


def test_the_commands_say_what_they_did(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk(tmp_path / "run")
    desk.stop(1400)
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()
    for words in (
        ["begin", "navigation", "--at", "2026-05-04T06:00:00Z"],
        ["end", "--at", "2026-05-04T06:10:00Z"],
        ["move", "navigation", "--end", "-1m"],
        ["split", "navigation", "--at", "2026-05-04T06:05:00Z", "--name", "music"],
        ["cut", "music", "--from", "2026-05-04T06:06:00Z", "--to", "2026-05-04T06:07:00Z"],
        ["rename", "navigation", "guidance"],
        ["drop", "guidance", "--phone", "birch-1"],
        ["note", "warm", "--at", "2026-05-04T06:06:00Z"],
        ["undo"],
    ):
        done = runner.invoke(rundown.app, ["tag", *words])
        assert done.exit_code == 0, done.output
    history = runner.invoke(rundown.app, ["tag", "list", "--history"])
    assert history.exit_code == 0
    for said in ("move the end of 'navigation'", "(taken back)", "rename 'navigation' to"):
        assert said in history.stdout
    listed = runner.invoke(rundown.app, ["tag", "list", "--json"])
    assert '"except_phones": [\n        "birch-1"' in listed.stdout
    assert "warm" not in listed.stdout
    both = runner.invoke(rundown.app, ["tag", "move", "--start", "-1s", "--end", "-1s"])
    assert both.exit_code == 2
