from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from analysis.errors import TimelineError
from analysis.outputs.chapters import Stretch, chapters
from analysis.outputs.timecode import clock, run_seconds, seconds
from analysis.outputs.timeline import Clip, Timeline, timeline
from parsers.tags import TagRecord

BEGAN = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


def note(text: str, at_s: float) -> TagRecord:
    at = BEGAN + timedelta(seconds=at_s)
    return TagRecord(what="note", text=text, at_utc=at, made_utc=at)


def video(tmp_path: Path, text: str, **more: Any) -> Timeline:
    path = tmp_path / "clips.toml"
    path.write_text(text, "utf-8")
    return timeline(began_utc=BEGAN, ended_s=3600.0, clips=path, **more)


@pytest.mark.parametrize(
    ("text", "value"),
    [("75", 75.0), ("1:15", 75.0), ("0:01:15.5", 75.5), ("75:00", 4500.0), ("100:00:00", 360_000)],
)
def test_time_codes(text: str, value: float) -> None:
    assert seconds(text) == value


@pytest.mark.parametrize("text", ["", "-5", "1:75", "a:b", "1:2:3:4", "=1", "٣"])
def test_what_is_no_time_code_is_refused(text: str) -> None:
    with pytest.raises(TimelineError, match="is not a time code"):
        seconds(text)


def test_wall_clock_times() -> None:
    assert run_seconds("2026-05-04T08:00:10+02:00", BEGAN) == 10.0
    assert run_seconds("2026-05-04T05:59:00Z", BEGAN) == -60.0
    local = BEGAN.astimezone()
    assert run_seconds(f"{local:%H:%M}", BEGAN) == 0.0
    earlier = local - timedelta(seconds=90)
    assert run_seconds(f"{earlier:%H:%M:%S}", BEGAN) == -90.0
    for wrong in ("noon", "25:00", "2026-05-04T06:00:00", "6:61:00"):
        with pytest.raises(TimelineError, match="wall-clock time"):
            run_seconds(wrong, BEGAN)


def test_without_a_word_the_video_begins_with_the_run() -> None:
    found = timeline(began_utc=BEGAN, ended_s=100.0)
    assert found.clips == (Clip(video_s=0.0, run_s=0.0, length_s=100.0),)
    assert "--video-start" in found.why


def test_a_sync_mark_says_what_the_camera_saw_when() -> None:
    for text, camera_s in (("sync", 300.0), ("Sync 0:12", 288.0), ("sync: at 1:00.5", 239.5)):
        found = timeline(
            began_utc=BEGAN, ended_s=3600.0, tags=[note("syncing", 5), note(text, 300)]
        )
        assert found.clips[0].run_s == camera_s
        assert found.why == "the sync mark"
    stated = timeline(
        began_utc=BEGAN,
        ended_s=3600.0,
        tags=[note("sync", 300)],
        video_start="2026-05-04T06:01:00Z",
    )
    assert stated.clips[0].run_s == 60.0


def test_a_camera_that_started_after_the_run_is_refused() -> None:
    with pytest.raises(TimelineError, match="after the run had ended"):
        timeline(began_utc=BEGAN, ended_s=100.0, video_start="2026-05-04T07:00:00Z")


