"""Current and power of a phone between its readings: what was measured and what bridged."""

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np

from analysis.estimation.current import Unread, told_by
from analysis.estimation.profile import (
    N_AT_ONCE,
    S_PER_H,
    Bools,
    Curve,
    Floats,
    Indices,
    Product,
    running,
)
from analysis.estimation.told import Told
from analysis.estimation.voltage import blur_of, excess_mw, load_ma, voltage_mwh2
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps, slept_s, spanned

Amounts = Literal[
    "sampling_mah2", "other_mah2", "doubt_mah2", "sampling_mwh2", "blurred_mwh", "asleep_s",
    "read_s", "swept_vs", "stale_mah", "stale_mwh",
]  # fmt: skip
_SEEN_ONCE = 1.5


@dataclass(frozen=True, kw_only=True)
class Flow:
    """Current and power out of the battery, straight within adjoining intervals.

    What changes slowly, and doubts, are told by spans of one or more intervals.

    Attributes:
        current: in mA.
        power: product of current and voltage readings, in mW.
        span_s: edges of the spans, (m + 1,).
        mean_v: voltage, mean of the ends of intervals, (m,).
        sampling_mah2: variance of each span's charge, from what lies between readings, (m,).
        other_mah2: the same from gaps, moments of falling asleep and times of refresh, (m,).
        sampling_mwh2: variance of each span's energy that is left when its charge is known:
            by voltage between readings, (m,).
        asleep_s: how long the phone slept in each span, (m,).
        measured: False where nothing was read: asleep or a gap, (m,).
        gamma_ma2: half the mean squared difference between neighbouring currents, (m,).
        blurred_mwh: what is taken off each span because voltage gives way under bursts, (m,).
        blur_doubt_ratio: half width of the doubt about that.
        ohm: resistance through which it gives way.
        hold_s: for how long each current was held; None of live readings and if none was read.
        even_s: edges between which the current is the same throughout; None if it is straight.
        stale_mah: charge by currents that may be from before the phone slept, (m,); None of a
            source that is looked at often enough to see.
    """

    current: Curve
    power: Curve
    span_s: Floats
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
        """Length of each span, (m,)."""
        return np.diff(self.span_s)

    @cached_property
    def read_s(self) -> Floats:
        """How long of each span was read, (m,)."""
        return np.where(self.measured, self.width_s, 0.0)

    @cached_property
    def doubt_mah2(self) -> Floats:
        """Variance of each span's charge, (m,)."""
        return self.sampling_mah2 + self.other_mah2

    @cached_property
    def swept_vs(self) -> Floats:
        """Voltage of each span times its length, (m,)."""
        return self.mean_v * self.width_s

    @cached_property
    def stale_mwh(self) -> Floats:
        """The energy to that charge, (m,)."""
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
        return self.power.integral(at_s) - self.total("blurred_mwh", at_s)

    def total(self, name: Amounts, at_s: Floats) -> Floats:
        """Running total to each moment of one of the amounts given per span."""
        if name not in self._running:
            self._running[name] = running(getattr(self, name))
        result: Floats = np.interp(at_s, self.span_s, self._running[name])
        return result

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
    told, unread = told_by(series, means=means)
    return _with_power(series, told, unread)


