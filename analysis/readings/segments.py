"""What the user marked, cut out of one phone's recording."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from analysis.estimation.profile import Floats, usual_spacing
from analysis.readings.recording import Recording
from analysis.readings.run import Run
from parsers.tags import TaggedSegment, TagRecord, resolve

UNTAGGED = "untagged"
_HAND_U_S = 0.29
"""A moment given by wall clock to the second: rectangular, +- 0.5 s."""

_LEAST_S = 1e-3
_NEVER_ENDED = "never ended; taken to the end of the recording"


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A stretch of one phone's recording.

    Attributes:
        name: what was done; `untagged` where nothing was marked.
        occurrence: from 1, counting equal names; 0 for untagged stretches.
        start_s: on the phone's time axis.
        end_s: on the phone's time axis.
        cut_short: the recording ended before the segment did.
        flags: what needs attention, in sentences.
        facts: what is worth knowing, in sentences.
        whole: name of the segment that it is a later part of; empty for none.
    """

    name: str
    occurrence: int
    start_s: float
    end_s: float
    cut_short: bool = False
    flags: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()
    whole: str = ""

    @property
    def activity(self) -> str:
        """What was done, the same in all parts of a segment that was cut."""
        return self.whole or self.name

    @property
    def tagged(self) -> bool:
        """Whether the user marked it."""
        return self.occurrence > 0

    @property
    def duration_s(self) -> float:
        """By the phone's clock."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Segments:
    """A recording cut into pieces that leave nothing out.

    Attributes:
        pieces: tagged and untagged stretches in the order of time, each ending where the next
            begins, from the first reading to the last.
        borders_utc: wall clock of the computer at the ends of the pieces, (m + 1,).
        border_u_s: largest standard uncertainty of a border.
        notes: what could not be cut as marked, in sentences.
    """

    pieces: tuple[Segment, ...]
    borders_utc: tuple[datetime, ...]
    border_u_s: float
    notes: tuple[str, ...] = ()

    @property
    def borders_s(self) -> Floats:
        """Ends of the pieces, (m + 1,)."""
        return _borders_s(self.pieces)

    def parted(self) -> dict[tuple[str, int], Floats]:
        """Segments with more than one part, by name and occurrence: 1 for each of their pieces."""
        keys = [(piece.activity, piece.occurrence) for piece in self.pieces]
        several = [key for key, n in Counter(keys).items() if n > 1 and key[1] > 0]
        return {key: np.array([float(each == key) for each in keys]) for key in several}


def cut(run: Run, recording: Recording) -> Segments:
    """Cuts one phone's recording at the tags that concern it.

    A segment that begins inside another ends the other, so that every moment counts once.
    """
    axis = _Axis(recording)
    marked, uncertainties, notes = [], [], []
    seen: Counter[str] = Counter()
    occurrences: dict[int, int] = {}
    for tag in resolve(run.tags.records):
        if not tag.on(recording.phone):
            continue
        if tag.part == 1 or tag.made not in occurrences:
            seen[tag.whole] += 1
            occurrences[tag.made] = seen[tag.whole]
        segment, u_s = axis.segment(tag, occurrences[tag.made])
        if segment.end_s - segment.start_s < _LEAST_S:
            why = "lies outside the recording" if u_s is None else "has no duration"
            notes.append(f"segment '{tag.name}' no. {segment.occurrence} {why}; left out")
            continue
        marked.append(segment)
        uncertainties.append(u_s or 0.0)
    apart, lost = _one_at_a_time(sorted(marked, key=lambda s: s.start_s))
    pieces = tuple(_filled(apart, axis.first_s, axis.last_s))
    return Segments(
        pieces=pieces,
        borders_utc=tuple(recording.utc_at(_borders_s(pieces))),
        border_u_s=max(uncertainties, default=0.0),
        notes=(*notes, *lost),
    )


def _borders_s(pieces: Sequence[Segment]) -> Floats:
    return np.array([pieces[0].start_s, *(piece.end_s for piece in pieces)])


class _Axis:
    """A recording's time axis, with its ends."""

    def __init__(self, recording: Recording) -> None:
        self._t_s = recording.readings["t_s"].to_numpy(dtype=np.float64)
        self._recording = recording
        end = recording.entry.end
        self._shut_off = end is not None and end.what == "shut_off"
        self.first_s, self.last_s = float(self._t_s[0]), float(self._t_s[-1])
        self._patience_s = 2.5 * usual_spacing(self._t_s, 0.25)

    def moment(self, record: TagRecord) -> tuple[float, float]:
        """Where a tag lies on the axis, and its standard uncertainty, s."""
        if record.at_host_s is not None:
            return self._recording.clock.from_host(record.at_host_s)
        apart_s = (self._recording.taken_utc() - record.at_utc).dt.total_seconds().to_numpy()
        at = int(np.argmin(np.abs(apart_s)))
        return float(self._t_s[at] - apart_s[at]), _HAND_U_S

    def segment(self, tag: TaggedSegment, occurrence: int) -> tuple[Segment, float | None]:
        """A tag clipped to the recording, and the larger uncertainty of its ends.

        One that lies outside has no duration, and None for the uncertainty.
        """
        start_s, start_u_s = self.moment(tag.start)
        end_s, end_u_s = (self.last_s, 0.0) if tag.end is None else self.moment(tag.end)
        late_s, missing_s = self.first_s - start_s, end_s - self.last_s
        flags = []
        if late_s > self._patience_s:
            flags.append(f"the recording began {late_s:.0f} s after the segment")
        ended = self._ended(missing_s, open_=tag.end is None)
        low, high = (float(np.clip(x, self.first_s, self.last_s)) for x in (start_s, end_s))
        inside = end_s > self.first_s and start_s < self.last_s
        segment = Segment(
            name=tag.name,
            occurrence=occurrence,
            start_s=low,
            end_s=high,
            cut_short=missing_s > self._patience_s,
            flags=tuple(flags if self._shut_off else flags + ended),
            facts=tuple(ended if self._shut_off else ()) + _parted(tag),
            whole=tag.whole if tag.part > 1 else "",
        )
        return segment, max(start_u_s, end_u_s) if inside else None

    def _ended(self, missing_s: float, *, open_: bool) -> list[str]:
        """Why a segment ends with the recording; empty if it ends before."""
        what = "the phone shut off" if self._shut_off else "the recording ended"
        if open_:
            return ["lasted until the phone shut off"] if self._shut_off else [_NEVER_ENDED]
        if missing_s <= self._patience_s:
            return []
        return [f"{what} {missing_s:.0f} s before the segment was to end"]


