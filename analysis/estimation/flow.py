"""Current and power of a phone between its readings: what was measured and what bridged."""

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np

from analysis.estimation.profile import N_AT_ONCE, S_PER_H, Bools, Curve, Floats, Indices, running
from analysis.estimation.told import Asleep, Told, bridged_gaps, held
from analysis.estimation.voltage import blur_of, excess_mw, load_ma, voltage_mwh2
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps, slept_s, within

Amounts = Literal[
    "sampling_mah2", "other_mah2", "doubt_mah2", "sampling_mwh2", "blurred_mwh", "asleep_s",
    "read_s", "swept_vs", "stale_mah", "stale_mwh",
]  # fmt: skip
GAP_S = 5.0
GAP_POLLS = 5.0
_CLOSE_S = 0.4
_SEEN_ONCE = 1.5
WINDOW_S = 0.3
"""Gauges that look so often average over the time in between; common practice, no source."""

_OF_MEANS = 0.01
"""Variance of their sum against that of moments."""


@dataclass(frozen=True, kw_only=True)
class Flow:
    """Current and power out of the battery, straight within adjoining intervals.

    Attributes:
        current: in mA.
        power: in mW.
        mean_v: voltage, mean of each interval's ends, (k,).
        sampling_mah2: variance of each interval's charge, from what lies between readings, (k,).
        other_mah2: the same from gaps, moments of falling asleep and times of refresh, (k,).
        sampling_mwh2: variance of each interval's energy that is left when its charge is known:
            by voltage between readings, (k,).
        asleep_s: how long the phone slept in each interval, (k,).
        measured: False where nothing was read: asleep or a gap, (k,).
        gamma_ma2: half the mean squared difference between neighbouring currents, (k,).
        blurred_mwh: what was taken off each interval because voltage gives way under bursts, (k,).
        blur_doubt_ratio: half width of the doubt about that.
        ohm: resistance through which it gives way.
        hold_s: for how long each current was held; None of live readings and if none was read.
        even_s: edges between which the current is the same throughout; None if it is straight.
        stale_mah: charge by currents that may be from before the phone slept, (k,); None of a
            source that is looked at often enough to see.
    """

    current: Curve
    power: Curve
    mean_v: Floats
    sampling_mah2: Floats
    other_mah2: Floats
    sampling_mwh2: Floats
    asleep_s: Floats
    measured: Bools
    gamma_ma2: Floats
    blurred_mwh: Floats
    blur_doubt_ratio: float
    ohm: float
    hold_s: float | None = None
    even_s: Floats | None = None
    stale_mah: Floats | None = None

    @property
    def edges_s(self) -> Floats:
        """Between the intervals, ascending, (k + 1,)."""
        return self.current.edges_s

    @cached_property
    def width_s(self) -> Floats:
        """Length of each interval, (k,)."""
        return np.diff(self.edges_s)

    @cached_property
    def read_s(self) -> Floats:
        """How long of each interval was read, (k,)."""
        return np.where(self.measured, self.width_s, 0.0)

    @cached_property
    def doubt_mah2(self) -> Floats:
        """Variance of each interval's charge, (k,)."""
        return self.sampling_mah2 + self.other_mah2

    @cached_property
    def swept_vs(self) -> Floats:
        """Voltage of each interval times its length, (k,)."""
        return self.mean_v * self.width_s

    @cached_property
    def stale_mwh(self) -> Floats:
        """The energy to that charge, (k,)."""
        return self.mean_v * (0.0 if self.stale_mah is None else self.stale_mah)

    @cached_property
    def is_asleep(self) -> bool:
        """Whether the phone slept at all."""
        return bool(self.asleep_s.any())

    def charge_mah(self, at_s: Floats) -> Floats:
        """Charge taken out from the first edge to each moment."""
        return self.current.integral(at_s)

    def energy_mwh(self, at_s: Floats) -> Floats:
        """Energy taken out from the first edge to each moment."""
        return self.power.integral(at_s)

    def total(self, name: Amounts, at_s: Floats) -> Floats:
        """Running total to each moment of one of the amounts given per interval."""
        if name not in self._running:
            amounts = np.add.reduceat(getattr(self, name), self._seconds[:-1])
            self._running[name] = running(amounts)
        result: Floats = np.interp(at_s, self.edges_s[self._seconds], self._running[name])
        return result

    @cached_property
    def _seconds(self) -> Indices:
        """Edges at which running totals are kept: all, or of very close ones one in a second."""
        n = len(self.mean_v)
        mean_s = (self.edges_s[-1] - self.edges_s[0]) / n
        close = mean_s < _CLOSE_S and not self.is_asleep
        return np.append(np.arange(0, n, math.ceil(1 / mean_s) if close else 1), n)

    @cached_property
    def _running(self) -> dict[str, Floats]:
        return {}

    def power_near_mw(self, at_s: Floats, around_s: float) -> Floats:
        """Mean power within `around_s` of each moment."""
        low = np.maximum(at_s - around_s, self.edges_s[0])
        high = np.minimum(at_s + around_s, self.edges_s[-1])
        hours = np.maximum(high - low, 1e-9) / S_PER_H
        result: Floats = (self.energy_mwh(high) - self.energy_mwh(low)) / hours
        return result

    def blurred_u_mwh(self, at_s: Floats) -> Floats:
        """Half width of the doubt about what was taken off, between neighbouring moments."""
        return self.blur_doubt_ratio * np.diff(self.total("blurred_mwh", at_s))


