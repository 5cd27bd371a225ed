"""What else the readings say about a segment: level, heat, screen, and what makes it doubtful."""

import numpy as np
import pandas as pd

from analysis.profile import Bools, Floats
from analysis.recording import Recording
from analysis.segments import Segment, Segments
from analysis.series import Series
from analysis.sleep import sleeps, within
from parsers.text import printable

_SCREEN_ON = "on"
_LEAST_OUTSIDE_S = 30.0


class Findings:
    """One phone's readings and context, asked piece by piece.

    Args:
        recording: for context and true energy.
        series: its readings.
        segments: its pieces.
    """

    def __init__(self, recording: Recording, series: Series, segments: Segments) -> None:
        self._series = series
        self._truth = recording.truth
        self._context = recording.context
        self._segments = segments
        self._spacing_s = np.diff(series.t_s)
        middle = (series.t_s[:-1] + series.t_s[1:]) / 2
        self._asleep = within(sleeps(series), middle)
        self._gap = (self._spacing_s > max(5 * series.poll_s, 5.0)) & ~self._asleep

    def true_mwh(self, start_s: float, end_s: float) -> float | None:
        """True energy between two moments; None if nobody knows."""
        if self._truth is None:
            return None
        first, last = np.interp([start_s, end_s], *self._truth)
        return float(last - first)

    def level_used_pct(self, piece: Segment) -> float | None:
        """Points by which the level shown fell."""
        times, levels = self._series.known("level_pct")
        if not len(times) or times[0] > piece.end_s:
            return None
        at = np.searchsorted(times, [piece.start_s, piece.end_s], side="right") - 1
        first, last = levels[np.maximum(at, 0)]
        return float(first - last)

    def temperatures_c(self, piece: Segment) -> tuple[float | None, float | None, float | None]:
        """At the start, mean over time, and highest."""
        times, values = self._series.known("temperature_c")
        if not len(times) or times[0] > piece.end_s or times[-1] < piece.start_s:
            return None, None, None
        inside = (times > piece.start_s) & (times < piece.end_s)
        ends = np.interp([piece.start_s, piece.end_s], times, values)
        t_s = np.concatenate([[piece.start_s], times[inside], [piece.end_s]])
        curve = np.concatenate([ends[:1], values[inside], ends[1:]])
        mean = float(np.trapezoid(curve, t_s) / piece.duration_s)
        return float(ends[0]), mean, float(curve.max())

    def screen_on_s(self, piece: Segment) -> float | None:
        """How long the screen was on; None if nobody looked before the piece ended."""
        changes = self._context[self._context["name"] == "screen"]
        if not len(changes) or changes["t_s"].iloc[0] >= piece.end_s:
            return None
        on = [str(value).lower() == _SCREEN_ON for value in changes["value"]]
        return _time_of(np.array(on), changes["t_s"].to_numpy(), piece.start_s, piece.end_s)

    def flags(self, piece: Segment) -> tuple[str, ...]:
        """What makes the piece doubtful, in sentences."""
        series = self._series
        when = {
            "no readings": self._gap,
            "plugged in": series.plugged[:-1],
            "values simulated or frozen": ~series.trusted[:-1],
        }
        return tuple(
            said for what, spans in when.items() for said in self._spent(what, spans, piece)
        )

    def facts(self, piece: Segment) -> tuple[str, ...]:
        """What is worth knowing about the piece, in sentences."""
        return self._spent("asleep", self._asleep, piece)

    def _spent(self, what: str, when: Bools, piece: Segment) -> tuple[str, ...]:
        spent_s = self._spent_s(when, piece)
        if spent_s < 0.5:
            return ()
        return (f"{what} for {spent_s:.0f} s ({spent_s / piece.duration_s:.0%})",)

    def outside(self) -> tuple[str, ...]:
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

    def _spent_s(self, when: Bools, piece: Segment) -> float:
        """Time within a piece, of spacings between readings that fulfil a condition."""
        t_s = self._series.t_s
        overlap = np.minimum(t_s[1:], piece.end_s) - np.maximum(t_s[:-1], piece.start_s)
        return float(np.sum(np.maximum(overlap, 0.0)[when]))


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
