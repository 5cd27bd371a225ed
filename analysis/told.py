"""Current as its readings tell it, before sleep is taken into account."""

from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import numpy.typing as npt

from analysis.freshness import changed
from analysis.profile import Bools, Floats, cumulative, local_mean, spread

_N_AROUND = 60
_BRIDGE_S = 60.0
_STEADY_S = 60.0
_STEADY_RATIO = 0.005
"""How far a gauge's gain may wander from minute to minute; common practice, no source."""

_LEAST_GAP_RATIO = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Current out of the battery, straight within adjoining intervals.

    Attributes:
        edges_s: ascending, (k + 1,).
        start_ma: current just after each edge but the last, (k,).
        end_ma: current just before each edge but the first, (k,).
        variance_mas2: variance of each interval's charge, mA^2 s^2, (k,).
        gamma_ma2: half the mean squared difference between neighbouring currents, (k,).
    """

    edges_s: Floats
    start_ma: Floats
    end_ma: Floats
    variance_mas2: Floats
    gamma_ma2: Floats

    @classmethod
    def plain(cls, edges_s: Floats, start_ma: Floats, end_ma: Floats) -> Self:
        """A current without doubt so far."""
        nothing = np.zeros(len(start_ma))
        return cls(
            edges_s=edges_s,
            start_ma=start_ma,
            end_ma=end_ma,
            variance_mas2=nothing,
            gamma_ma2=nothing,
        )

    @property
    def width_s(self) -> Floats:
        """Length of each interval, (k,)."""
        return np.diff(self.edges_s)

    def stretched(self, first_s: float, last_s: float) -> Self:
        """The same with its outermost values held to the ends given."""
        before = bool(first_s < self.edges_s[0])
        after = bool(last_s > self.edges_s[-1])
        n_wanted = (int(before), int(after))
        level = (self.start_ma[0], self.end_ma[-1])
        return replace(
            self,
            edges_s=np.concatenate([[first_s] * before, self.edges_s, [last_s] * after]),
            start_ma=np.pad(self.start_ma, n_wanted, constant_values=level),
            end_ma=np.pad(self.end_ma, n_wanted, constant_values=level),
            variance_mas2=np.pad(self.variance_mas2, n_wanted),
            gamma_ma2=np.pad(self.gamma_ma2, n_wanted),
        )

    def cut(self, edges_s: Floats) -> tuple[Self, npt.NDArray[np.intp]]:
        """The same on finer edges, and to which old interval each new one belongs."""
        old = np.searchsorted(self.edges_s, edges_s[:-1], side="right") - 1
        width_s = self.width_s[old]
        slope = (self.end_ma - self.start_ma)[old] / width_s
        origin_s = self.edges_s[old]
        finer = replace(
            self,
            edges_s=edges_s,
            start_ma=self.start_ma[old] + slope * (edges_s[:-1] - origin_s),
            end_ma=self.start_ma[old] + slope * (edges_s[1:] - origin_s),
            variance_mas2=self.variance_mas2[old] * np.diff(edges_s) / width_s,
            gamma_ma2=self.gamma_ma2[old],
        )
        return finer, old

    def with_doubt(self, read: Bools, *, live: bool) -> Self:
        """Adds what may lie between readings, and a slow wander of the gauge's gain.

        Args:
            read: which intervals were read without a break, (k,).
            live: whether each interval lies between two readings of a moment. Held values should
                be means, but a cache may as well hold the reading of one moment: nothing tells,
                so they are in doubt as if it did.
        """
        if live:
            gamma, nugget = _variogram(np.append(self.start_ma, self.end_ma[-1]), read)
        else:
            gamma, nugget = _variogram(self.start_ma, read[:-1] & read[1:])
            gamma, nugget = np.append(gamma, gamma[-1:]), np.append(nugget, nugget[-1:])
        variance = self.variance_mas2 + self.width_s**2 * (nugget + (gamma - nugget) / 6)
        mean = (self.start_ma + self.end_ma) / 2
        wander = (_STEADY_RATIO * mean) ** 2 * _STEADY_S * self.width_s
        return replace(self, variance_mas2=variance + wander, gamma_ma2=gamma)


def held(times: Floats, outward: Floats, hold_s: float, poll_s: float) -> Told:
    """Steps that end where a value was first seen, less half the time to the reading before.

    Each new value is the mean over `hold_s` before it was refreshed; earlier than that, and after
    the last one, the value before goes on.
    """
    news = np.flatnonzero(changed(outward))
    since_s = np.minimum(times[news] - times[news - 1], hold_s)
    seen_s = times[news] - since_s / 2
    value = outward[news]
    previous = np.concatenate([outward[:1], value[:-1]])
    begin_s = np.maximum(seen_s - hold_s, np.concatenate([times[:1], seen_s[:-1]]))
    edges = np.column_stack([begin_s, seen_s]).ravel()
    levels = np.column_stack([previous, value]).ravel()
    stamp = (value - previous) ** 2 * np.minimum(since_s, poll_s) ** 2 / 12
    variance = np.column_stack([np.zeros(len(news)), stamp]).ravel()
    edges = np.concatenate([times[:1], edges, times[-1:]])
    levels = np.append(levels, outward[-1])
    variance = np.append(variance, 0.0)
    real = np.diff(edges) > 0
    kept = np.append(edges[:-1][real], edges[-1])
    told = Told.plain(kept, levels[real], levels[real])
    return replace(told, variance_mas2=variance[real])


def bridged_gaps(told: Told, gap: Bools, *, may_sleep: bool) -> Told:
    """Straight across each gap, between the means of the minute before and the minute after.

    Args:
        told: the current.
        gap: which intervals were not read though the phone was not seen to sleep, (k,).
        may_sleep: whether it may have slept: then anything from nothing to twice as much.
    """
    if not gap.any():
        return told
    edges, width_s = told.edges_s, told.width_s
    start, end = (np.where(gap, 0.0, x) for x in (told.start_ma, told.end_ma))
    read = _Read(
        edges_s=edges,
        charge=cumulative(edges, start, end, edges) * 3600,
        read_s=spread(edges, np.where(gap, 0.0, width_s), edges),
    )
    before = read.mean(edges[:-1] - _BRIDGE_S, edges[:-1])
    after = read.mean(edges[1:], edges[1:] + _BRIDGE_S)
    before, after = (
        np.nan_to_num(np.where(np.isnan(x), y, x)) for x, y in ((before, after), (after, before))
    )
    middle = np.abs(before + after) / 2
    doubt_ma = np.maximum(read.minute_sd(), _LEAST_GAP_RATIO * middle)
    if may_sleep:
        doubt_ma = middle / np.sqrt(3.0)
    return replace(
        told,
        start_ma=np.where(gap, before, told.start_ma),
        end_ma=np.where(gap, after, told.end_ma),
        variance_mas2=np.where(gap, (doubt_ma * width_s) ** 2, told.variance_mas2),
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

    def minute_sd(self) -> float:
        """Standard deviation between whole minutes, mA."""
        borders = np.arange(self.edges_s[0], self.edges_s[-1], _STEADY_S)
        mean = self.mean(borders[:-1], borders[1:])
        mean = mean[np.isfinite(mean)]
        return float(np.std(mean, ddof=1)) if len(mean) > 2 else 0.0


def _variogram(value: Floats, linked: Bools) -> tuple[Floats, Floats]:
    """Half the mean squared difference of neighbours, and what of it remains at no distance.

    The second is variation faster than the readings, which no rule of integration can see; the
    first less the second changes slowly enough for a straight line between readings to follow,
    but for a sixth of it (variance of a Brownian bridge's mean). So readings that depend on each
    other count for more than as many independent ones would.

    Args:
        value: at nodes in the order of time, (k + 1,).
        linked: whether a node and the next belong together, (k,).
    """
    one = np.where(linked, np.diff(value) ** 2 / 2, 0.0)
    both = linked[:-1] & linked[1:]
    two = np.where(both, (value[2:] - value[:-2]) ** 2 / 2, 0.0)
    gamma = _mean_where(one, linked)
    gamma_2 = _mean_where(two, both)
    gamma_2 = np.append(gamma_2, gamma_2[-1:] if len(gamma_2) else gamma)
    return gamma, np.clip(2 * gamma - gamma_2, 0.0, gamma)


def _mean_where(values: Floats, good: Bools) -> Floats:
    total = local_mean(values, _N_AROUND)
    share = local_mean(good.astype(np.float64), _N_AROUND)
    return np.divide(total, share, out=np.zeros_like(total), where=share > 0)