@lru_cache(maxsize=N_AT_ONCE)
def flow(series: Series, *, means: bool = False) -> Flow:
    """The flow that fresh current and voltage readings tell, from the first reading to the last.

    Between live readings the power is straight (trapezoid of the product). A current that is
    held for a while is the mean over the time before it was first seen. Time asleep carries the
    default draw, a gap the mean of what lies on both sides of it.

    Args:
        series: the readings.
        means: whether a held current is known to be a mean, sleep included.
    """
    times, inward = series.known("current_ma")
    outward, stretches, hold_s = -inward, sleeps(series), series.current_hold_s
    if hold_s is None:
        woken = _just_woken(times, stretches)
        times, outward = times[~woken], outward[~woken]
        told = Told.plain(times, outward[:-1], outward[1:])
    else:
        known = Asleep(stretches_s=stretches, sleep_ma=series.gains.sleep_ma)
        short = hold_s <= WINDOW_S
        told = held(times, outward, hold_s, series.poll_s, known if means or short else None)
        if short:
            told = replace(told, sampling_mas2=_OF_MEANS * told.sampling_mas2)
    told = told.stretched(series.t_s[0], series.t_s[-1])
    asleep = np.diff(slept_s(stretches, told.edges_s)) > 0
    gap = silent(series, times, told.edges_s) & ~asleep
    if hold_s is None:
        told = told.with_doubt(~gap & ~asleep)
    told = bridged_gaps(told, gap, may_sleep=not series.has("awake_s"))
    return _with_power(series, told, gap | asleep, stretches)