def _parted(tag: TaggedSegment) -> tuple[str, ...]:
    return (f"goes on with '{tag.whole}' behind a span that was cut out",) * (tag.part > 1)


def _one_at_a_time(marked: list[Segment]) -> tuple[list[Segment], list[str]]:
    """Segments without overlap, and a sentence on each that has lost all its time."""
    apart: list[Segment] = []
    lost: list[str] = []
    for segment in marked:
        if apart and apart[-1].end_s > segment.start_s:
            earlier = apart.pop()
            flag = f"ended by '{segment.name}' which began inside it"
            if segment.start_s - earlier.start_s >= _LEAST_S:
                flags = (*earlier.flags, flag)
                apart.append(replace(earlier, end_s=segment.start_s, flags=flags))
            else:
                lost.append(
                    f"segment '{earlier.name}' no. {earlier.occurrence} begins together with "
                    f"'{segment.name}', which takes all its time; left out"
                )
        apart.append(segment)
    return apart, lost


def _filled(marked: list[Segment], first_s: float, last_s: float) -> list[Segment]:
    """The segments and what lies between them, before the first and after the last."""
    pieces: list[Segment] = []
    at_s = first_s
    for segment in marked:
        if segment.start_s - at_s >= _LEAST_S:
            pieces.append(_untagged(at_s, segment.start_s))
        pieces.append(replace(segment, start_s=at_s if not pieces else pieces[-1].end_s))
        at_s = segment.end_s
    if last_s - at_s >= _LEAST_S or not pieces:
        pieces.append(_untagged(at_s, last_s))
    else:
        pieces[-1] = replace(pieces[-1], end_s=last_s)
    return pieces


def _untagged(start_s: float, end_s: float) -> Segment:
    return Segment(name=UNTAGGED, occurrence=0, start_s=start_s, end_s=end_s)
