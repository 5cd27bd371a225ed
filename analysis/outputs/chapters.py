"""Chapter marks of a video, as the plain list that players read."""

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.outputs import wording
from analysis.outputs.live import Live
from analysis.outputs.timecode import clock
from analysis.outputs.timeline import Clip, Timeline
from analysis.report import EnergyReport

START = "Start"
_AND = "; "
_TOGETHER_S = 10.0
"""Phones that begin a thing within this time begin it together. Also the shortest chapter, since
players refuse a list with shorter ones: it joins the one before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """An activity, on the run's time, of one phone or of several that did it together."""

    name: str
    phones: tuple[str, ...]
    start_s: float
    end_s: float


def render(report: EnergyReport, lives: Sequence[Live], timeline: Timeline) -> str:
    """One line per chapter, time and name; the first at 00:00."""
    hours = timeline.length_s >= 3600
    marks = chapters(_stretches(report, lives), timeline, len(report.phones))
    lines = [f"{clock(at_s, hours=hours and at_s > 0)} {name}" for at_s, name in marks]
    return "\n".join(lines) + "\n"


def chapters(
    stretches: Sequence[Stretch], timeline: Timeline, n_phones: int
) -> list[tuple[float, str]]:
    """Where in the video what begins; the first at 0."""
    marks = [mark for clip in timeline.clips for mark in _of_clip(clip, stretches, n_phones)]
    if not marks or marks[0][0] >= _TOGETHER_S:
        marks.insert(0, (0.0, START))
    kept = [(0.0, marks[0][1])]
    for at_s, name in marks[1:]:
        last_s, last = kept[-1]
        if name in last.split(_AND):
            continue
        if at_s - last_s < _TOGETHER_S or timeline.length_s - at_s < _TOGETHER_S:
            kept[-1] = (last_s, f"{last}{_AND}{name}")
        else:
            kept.append((at_s, name))
    return kept


def _of_clip(clip: Clip, stretches: Sequence[Stretch], n_phones: int) -> list[tuple[float, str]]:
    """Beginnings seen in a clip, and before them what was going on when it begins."""
    going = [s for s in stretches if s.start_s <= clip.run_s < s.end_s]
    begun = [s for s in stretches if clip.run_s < s.start_s < clip.run_end_s]
    shown = [(clip.video_s, s) for s in going]
    shown += [(clip.video_at(s.start_s), s) for s in begun]
    return [(at_s, _named(stretch, n_phones)) for at_s, stretch in shown]


def _named(stretch: Stretch, n_phones: int) -> str:
    everybody = len(stretch.phones) == n_phones
    return stretch.name if everybody else f"{stretch.name} ({', '.join(stretch.phones)})"


def _stretches(report: EnergyReport, lives: Sequence[Live]) -> list[Stretch]:
    """Activities in the order of their beginning; what phones do together is one."""
    several = wording.repeated(report)
    found: list[Stretch] = []
    for phone, live in zip(report.phones, lives, strict=True):
        for segment in phone.segments:
            name = wording.name_among(segment, several)
            start_s, end_s = live.run_at(segment.start_s), live.run_at(segment.end_s)
            for number, other in enumerate(found):
                if other.name == name and abs(other.start_s - start_s) <= _TOGETHER_S:
                    found[number] = Stretch(
                        name=name,
                        phones=(*other.phones, phone.phone),
                        start_s=min(other.start_s, start_s),
                        end_s=max(other.end_s, end_s),
                    )
                    break
            else:
                found.append(
                    Stretch(name=name, phones=(phone.phone,), start_s=start_s, end_s=end_s)
                )
    return sorted(found, key=lambda s: s.start_s)