def test_cuts_and_speed_map_both_ways(tmp_path: Path) -> None:
    found = video(
        tmp_path,
        '[[clip]]\nfrom = "1:00"\nto = "2:00"\n'
        '[[clip]]\nfrom = 600\nto = "20:00"\nspeed = 60\n'
        '[[clip]]\nfrom = 0\nto = 10.5\nat = "2:00"\nvideo_start = 2026-05-04T06:30:00Z\n',
        video_start="2026-05-04T06:00:30Z",
    )
    assert found.clips == (
        Clip(video_s=0.0, run_s=90.0, length_s=60.0),
        Clip(video_s=60.0, run_s=630.0, length_s=10.0, speed_ratio=60.0),
        Clip(video_s=120.0, run_s=1800.0, length_s=10.5),
    )
    for clip in found.clips:
        assert clip.run_at(clip.video_end_s) == clip.run_end_s
        assert clip.video_at(clip.run_end_s) == pytest.approx(clip.video_end_s)
    assert found.length_s == 130.5


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no [[clip]] entries"),
        ("[[clip]", "not TOML"),
        ('[[clip]]\nfrom = "0:00"', "clip 1, to"),
        ("[[clip]]\nfrom = 5\nto = 5", "clip 1: ends at 0:00:05"),
        ("[[clip]]\nfrom = 0\nto = 9\nspeed = 0", "clip 1, speed"),
        ("[[clip]]\nfrom = 0\nto = 9\nspeed = nan", "clip 1, speed"),
        ("[[clip]]\nfrom = 0\nto = 9\nsped = 2", "clip 1, sped"),
        ('[[clip]]\nfrom = 0\nto = "soon"', "clip 1: 'soon' is not a time code"),
        ("[[clip]]\nfrom = 0\nto = 9\n[[clip]]\nfrom = 0\nto = 9\nat = 5", "clip 2: begins"),
        ('[[clip]]\nfrom = 0\nto = 9\nvideo_start = "then"', "clip 1: 'then' is not"),
    ],
)
def test_mistakes_in_a_list_of_clips_are_named(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(TimelineError) as caught:
        video(tmp_path, text)
    assert said in str(caught.value)
    assert caught.value.exit_code == 2


def test_a_missing_list_of_clips_is_named(tmp_path: Path) -> None:
    with pytest.raises(TimelineError, match="No such file"):
        timeline(began_utc=BEGAN, ended_s=10.0, clips=tmp_path / "none.toml")


def stretch(name: str, start_s: float, end_s: float, *phones: str) -> Stretch:
    return Stretch(name=name, phones=phones or ("a", "b"), start_s=start_s, end_s=end_s)


def marks(stretches: list[Stretch], *clips: Clip) -> list[tuple[float, str]]:
    return chapters(stretches, Timeline(clips=clips, why=""), 2)


def test_chapters_begin_at_nought_and_follow_the_segments() -> None:
    done = [stretch("call", 60, 600), stretch("video", 700, 900), stretch("music", 900, 1000)]
    whole = Clip(video_s=0.0, run_s=0.0, length_s=1000.0)
    assert marks(done, whole) == [(0, "Start"), (60, "call"), (700, "video"), (900, "music")]
    inside = Clip(video_s=0.0, run_s=100.0, length_s=900.0)
    assert marks(done, inside) == [(0, "call"), (600, "video"), (800, "music")]
    assert marks([], whole) == [(0, "Start")]


def test_chapters_follow_cuts_and_join_what_is_too_short() -> None:
    done = [stretch("call", 0, 600), stretch("video", 600, 1200), stretch("music", 1200, 9000)]
    fast = Clip(video_s=0.0, run_s=0.0, length_s=20.0, speed_ratio=60.0)
    later = Clip(video_s=30.0, run_s=2000.0, length_s=60.0)
    assert marks(done, fast, later) == [(0, "call"), (10, "video"), (30, "music")]
    faster = Clip(video_s=0.0, run_s=0.0, length_s=60.0, speed_ratio=100.0)
    assert marks(done, faster) == [(0, "call; video"), (12, "music")]


def test_chapters_name_phones_that_differ() -> None:
    done = [stretch("call", 0, 600, "a"), stretch("video", 2, 600, "b")]
    whole = Clip(video_s=0.0, run_s=0.0, length_s=600.0)
    assert marks(done, whole) == [(0, "call (a); video (b)")]


def test_clocks_are_cut_but_not_by_a_hair() -> None:
    assert clock(59.9) == "0:00:59"
    assert clock(59.999) == "0:01:00"
    assert clock(75.0, hours=False) == "01:15"
    assert clock(3600.0, hours=False) == "1:00:00"
