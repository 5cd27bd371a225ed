"""Live readings as caption files: WebVTT and SubRip."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from analysis.outputs.live import Now
from analysis.outputs.readouts import Readout, activity_for, figures
from analysis.outputs.timecode import clock, stamp

_NO_MARKUP = str.maketrans("<>{}", "\u2039\u203a()")
"""SubRip has no way to escape what some players take for markup."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """Lines of text, shown from one moment of the video to another."""

    start_s: float
    end_s: float
    lines: tuple[str, ...]


def cues(readouts: Iterable[Readout], several: set[str]) -> list[Cue]:
    """The readings in words: what is being done, then a line per phone.

    Args:
        readouts: in the order of the video.
        several: names of segments that occur more than once on a phone.
    """
    return [Cue(start_s=r.start_s, end_s=r.end_s, lines=_lines(r, several)) for r in readouts]


def webvtt(shown: Sequence[Cue]) -> str:
    """A WebVTT file (W3C)."""
    blocks = [
        f"{stamp(cue.start_s, '.')} --> {stamp(cue.end_s, '.')}\n"
        + escape("\n".join(cue.lines), quote=False)
        for cue in shown
    ]
    return "\n\n".join(["WEBVTT", *blocks]) + "\n"


def subrip(shown: Sequence[Cue]) -> str:
    """A SubRip file."""
    blocks = [
        f"{number}\n{stamp(cue.start_s, ',')} --> {stamp(cue.end_s, ',')}\n"
        + "\n".join(cue.lines).translate(_NO_MARKUP)
        for number, cue in enumerate(shown, start=1)
    ]
    return "\n\n".join(blocks) + "\n"


def _lines(readout: Readout, several: set[str]) -> tuple[str, ...]:
    shared = readout.shared(several)
    since = f"{clock(max(readout.run_s, 0.0))} since the start"
    head = " · ".join(filter(None, [shared, since]))
    own = ["" if shared else activity_for(now, several) for now in readout.phones]
    return (head, *(_line(now, doing) for now, doing in zip(readout.phones, own, strict=True)))


def _line(now: Now, doing: str) -> str:
    if now.shut_off:
        return f"{now.phone}: shut off"
    return f"{now.phone}: " + " · ".join(filter(None, [*figures(now), doing]))
