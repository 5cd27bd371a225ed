"""Writes what a run amounts to: results for programs, everything else for readers and viewers."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis import results
from analysis.outputs import (
    OUTPUTS,
    captions,
    chapters,
    datapackage,
    overlay,
    page,
    pictures,
    readouts,
    sections,
    wording,
)
from analysis.outputs.arrow import parquet
from analysis.outputs.live import Live
from analysis.outputs.overlay import Shape
from analysis.outputs.raster import typeface
from analysis.outputs.spreadsheet import separated
from analysis.outputs.tables import tables
from analysis.outputs.timeline import Timeline, timeline
from analysis.readings.run import Run
from analysis.report import EnergyReport
from parsers.runfolder import RunFolder, replace_file
from parsers.tags import in_effect


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What is wanted besides the defaults.

    Attributes:
        video_start: when the camera started; None for the sync mark or the run's beginning.
        clips: file that says what of the recording is in the video; None for all.
        every_s: time between readings in captions and overlay; None to choose by length.
        overlay: shape of the video that pictures are wanted for; None for no pictures.
        transparent: charts without paper behind them.
        font: font file for pictures; None for the one that comes with the program.
        author: who wants to be cited.
    """

    video_start: str | None = None
    clips: Path | None = None
    every_s: float | None = None
    overlay: Shape | None = None
    transparent: bool = False
    font: Path | None = None
    author: str | None = None


Files = Iterator[tuple[Path, bytes]]


def publish(
    run: Run,
    report: EnergyReport,
    choices: Choices | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> list[Path]:
    """Writes results and published files into the run folder; gives their paths.

    Args:
        run: the run.
        report: its energies.
        choices: what is wanted besides the defaults.
        say: told what is being done.

    Raises:
        TimelineError: if the video's times make no sense; nothing has been written then.
        FontError: if the font cannot be read.
        OSError: if a file cannot be written.
    """
    wanted = choices or Choices()
    if wanted.font is not None:
        typeface(12, wanted.font)
    folder = RunFolder(run.path)
    lives = _lives(run, report)
    video = _video(run, lives, wanted)
    steps: dict[str, Files] = {
        "page and tables": _tables(folder, run, report),
        "charts": _charts(folder, report, wanted),
        f"chapters and captions ({video.why})": _captions(folder, report, lives, video, wanted),
        "pictures to lay over the video": _overlay(folder, report, lives, video, wanted),
        "data package": _package(folder, run, report, wanted),
    }
    written = []
    for number, (what, files) in enumerate(steps.items(), start=1):
        say(f"{number} of {len(steps)}: {what}")
        for file, data in files:
            replace_file(file, data)
            written.append(file)
    return written


def _tables(folder: RunFolder, run: Run, report: EnergyReport) -> Files:
    hours = results.hours_of(run)
    for name, data in results.files(run, report, hours):
        yield folder.results / name, data
    whole_page = page.render(report, sections.sections(run, hours))
    yield folder.published / page.FILE_NAME, whole_page.encode()
    for output in OUTPUTS:
        if output is not page:
            yield folder.published / output.FILE_NAME, output.render(report).encode()
    *others, budget = tables(report)
    yield folder.published / "budget.csv", separated(budget.columns, budget.rows).encode()
    for table in (*others, budget):
        yield folder.published / f"{table.name}.parquet", parquet(table.columns, table.rows)


def _charts(folder: RunFolder, report: EnergyReport, wanted: Choices) -> Files:
    drawn = pictures.files(report, transparent=wanted.transparent, font=wanted.font)
    for name, data in drawn:
        yield folder.published / "charts" / name, data


def _lives(run: Run, report: EnergyReport) -> list[Live]:
    recordings = {recording.phone: recording for recording in run.recordings}
    return [Live(recordings[p.phone], p, report.began_utc) for p in report.phones]


def _video(run: Run, lives: Sequence[Live], wanted: Choices) -> Timeline:
    return timeline(
        began_utc=run.manifest.clocks.utc,
        ended_s=max(live.ended_s for live in lives),
        tags=in_effect(run.tags.records),
        video_start=wanted.video_start,
        clips=wanted.clips,
    )


def _captions(
    folder: RunFolder,
    report: EnergyReport,
    lives: Sequence[Live],
    video: Timeline,
    wanted: Choices,
) -> Files:
    several = wording.repeated(report)
    moments = readouts.readouts(lives, video, readouts.spacing_s(video, wanted.every_s))
    shown = captions.cues(moments, several)
    yield folder.published / "chapters.txt", chapters.render(report, lives, video).encode()
    yield folder.published / "captions.vtt", captions.webvtt(shown).encode()
    yield folder.published / "captions.srt", captions.subrip(shown).encode()


def _overlay(
    folder: RunFolder,
    report: EnergyReport,
    lives: Sequence[Live],
    video: Timeline,
    wanted: Choices,
) -> Files:
    if wanted.overlay is None:
        return
    place = folder.published / "overlay"
    for old in place.glob("overlay-*.png"):
        old.unlink()
    look = overlay.Look(
        shape=wanted.overlay, several=frozenset(wording.repeated(report)), font=wanted.font
    )
    every_s = readouts.spacing_s(video, wanted.every_s)
    for name, data in overlay.frames(lives, video, every_s, look):
        yield place / name, data


def _package(folder: RunFolder, run: Run, report: EnergyReport, wanted: Choices) -> Files:
    data = datapackage.packed(run, report, wanted.author)
    yield folder.published / datapackage.FILE_NAME, data
