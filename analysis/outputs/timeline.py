"""Which moment of a run is seen at which moment of a video."""

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from analysis.errors import TimelineError
from analysis.outputs.timecode import clock, run_seconds, seconds
from parsers.tags import TagRecord
from parsers.text import printable

_SYNC = re.compile(r"sync\b[\s:]*(?:at\s+)?([\d:.,]*\d)?", re.IGNORECASE)
_LEAST_S = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """A stretch of video that shows a stretch of the run.

    Attributes:
        video_s: where it begins in the video.
        run_s: the moment of the run seen there, since the run began.
        length_s: in the video.
        speed_ratio: seconds of the run in one second of video.
    """

    video_s: float
    run_s: float
    length_s: float
    speed_ratio: float = 1.0

    @property
    def video_end_s(self) -> float:
        """Where it ends in the video."""
        return self.video_s + self.length_s

    @property
    def run_end_s(self) -> float:
        """The moment of the run at which it ends."""
        return self.run_s + self.length_s * self.speed_ratio

    def video_at(self, run_s: float) -> float:
        """Where a moment of the run is, or would be, in the video."""
        return self.video_s + (run_s - self.run_s) / self.speed_ratio

    def run_at(self, video_s: float) -> float:
        """The moment of the run that is, or would be, seen there."""
        return self.run_s + (video_s - self.video_s) * self.speed_ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """A video, cut from recordings of a run.

    Attributes:
        clips: in the order of the video, without overlap.
        why: where the time of the camera comes from, in words.
    """

    clips: tuple[Clip, ...]
    why: str

    @property
    def length_s(self) -> float:
        """Of the video, as far as it shows the run."""
        return self.clips[-1].video_end_s


class _ClipEntry(BaseModel):
    model_config = ConfigDict(extra="forbid", populate_by_name=True, strict=True)

    begin: str | int | float = Field(alias="from")
    end: str | int | float = Field(alias="to")
    speed: int | float = Field(default=1.0, gt=0, le=1e6, allow_inf_nan=False)
    at: str | int | float | None = None
    video_start: str | datetime | None = None


class _ClipsFile(BaseModel):
    model_config = ConfigDict(extra="forbid")

    clip: tuple[_ClipEntry, ...] = Field(min_length=1)


def timeline(
    *,
    began_utc: datetime,
    ended_s: float,
    tags: Iterable[TagRecord] = (),
    video_start: str | None = None,
    clips: Path | None = None,
) -> Timeline:
    """The video that shows a run.

    Args:
        began_utc: beginning of the run.
        ended_s: end of the run, since it began.
        tags: a note or segment called `sync`, perhaps with a time code (`sync 0:12`), is the
            moment seen there in the camera's recording.
        video_start: when the camera started (see `run_seconds`); without it and without a sync
            mark the camera is taken to have started with the run.
        clips: TOML file of `[[clip]]` entries: `from` and `to` in the camera's recording, `speed`
            (seconds of recording in one second of video), `at` in the video (left out: right after
            the clip before), `video_start` of another camera.

    Raises:
        TimelineError: if a time or an entry makes no sense, with a sentence on what to write.
    """
    camera_s, why = _camera(began_utc, tuple(tags), video_start)
    if clips is None:
        length_s = ended_s - camera_s
        if length_s < _LEAST_S:
            raise TimelineError(
                f"the camera started {clock(-length_s)} after the run had ended; "
                "correct --video-start or the sync mark"
            )
        return Timeline(clips=(Clip(video_s=0.0, run_s=camera_s, length_s=length_s),), why=why)
    found: list[Clip] = []
    for number, entry in enumerate(_entries(clips), start=1):
        try:
            found.append(_clip(entry, began_utc, camera_s, found[-1].video_end_s if found else 0))
        except TimelineError as exc:
            raise TimelineError(f"{clips.name}, clip {number}: {exc}") from exc
    for number, (one, two) in enumerate(pairwise(found), start=2):
        if two.video_s < one.video_end_s - _LEAST_S:
            raise TimelineError(
                f"{clips.name}, clip {number}: begins at {clock(two.video_s)} of the video, "
                f"before the clip before it ends ({clock(one.video_end_s)})"
            )
    return Timeline(clips=tuple(found), why=why)


def _camera(
    began_utc: datetime, tags: tuple[TagRecord, ...], video_start: str | None
) -> tuple[float, str]:
    """When the camera started, since the run began, and how that is known."""
    if video_start is not None:
        return run_seconds(video_start, began_utc), "camera start as stated"
    for record in tags:
        mark = _SYNC.fullmatch((record.text if record.what == "note" else record.name) or "")
        if mark is not None and record.what in ("note", "begin"):
            shown_s = seconds(mark[1]) if mark[1] else 0.0
            return (record.at_utc - began_utc).total_seconds() - shown_s, "the sync mark"
    return 0.0, "taken to begin with the run; say otherwise with --video-start or a sync mark"


def _entries(path: Path) -> tuple[_ClipEntry, ...]:
    try:
        return _ClipsFile.model_validate(tomllib.loads(path.read_text("utf-8"))).clip
    except OSError as exc:
        raise TimelineError(f"{path}: {exc.strerror}") from exc
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as exc:
        raise TimelineError(f"{path.name}: not TOML: {exc}") from exc
    except ValidationError as exc:
        first = exc.errors(include_url=False, include_input=False)[0]
        where = _where(first["loc"])
        raise TimelineError(
            f"{path.name}, {where}: {printable(first['msg'])}; a clip has from, to, and if wanted "
            "speed, at, video_start"
        ) from exc


def _where(loc: tuple[Any, ...]) -> str:
    steps = [f"clip {step + 1}" if isinstance(step, int) else printable(step) for step in loc[1:]]
    return ", ".join(steps[:2]) or "no [[clip]] entries"


def _clip(entry: _ClipEntry, began_utc: datetime, camera_s: float, next_s: float) -> Clip:
    match entry.video_start:
        case str():
            camera_s = run_seconds(entry.video_start, began_utc)
        case datetime() if entry.video_start.tzinfo is None:
            camera_s = run_seconds(f"{entry.video_start:%H:%M:%S}", began_utc)
        case datetime():
            camera_s = (entry.video_start - began_utc).total_seconds()
        case None:
            pass
    begin_s, end_s = seconds(str(entry.begin)), seconds(str(entry.end))
    if end_s - begin_s < _LEAST_S:
        raise TimelineError(f"ends at {clock(end_s)}, not after it begins ({clock(begin_s)})")
    return Clip(
        video_s=next_s if entry.at is None else seconds(str(entry.at)),
        run_s=camera_s + begin_s,
        length_s=(end_s - begin_s) / entry.speed,
        speed_ratio=float(entry.speed),
    )
