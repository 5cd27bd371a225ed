"""What else the readings say about a segment: level, heat, screen, and what makes it doubtful."""

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.estimation.profile import Bools, Floats, running
from analysis.readings.recording import Recording
from analysis.readings.run import Run
from analysis.readings.segments import Segment, Segments
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps, spanned
from analysis.readings.slipped import slipped
from analysis.readings.stream import PLUGGED, SILENT, SPARSE, UNTRUSTED, found_in
from analysis.readings.unread import missed
from parsers.text import printable

_SCREEN_ON = "on"
_ASLEEP = "asleep"
_LEAST_OUTSIDE_S = 30.0


class Findings:
    """One phone's readings and context, asked piece by piece.

    Args:
        run: for the slips.
        recording: for context and true energy.
        series: its readings.
        segments: its pieces.

    Attributes:
        stream: what was found in the stream of its readings.

    Raises:
        RunFolderError: if the file of slips cannot be read as text.
    """

    def __init__(self, run: Run, recording: Recording, series: Series, segments: Segments) -> None:
        self.stream = found_in(recording, series)
        self._found = [
            finding
            for finding in (*self.stream, *slipped(run, recording))
            if not (finding.harmless or finding.throughout)
        ]
        self._recording = recording
        self._truth = recording.truth
        self._context = recording.context
        self._screen = self._context[self._context["name"] == "screen"]
        self._segments = segments
        self._t_s = series.t_s
        self._levels, self._temperatures = map(series.known, ("level_pct", "temperature_c"))
        spacing_s = np.diff(series.t_s)
        states = {
            SILENT: missed(series),
            PLUGGED: series.plugged[:-1],
            UNTRUSTED: ~series.trusted[:-1],
            _ASLEEP: spanned(sleeps(series), series.t_s),
        }
        # Seconds spent in each state up to each reading, of those that there were at all.
        self._spent_s = {
            what: running(np.where(when, spacing_s, 0.0))
            for what, when in states.items()
            if when.any()
        }

    def true_mwh(self, start_s: float, end_s: float) -> float | None:
        """True energy between two moments; None if nobody knows."""
        if self._truth is None:
            return None
        first, last = np.interp([start_s, end_s], *self._truth)
        return float(last - first)

    def level_used_pct(self, piece: Segment) -> float | None:
        """Points by which the level shown fell."""
        times, levels = self._levels
        if not len(times) or times[0] > piece.end_s:
            return None
        at = np.searchsorted(times, [piece.start_s, piece.end_s], side="right") - 1
        first, last = levels[np.maximum(at, 0)]
        return float(first - last)

    def temperatures_c(self, piece: Segment) -> tuple[float | None, float | None, float | None]:
        """At the start, mean over time, and highest."""
        times, values = self._temperatures
        if not len(times) or times[0] > piece.end_s or times[-1] < piece.start_s:
            return None, None, None
        first = int(np.searchsorted(times, piece.start_s, side="right"))
        inside = slice(first, max(int(np.searchsorted(times, piece.end_s)), first))
        ends = np.interp([piece.start_s, piece.end_s], times, values)
        t_s = np.concatenate([[piece.start_s], times[inside], [piece.end_s]])
        curve = np.concatenate([ends[:1], values[inside], ends[1:]])
        mean = float(np.trapezoid(curve, t_s) / piece.duration_s)
        return float(ends[0]), mean, float(curve.max())

    def screen_on_s(self, piece: Segment) -> float | None:
        """How long the screen was on; None if nobody looked before the piece ended."""
        changes = self._screen
        if not len(changes) or changes["t_s"].iloc[0] >= piece.end_s:
            return None
        on = [str(value).lower() == _SCREEN_ON for value in changes["value"]]
        return _time_of(np.array(on), changes["t_s"].to_numpy(), piece.start_s, piece.end_s)

    def flags(self, piece: Segment) -> tuple[str, ...]:
        """What makes the piece doubtful, in sentences."""
        when = (SILENT, PLUGGED, UNTRUSTED)
        lasting = [said for what in when for said in self._spent(what, piece)]
        other = Counter(
            found.said
            for found in self._found
            if found.said not in (*when, SPARSE)
            and found.start_s <= piece.end_s
            and found.end_s >= piece.start_s
        )
        often = (what if n == 1 else f"{what}: {n} times" for what, n in other.items())
        return (*piece.flags, *lasting, *often)

    def facts(self, piece: Segment) -> tuple[str, ...]:
        """What is worth knowing about the piece, in sentences."""
        return self._spent(_ASLEEP, piece)

    def _spent(self, what: str, piece: Segment) -> tuple[str, ...]:
        if what not in self._spent_s:
            return ()
        ends_s = np.interp([piece.start_s, piece.end_s], self._t_s, self._spent_s[what])
        spent_s = float(ends_s[1] - ends_s[0])
        if spent_s < 0.5:
            return ()
        return (f"{what} for {spent_s:.0f} s ({spent_s / piece.duration_s:.0%})",)

    def notes(self, doubts: Sequence[str]) -> tuple[str, ...]:
        """What makes the phone as a whole doubtful, in sentences.

        Args:
            doubts: what contradicts its estimate.
        """
        return (*self._recording.notes, *self._segments.notes, *doubts, *self._outside())

    def _outside(self) -> tuple[str, ...]:
        """Packages that fill a segment but were in front outside all segments too."""
        changes = self._context[self._context["name"] == "foreground"]
        if not len(changes):
            return ()
        tagged = [piece for piece in self._segments.pieces if piece.tagged]
        untagged = [piece for piece in self._segments.pieces if not piece.tagged]
        said = []
        for package in sorted({str(value) for value in changes["value"]} - {"none"}):
            fills = any(self._in_front_s(changes, package, p) > p.duration_s / 2 for p in tagged)
            spent_s = sum(self._in_front_s(changes, package, p) for p in untagged)
            if fills and spent_s > _LEAST_OUTSIDE_S:
                shown = printable(package)
                said.append(f"{shown} was in front for {spent_s:.0f} s outside any segment")
        return tuple(said)

    def _in_front_s(self, changes: pd.DataFrame, package: str, piece: Segment) -> float:
        here = (changes["value"] == package).to_numpy(dtype=bool)
        return _time_of(here, changes["t_s"].to_numpy(), piece.start_s, piece.end_s)


def _time_of(
    holds: Bools,
    since_s: Floats,
    start_s: float,
    end_s: float,
) -> float:
    """How long, between two moments, a state held that changed at given moments."""
    until_s = np.append(since_s[1:], np.inf)
    overlap = np.minimum(until_s, end_s) - np.maximum(since_s, start_s)
    return float(np.sum(np.maximum(overlap, 0.0)[holds]))
