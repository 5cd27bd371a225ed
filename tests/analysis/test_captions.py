import io
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pysubs2
import pytest
import webvtt
from PIL import Image
from typer.testing import CliRunner

import rundown
from analysis import energy, load
from analysis.outputs import captions, chapters, overlay, readouts, wording
from analysis.outputs.live import Live
from analysis.outputs.readouts import Readout
from analysis.outputs.timeline import Clip, Timeline
from analysis.report import EnergyReport

HOSTILE = "<i>a</i> --> {b}&amp;\u202e=x"
Made = tuple[EnergyReport, list[Live]]


def made(path: Path) -> Made:
    run = load(path)
    report = energy(run)
    recordings = {r.phone: r for r in run.recordings}
    return report, [Live(recordings[p.phone], p, report.began_utc) for p in report.phones]


@pytest.fixture
def live(run_path: Path) -> Made:
    return made(run_path)


def whole(length_s: float = 1000.0, **more: float) -> Timeline:
    clip = Clip(video_s=0.0, run_s=0.0, length_s=length_s, **more)
    return Timeline(clips=(clip,), why="")


def shown(live: Made, timeline: Timeline, every_s: float = 5.0) -> list[Readout]:
    return readouts.readouts(live[1], timeline, every_s)


def test_readings_are_those_of_the_recording(live: Made) -> None:
    report, lives = live
    cues = shown(live, whole())
    phone, series = report.phones[0], load_series(lives[0])
    for cue in cues[3::17]:
        now = cue.phones[0]
        inside = (series[0] >= cue.start_s) & (series[0] <= cue.end_s)
        assert now.power_mw == pytest.approx(np.mean(series[1][inside]), rel=0.15)
        assert now.temperature_c == pytest.approx(25.0 + cue.end_s / 600, abs=0.01)
        assert not now.power_is_mean
    total_mwh = sum((c.phones[0].power_mw or 0) * (c.end_s - c.start_s) / 3600 for c in cues)
    assert total_mwh == pytest.approx(phone.total.energy_mwh, rel=0.01), "no energy is lost"
    percent_only = cues[10].phones[2]
    assert percent_only.power_is_mean
    assert percent_only.power_mw == report.phones[2].segments[0].amount.mean_power_mw


def load_series(live: Live) -> tuple[Any, Any]:
    series = live._series
    return series.t_s, -series.current_ma * series.voltage_mv / 1000


def test_cues_divide_where_segments_do(live: Made) -> None:
    cues = shown(live, whole())
    assert all(a.end_s == b.start_s for a, b in pairwise(cues))
    assert (cues[0].start_s, cues[-1].end_s) == (0.0, 1000.0)
    several: set[str] = set()
    doing = [cue.shared(several) for cue in cues]
    assert next(d for d in doing if d) == "navigation for 0:00:00"
    assert "voice call for 0:00:00" in doing
    first = next(cue for cue, d in zip(cues, doing, strict=True) if d)
    assert first.start_s == pytest.approx(20.0, abs=0.1)
    assert doing[-1] == "", "nothing is marked at the end"


def test_two_readers_agree_on_both_files(live: Made, tmp_path: Path) -> None:
    cues = shown(live, whole())
    several = wording.repeated(live[0])
    said = captions.cues(cues, several)
    vtt, srt = captions.webvtt(said), captions.subrip(said)
    (tmp_path / "c.vtt").write_text(vtt, "utf-8")
    (tmp_path / "c.srt").write_text(srt, "utf-8")
    for read in (webvtt.read(str(tmp_path / "c.vtt")), webvtt.from_srt(str(tmp_path / "c.srt"))):
        assert len(read.captions) == len(cues)
        assert [c.start_in_seconds for c in read.captions] == [
            int(round(c.start_s, 3)) for c in cues
        ]
        assert all("alder-1: " in c.text for c in read.captions)
    for text, kind in ((vtt, "vtt"), (srt, "srt")):
        events = pysubs2.SSAFile.from_string(text, kind)
        assert [e.start for e in events] == [round(c.start_s * 1000) for c in cues]
        assert [e.end for e in events] == [round(c.end_s * 1000) for c in cues]
        again = pysubs2.SSAFile.from_string(events.to_string(kind), kind)
        assert [e.plaintext for e in again] == [e.plaintext for e in events]
    assert vtt.startswith("WEBVTT\n\n00:00:00.000 --> 00:00:05.000\n")
    assert srt.startswith("1\n00:00:00,000 --> 00:00:05,000\n")


def test_cues_follow_cuts_and_speed(live: Made) -> None:
    timeline = Timeline(
        clips=(
            Clip(video_s=0.0, run_s=100.0, length_s=10.0),
            Clip(video_s=20.0, run_s=400.0, length_s=5.0, speed_ratio=40.0),
        ),
        why="",
    )
    cues = shown(live, timeline, 2.0)
    assert [(c.start_s, c.end_s) for c in cues][:5] == [(2.0 * k, 2.0 * k + 2) for k in range(5)]
    assert cues[5].start_s == 20.0
    assert cues[5].run_s == pytest.approx(400.0, abs=0.1)
    assert cues[-1].end_s == 25.0
    assert all(c.end_s > c.start_s for c in cues)