def _with_power(series: Series, told: Told, unread: Bools, stretches: Floats) -> Flow:
    unread_s = _time_of(unread, told.edges_s)
    drowsy = unread & (np.diff(slept_s(stretches, told.edges_s)) > 0)
    asleep = fresh = np.zeros(len(unread), dtype=bool)
    if len(stretches):
        edges = np.unique(np.concatenate([told.edges_s, stretches.ravel()]))
        told, index = told.cut(edges)
        asleep = within(stretches, (edges[:-1] + edges[1:]) / 2)
        unread, drowsy = unread[index], drowsy[index] & ~asleep
        fresh = np.diff(index, prepend=-1) > 0
    edges, width_s = told.edges_s, told.width_s
    start, end, other = told.start_ma, told.end_ma, told.other_mas2
    sampling = told.sampling_mas2
    if len(stretches):
        start, end = (np.where(asleep, series.gains.sleep_ma, x) for x in (start, end))
        mean_ma2 = ((start + end) / 2) ** 2
        if series.current_hold_s is None:
            doubt_ma2 = _scatter_ratio(told, unread_s) * mean_ma2
        else:
            # What is held may be from before the sleep: anything from nothing to twice as much.
            doubt_ma2 = np.where(fresh, told.gamma_ma2, mean_ma2 / 3)
        drowsy_mas2 = doubt_ma2 * width_s**2
        other = np.where(asleep, 0.0, np.where(drowsy, drowsy_mas2, other))
        sampling = np.where(asleep | drowsy, 0.0, sampling)
    volts = series.voltage_at(edges)
    volts /= 1000
    measured = ~unread
    current = Curve(edges_s=edges, start=start, end=end)
    middle = (edges[:-1] + edges[1:]) / 2
    seen = blur_of(series, current, unread_s, read=True)
    mean_v = (volts[:-1] + volts[1:]) / 2
    if len(stretches):
        # Asleep nothing is read: the voltage is what it was awake, less what the load took off.
        mean_v = np.where(asleep, mean_v + seen.ohm * load_ma(series, middle) / 1000, mean_v)
    excess = excess_mw(seen, current, middle, mean_v, unread)
    start_v, end_v = (np.where(asleep, mean_v, x) for x in (volts[:-1], volts[1:]))
    return Flow(
        current=current,
        power=Curve(edges_s=edges, start=start * start_v - excess, end=end * end_v - excess),
        mean_v=mean_v,
        sampling_mah2=sampling / S_PER_H**2,
        other_mah2=other / S_PER_H**2,
        sampling_mwh2=voltage_mwh2(series, current, middle),
        asleep_s=np.where(asleep, width_s, 0.0),
        measured=measured,
        gamma_ma2=np.where(measured, told.gamma_ma2, 0.0),
        blurred_mwh=excess * width_s / S_PER_H,
        blur_doubt_ratio=seen.doubt_ratio,
        ohm=seen.ohm,
        hold_s=series.current_hold_s,
        even_s=None if series.current_hold_s is None else edges,
        stale_mah=(start + end) / 2 * width_s / S_PER_H * drowsy if _is_slow(series) else None,
    )


def _is_slow(series: Series) -> bool:
    """Whether a source is read so seldom that each of its values is seen about once."""
    hold_s = series.current_hold_s
    return hold_s is not None and hold_s < _SEEN_ONCE * series.poll_s


def _just_woken(times: Floats, stretches: Floats) -> Bools:
    """Readings whose window reaches back into a sleep, where a later one tells of being awake."""
    if not len(stretches):
        return np.zeros(len(times), dtype=bool)
    number = np.searchsorted(stretches[:, 1], times)
    first, last = (np.searchsorted(number, number, side=side) for side in ("left", "right"))
    awake_s = times[first] + WINDOW_S
    woken: Bools = (number > 0) & (times < awake_s) & (times[last - 1] >= awake_s)
    return woken


def _scatter_ratio(told: Told, unread_s: Floats) -> float:
    """Variance of the current of a phone that falls asleep or wakes up, over its square."""
    before, after = (
        told.start_ma[np.searchsorted(told.edges_s, unread_s[:, 0])],
        told.end_ma[np.searchsorted(told.edges_s, unread_s[:, 1]) - 1],
    )
    mean = (before + after) / 2
    return float(np.sum((before - after) ** 2) / max(2 * np.sum(mean**2), 1e-9))


def _time_of(holds: Bools, edges_s: Floats) -> Floats:
    """Begin and end of the intervals that fulfil a condition, (n, 2)."""
    return np.column_stack([edges_s[:-1][holds], edges_s[1:][holds]])


def silent(series: Series, times: Floats, edges: Floats) -> Bools:
    """Intervals during which a quantity was not read, not even an old value.

    Args:
        series: for its poll period.
        times: when it was read.
        edges: of the intervals.
    """
    longest_s = max(GAP_POLLS * series.poll_s, GAP_S)
    wide = np.flatnonzero(np.diff(times) > longest_s)
    holes = np.column_stack([times[wide], times[wide + 1]])
    middle = (edges[:-1] + edges[1:]) / 2
    outside: Bools = (middle < times[0]) | (middle > times[-1])
    return outside | within(holes, middle) if len(holes) else outside
