"""What stands in for readings that there are none of."""

from dataclasses import dataclass, replace

import numpy as np

from analysis.estimation.profile import S_PER_H, Bools, Curve, Floats, spread, usual
from analysis.estimation.told import Told

_BRIDGE_S = 120.0
_MINUTE_S = 60.0
_LEAST_GAP_RATIO = 0.02


def bridged(told: Told, gap: Bools, stuck: Bools, *, may_sleep: bool) -> Told:
    """The current with what stands in for readings that there are none of, and its doubt.

    Across a gap it is straight, between the means of what was read in the two minutes before and
    after it. A value that a frozen gauge repeats is left: it may have been that, or what was read
    around it, or anything between them.

    Args:
        told: the current.
        gap: which intervals were not read though the phone was not seen to sleep, each a span of
            its own, (k,).
        stuck: in which a frozen gauge was read, likewise.
        may_sleep: whether the phone may have slept in a gap: then anything from nothing to twice
            as much.
    """
    unread = gap | stuck
    if not unread.any():
        return told
    edges, width_s = told.edges_s, np.diff(told.edges_s)
    start, end = (np.where(unread, 0.0, x) for x in (told.start_ma, told.end_ma))
    read = _Read(
        edges_s=edges,
        charge=Curve(edges_s=edges, start=start, end=end).running * S_PER_H,
        read_s=spread(edges, np.where(unread, 0.0, width_s), edges),
    )
    at = np.flatnonzero(unread)
    said = np.array([told.start_ma[at], told.end_ma[at]])
    means = np.array(
        [
            read.mean(edges[at] - _BRIDGE_S, edges[at]),
            read.mean(edges[at + 1], edges[at + 1] + _BRIDGE_S),
        ]
    )
    # A reading with none beside it is a moment's, and may be as far off as they are from another.
    alone = np.isnan(means).any(axis=0)
    before, after = around = np.where(np.isnan(means), said, means)
    middle = np.abs(before + after) / 2
    minute_ma = np.maximum(read.minute_ratio(), _LEAST_GAP_RATIO) * middle
    # Means of two minutes on each side, an unknown moment of change, and its own minutes.
    by_change = (after - before) ** 2 / np.where(alone, 2.0, 12.0)
    wide_s = width_s[at]
    variance = (minute_ma**2 / 4 + by_change) * wide_s**2 + minute_ma**2 * _MINUTE_S * wide_s
    if may_sleep:
        variance = middle**2 / 3 * wide_s**2
    repeats = stuck[at]
    farthest_ma = np.max(np.abs(np.vstack([around - said, said])), axis=0)
    variance = np.where(repeats, farthest_ma**2 / 3 * wide_s**2, variance)
    other, sampling = told.other_mas2.copy(), told.sampling_mas2.copy()
    span = told.span_of(at)
    other[span], sampling[span] = variance, 0.0
    bridged_start, bridged_end = told.start_ma.copy(), told.end_ma.copy()
    bridged_start[at], bridged_end[at] = np.where(repeats, said, around)
    return replace(
        told,
        start_ma=bridged_start,
        end_ma=bridged_end,
        other_mas2=other,
        sampling_mas2=sampling,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """Running charge (mA s) and running time (s) of what was read, at the edges."""

    edges_s: Floats
    charge: Floats
    read_s: Floats

    def mean(self, low_s: Floats, high_s: Floats) -> Floats:
        """Mean current of what was read between two moments, NaN if nothing was."""
        charge = np.interp(high_s, self.edges_s, self.charge)
        charge = charge - np.interp(low_s, self.edges_s, self.charge)
        time_s = np.interp(high_s, self.edges_s, self.read_s)
        time_s = time_s - np.interp(low_s, self.edges_s, self.read_s)
        return np.divide(charge, time_s, out=np.full_like(charge, np.nan), where=time_s > 0)

    def minute_ratio(self) -> float:
        """Usual standard deviation between one minute and the next, relative."""
        borders = np.arange(self.edges_s[0], self.edges_s[-1], _MINUTE_S)
        mean = np.abs(self.mean(borders[:-1], borders[1:]))
        apart = np.abs(np.diff(mean)) / np.maximum((mean[1:] + mean[:-1]) / 2, 1e-9)
        apart = apart[np.isfinite(apart)]
        # 1.4826 times the median is the standard deviation of a normal scatter.
        return 1.4826 / np.sqrt(2.0) * usual(apart) if len(apart) else 0.0