def test_before_and_after_the_recording_there_is_nothing_to_read(live: Made) -> None:
    timeline = Timeline(clips=(Clip(video_s=0.0, run_s=-50.0, length_s=1100.0),), why="")
    cues = shown(live, timeline, 10.0)
    for cue in (cues[0], cues[-1]):
        assert all(now.power_mw is None and now.segment is None for now in cue.phones)
    assert not cues[0].phones[0].over
    assert cues[-1].phones[0].over
    text = captions.webvtt(captions.cues(cues, set()))
    assert "nan" not in text


def test_hostile_names_stay_text(
    tmp_path: Path, phones_made: list[Any], writing: Callable[..., Path], tagging: Any
) -> None:
    tags = [tagging("begin", 20.0, HOSTILE), tagging("end", 400.0)]
    live = made(writing(tmp_path / "run", phones_made[:2], tags, title=HOSTILE))
    cues = shown(live, whole())
    said = captions.cues(cues, set())
    vtt, srt = captions.webvtt(said), captions.subrip(said)
    assert "<i>" not in vtt + srt
    assert vtt.count("-->") == srt.count("-->") == len(cues)
    assert "{" not in srt
    assert "\u202e" not in vtt + srt
    (tmp_path / "c.vtt").write_text(vtt, "utf-8")
    assert len(webvtt.read(str(tmp_path / "c.vtt")).captions) == len(cues)
    assert len(pysubs2.SSAFile.from_string(srt, "srt")) == len(cues)
    names = chapters.render(live[0], live[1], whole()).splitlines()
    assert names[0] == "00:00 Start"
    assert len(names) == 2
    assert "\u202e" not in names[1]
    look = overlay.Look(shape="tall", several=frozenset())
    assert len(list(overlay.frames(live[1], whole(20.0), 5.0, look))) == 4


@pytest.mark.parametrize(("shape", "width"), [("wide", 1920), ("tall", 1080)])
def test_overlays_keep_step_with_the_video(live: Made, shape: Any, width: int) -> None:
    timeline = Timeline(
        clips=(
            Clip(video_s=0.0, run_s=100.0, length_s=3.0),
            Clip(video_s=6.0, run_s=700.0, length_s=2.5),
        ),
        why="",
    )
    look = overlay.Look(shape=shape, several=frozenset())
    found = list(overlay.frames(live[1], timeline, 1.0, look))
    assert [name for name, _ in found] == [f"overlay-{k:06}.png" for k in range(1, 10)]
    pictures = [Image.open(io.BytesIO(data)) for _, data in found]
    assert {(p.mode, p.width) for p in pictures} == {("RGBA", width)}
    assert len({p.size for p in pictures}) == 1
    seen = [np.asarray(p.getchannel("A")).any() for p in pictures]
    assert seen == [True] * 3 + [False] * 3 + [True] * 3


def test_long_videos_get_fewer_readings() -> None:
    assert readouts.spacing_s(whole(3600.0), None) == 5.0
    assert readouts.spacing_s(whole(30 * 3600.0), None) == 18.0
    assert readouts.spacing_s(whole(30 * 3600.0), 2.0) == 2.0


def publish(path: Path, *words: str) -> Any:
    return CliRunner().invoke(rundown.app, ["publish", str(path), *words])


def test_the_command_takes_times_and_clips(run_path: Path, tmp_path: Path) -> None:
    clips = tmp_path / "clips.toml"
    clips.write_text('[[clip]]\nfrom = "0:00"\nto = "0:30"\n', "utf-8")
    done = publish(
        run_path, "--video-start", "2026-05-04T06:05:00Z", "--clips", str(clips),
        "--every-s", "10", "--overlay", "wide", "--transparent", "--author", "A. Rider",
    )  # fmt: skip
    assert done.exit_code == 1, done.stderr
    folder = run_path / "published"
    assert len(list((folder / "overlay").glob("overlay-*.png"))) == 3
    assert "and 2 more pictures" in done.stderr
    assert (folder / "chapters.txt").read_text("utf-8") == "00:00 navigation\n"
    assert (folder / "captions.srt").read_text("utf-8").count(" --> ") == 3
    with Image.open(folder / "charts" / "power-over-time-1080x1920.png") as picture:
        assert picture.getchannel("A").getextrema() == (0, 255)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--video-start", "noon"], "not a wall-clock time"),
        (["--clips", "none.toml"], "No such file"),
        (["--font", "rundown.py"], "not a font"),
        (["--overlay", "round"], "round"),
        (["--every-s", "0"], "0.5"),
    ],
)
def test_wrong_use_writes_nothing(run_path: Path, words: list[str], said: str) -> None:
    done = publish(run_path, *words)
    assert done.exit_code == 2
    assert said in done.stderr
    assert not (run_path / "published").exists()
