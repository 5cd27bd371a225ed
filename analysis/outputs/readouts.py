"""Moments of a video and what every phone showed then, for captions and overlays alike."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.estimation.profile import Floats
from analysis.outputs import wording
from analysis.outputs.live import Live, Now
from analysis.outputs.timecode import clock
from analysis.outputs.timeline import Timeline

MANY = 6000
"""More moments than this make a caption file that players are slow to open."""
_LEAST_S = 0.5
_HAIR_S = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Readout:
    """What is shown from one moment of the video to another.

    Attributes:
        start_s: in the video.
        end_s: in the video.
        run_s: time since the run began, at the start.
        phones: in the order of the run.
    """

    start_s: float
    end_s: float
    run_s: float
    phones: tuple[Now, ...]

    def shared(self, several: set[str]) -> str:
        """What is being done and for how long, if all phones that run do the same; else empty."""
        running = [now for now in self.phones if not now.over]
        kinds = {activity(now, several) for now in running if now.segment}
        if len(kinds) > 1 or not running:
            return ""
        longest = max(running, key=lambda now: now.into_s)
        return activity_for(longest, several)


def activity(now: Now, several: set[str]) -> str:
    """The segment's name, made safe; empty between segments."""
    if now.segment is None:
        return ""
    segment = now.segment
    return wording.name_among(segment, several)


def activity_for(now: Now, several: set[str]) -> str:
    """The segment's name and how long it has lasted; empty between segments."""
    name = activity(now, several)
    return f"{name} for {clock(now.into_s)}" if name else ""


def figures(now: Now) -> tuple[str, str, str]:
    """Level, power and temperature with their units; a dash for what was not read."""
    if now.shut_off:
        return ("off", "–", "–")
    power = wording.number(now.power_mw, 0)
    about = "≈ " if now.power_is_mean and now.power_mw is not None else ""
    return (
        f"{wording.number(now.level_pct, 0)} %",
        f"{about}{power} mW",
        f"{wording.number(now.temperature_c)} °C",
    )


def spacing_s(timeline: Timeline, wanted_s: float | None) -> float:
    """Seconds between readings: as wanted, else 5 s, or more in a video of many hours."""
    shown_s = sum(clip.length_s for clip in timeline.clips)
    return wanted_s or max(5.0, math.ceil(shown_s / MANY))


def readouts(lives: Sequence[Live], timeline: Timeline, every_s: float) -> list[Readout]:
    """Moments of all clips, `every_s` apart, and divided where a segment begins or ends."""
    return [
        readout
        for clip in timeline.clips
        for readout in at(
            lives,
            timeline,
            _cut(
                np.append(np.arange(clip.video_s, clip.video_end_s, every_s), clip.video_end_s),
                [clip.video_at(border) for live in lives for border in live.borders_s()],
            ),
        )
    ]


def at(lives: Sequence[Live], timeline: Timeline, edges_s: Floats) -> list[Readout]:
    """What is shown between neighbouring moments of the video; nothing outside the clips."""
    found = []
    for clip in timeline.clips:
        inside = (edges_s[1:] > clip.video_s + _HAIR_S) & (
            edges_s[:-1] < clip.video_end_s - _HAIR_S
        )
        start_s = np.maximum(edges_s[:-1][inside], clip.video_s)
        end_s = np.minimum(edges_s[1:][inside], clip.video_end_s)
        begin, end = (clip.run_s + (x - clip.video_s) * clip.speed_ratio for x in (start_s, end_s))
        columns = [live.moments(begin, end) for live in lives]
        found += [
            Readout(start_s=float(a), end_s=float(b), run_s=float(run_s), phones=phones)
            for a, b, run_s, phones in zip(
                start_s, end_s, begin, zip(*columns, strict=True), strict=True
            )
        ]
    return found


def _cut(edges_s: Floats, borders_s: list[float]) -> Floats:
    """The moments with the borders among them; a moment hardly longer than nothing is joined."""
    first, last = edges_s[0], edges_s[-1]
    inside = [b for b in borders_s if first + _LEAST_S < b < last - _LEAST_S]
    kept = [float(first)]
    borders = np.unique(inside)
    near = [e for e in edges_s[1:-1] if not len(borders) or np.abs(borders - e).min() >= _LEAST_S]
    for edge in sorted([*borders.tolist(), *near]):
        if edge - kept[-1] >= _LEAST_S:
            kept.append(float(edge))
    return np.array([*kept, float(last)])