def _with_power(series: Series, told: Told, which: Unread) -> Flow:
    stretches = sleeps(series)
    unread, stuck = which.any_of_them, told.span_of(np.flatnonzero(which.stuck))
    unread_s = _time_of(unread, told.edges_s)
    asleep = drowsy = stale = np.zeros(len(unread), dtype=bool)
    if len(stretches):
        doubt_ratio = _scatter_ratio(told, unread_s)
        last_s = series.t_s[np.searchsorted(series.t_s, stretches[:, 0], side="right") - 1]
        told, index = told.cut(np.concatenate([stretches.ravel(), last_s]))
        stuck = told.span_of(np.flatnonzero(which.stuck[index]))
        asleep = spanned(stretches, told.edges_s)
        unread, drowsy = unread[index], which.asleep[index] & ~asleep
        fresh = np.diff(index, prepend=-1) > 0
        told = _sleepy(series, told, asleep, drowsy, fresh, doubt_ratio)
        stale = drowsy & ~(fresh & _seen_awake(series, stretches, told.edges_s[:-1]))
    edges, span_s, width_s = told.edges_s, told.edges_s[told.spans], told.width_s
    middle = (span_s[:-1] + span_s[1:]) / 2
    current = Curve(edges_s=edges, start=told.start_ma, end=told.end_ma, spans=told.spans)
    mean_ma = np.diff(current.running) / width_s * S_PER_H
    volts = series.voltage_at(edges) / 1000
    mean_v = _span_means(volts, told.spans)
    seen = blur_of(series, current, unread_s, read=True)
    start_v, end_v = volts[:-1], volts[1:]
    if len(stretches):
        # Asleep nothing is read: the voltage is what it was awake, less what the load took off.
        unloaded_v = mean_v + seen.ohm * load_ma(series, middle) / 1000
        mean_v = np.where(told.at_spans(asleep), unloaded_v, mean_v)
        at = np.flatnonzero(asleep)
        start_v, end_v = start_v.copy(), end_v.copy()
        start_v[at] = end_v[at] = mean_v[told.span_of(at)]
    not_read, slept = told.at_spans(unread), told.at_spans(asleep)
    excess = excess_mw(seen, middle, mean_ma, mean_v, not_read)
    charge_mah = mean_ma * width_s / S_PER_H
    by_voltage_mwh2 = voltage_mwh2(series, span_s, mean_ma)
    # While it was frozen the voltage went from the first to the next that was read, anyhow.
    went_v = np.append(volts, volts[-1])[told.spans[stuck] + 2] - volts[told.spans[stuck]]
    by_voltage_mwh2[stuck] = (charge_mah[stuck] * went_v) ** 2 / 3
    return Flow(
        current=current,
        power=Product(
            edges_s=edges,
            start=told.start_ma,
            end=told.end_ma,
            spans=told.spans,
            start_by=start_v,
            end_by=end_v,
        ),
        span_s=span_s,
        mean_v=mean_v,
        sampling_mah2=told.sampling_mas2 / S_PER_H**2,
        other_mah2=told.other_mas2 / S_PER_H**2,
        sampling_mwh2=by_voltage_mwh2,
        asleep_s=np.where(slept, width_s, 0.0),
        measured=~not_read,
        gamma_ma2=np.where(not_read, 0.0, told.gamma_ma2),
        blurred_mwh=excess * width_s / S_PER_H,
        blur_doubt_ratio=seen.doubt_ratio,
        ohm=seen.ohm,
        hold_s=series.current_hold_s,
        even_s=None if series.current_hold_s is None else edges,
        stale_mah=charge_mah * told.at_spans(stale) if _is_slow(series) else None,
    )


def _span_means(nodes: Floats, spans: Indices) -> Floats:
    """Mean of each span's intervals, which are the mean of their nodes, (m,)."""
    inner = np.add.reduceat(nodes[:-1], spans[:-1])
    means: Floats = (inner + (nodes[spans[1:]] - nodes[spans[:-1]]) / 2) / np.diff(spans)
    return means


def _sleepy(
    series: Series, told: Told, asleep: Bools, drowsy: Bools, fresh: Bools, scatter_ratio: float
) -> Told:
    """The current of a phone that sleeps: the default draw there, and what is in doubt beside it.

    Args:
        series: for its gauge.
        told: cut where a sleep begins and ends, each such interval a span.
        asleep: which intervals are sleep, (k,).
        drowsy: which are beside it in what was not read, (k,).
        fresh: which begin what was cut, (k,).
        scatter_ratio: variance of the current beside sleep over its square.
    """
    start, end = (np.where(asleep, series.gains.sleep_ma, x) for x in (told.start_ma, told.end_ma))
    slept, beside, first = (told.at_spans(each) for each in (asleep, drowsy, fresh))
    mean_ma2 = ((start + end) / 2)[told.spans[:-1]] ** 2
    if series.current_hold_s is None:
        doubt_ma2 = scatter_ratio * mean_ma2
    else:
        # What is held may be from before the sleep: anything from nothing to twice as much.
        doubt_ma2 = np.where(first, told.gamma_ma2, mean_ma2 / 3)
    drowsy_mas2 = doubt_ma2 * told.width_s**2
    return replace(
        told,
        start_ma=start,
        end_ma=end,
        other_mas2=np.where(slept, 0.0, np.where(beside, drowsy_mas2, told.other_mas2)),
        sampling_mas2=np.where(slept | beside, 0.0, told.sampling_mas2),
    )


def _seen_awake(series: Series, stretches: Floats, at_s: Floats) -> Bools:
    """Whether a phone did not sleep between its readings before and after each moment."""
    after = np.clip(np.searchsorted(series.t_s, at_s), 1, len(series.t_s) - 1)
    slept = slept_s(stretches, series.t_s)
    awake: Bools = slept[after] == slept[after - 1]
    return awake


def _is_slow(series: Series) -> bool:
    """Whether a source is read so seldom that each of its values is seen about once."""
    hold_s = series.current_hold_s
    return hold_s is not None and hold_s < _SEEN_ONCE * series.poll_s


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
