"""Current and power of a phone between its readings: what was measured and what bridged."""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from analysis.profile import S_PER_H, Bools, Curve, Floats, spread
from analysis.sag import Blur, blur
from analysis.series import Series
from analysis.sleep import sleeps, within
from analysis.told import Told, bridged_gaps, held, scatter

GAP_S = 5.0
GAP_POLLS = 5.0
_SPLIT = 0.75
_MOST_ASLEEP_RATIO = 0.8
_MOST_BLUR_RATIO = 0.01


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
    blur_doubt_ratio: float = 0.0

    @property
    def edges_s(self) -> Floats:
        """Between the intervals, ascending, (k + 1,)."""
        return self.current.edges_s

    @cached_property
    def width_s(self) -> Floats:
        """Length of each interval, (k,)."""
        return np.diff(self.edges_s)

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

    def total(self, amount: Floats, at_s: Floats) -> Floats:
        """Running total to each moment of an amount given per interval."""
        return spread(self.edges_s, amount, at_s)

    def power_near_mw(self, at_s: Floats, around_s: float) -> Floats:
        """Mean power within `around_s` of each moment."""
        low = np.maximum(at_s - around_s, self.edges_s[0])
        high = np.minimum(at_s + around_s, self.edges_s[-1])
        hours = np.maximum(high - low, 1e-9) / S_PER_H
        result: Floats = (self.energy_mwh(high) - self.energy_mwh(low)) / hours
        return result

    def blurred_u_mwh(self, at_s: Floats) -> Floats:
        """Half width of the doubt about what was taken off, between neighbouring moments."""
        return self.blur_doubt_ratio * np.diff(self.total(self.blurred_mwh, at_s))


@lru_cache(maxsize=1)
def flow(series: Series) -> Flow:
    """The flow that fresh current and voltage readings tell, from the first reading to the last.

    Between live readings the power is straight (trapezoid of the product). A current that is
    held for a while is the mean over the time before it was first seen. Time asleep carries the
    default draw, a gap the mean of what lies on both sides of it.
    """
    times, inward = series.known("current_ma")
    outward = -inward
    if series.current_hold_s is None:
        told = Told.plain(times, outward[:-1], outward[1:])
    else:
        told = held(times, outward, series.current_hold_s, series.poll_s)
    told = told.stretched(series.t_s[0], series.t_s[-1])
    stretches = sleeps(series)
    asleep = np.diff(_time_asleep(stretches, told.edges_s)) > 0
    gap = silent(series, times, told.edges_s) & ~asleep
    if series.current_hold_s is None:
        told = told.with_doubt(~gap & ~asleep)
    told = bridged_gaps(told, gap, may_sleep=not series.has("awake_s"))
    return _with_power(series, told, gap | asleep, stretches)


def _with_power(series: Series, told: Told, unread: Bools, stretches: Floats) -> Flow:
    unread_s = _time_of(unread, told.edges_s)
    drowsy = unread & (np.diff(_time_asleep(stretches, told.edges_s)) > 0)
    asleep = np.zeros(len(unread), dtype=bool)
    if len(stretches):
        edges = np.unique(np.concatenate([told.edges_s, stretches.ravel()]))
        told, index = told.cut(edges)
        asleep = within(stretches, (edges[:-1] + edges[1:]) / 2)
        unread, drowsy = unread[index], drowsy[index] & ~asleep
    edges, width_s = told.edges_s, told.width_s
    start, end, other = told.start_ma, told.end_ma, told.other_mas2
    sampling = told.sampling_mas2
    if len(stretches):
        start, end = (np.where(asleep, series.gains.sleep_ma, x) for x in (start, end))
        # How a phone's last moments awake divide before and after its sleep: evenly distributed.
        drowsy_mas2 = ((start + end) / 2) ** 2 / 3 * width_s**2
        other = np.where(asleep, 0.0, np.where(drowsy, drowsy_mas2, other))
        sampling = np.where(asleep | drowsy, 0.0, sampling)
    volts = series.voltage_at(edges)
    volts /= 1000
    measured = ~unread
    current = Curve(edges_s=edges, start=start, end=end)
    middle = (edges[:-1] + edges[1:]) / 2
    seen = _blur(series, current, unread_s)
    mean_v = (volts[:-1] + volts[1:]) / 2
    if len(stretches):
        # Asleep nothing is read: the voltage is what it was awake, less what the load took off.
        mean_v = np.where(asleep, mean_v + seen.ohm * _load_ma(series, middle) / 1000, mean_v)
    most_mw = _MOST_BLUR_RATIO * np.abs(start + end) / 2 * mean_v
    excess_mw = np.minimum(np.interp(middle, seen.at_s, seen.excess_mw), most_mw)
    excess_mw[unread] = 0.0
    start_v, end_v = (np.where(asleep, mean_v, x) for x in (volts[:-1], volts[1:]))
    return Flow(
        current=current,
        power=Curve(edges_s=edges, start=start * start_v - excess_mw, end=end * end_v - excess_mw),
        mean_v=mean_v,
        sampling_mah2=sampling / S_PER_H**2,
        other_mah2=other / S_PER_H**2,
        sampling_mwh2=_voltage_mwh2(series, current, middle),
        asleep_s=np.where(asleep, width_s, 0.0),
        measured=measured,
        gamma_ma2=np.where(measured, told.gamma_ma2, 0.0),
        blurred_mwh=excess_mw * width_s / S_PER_H,
        blur_doubt_ratio=seen.doubt_ratio,
    )


def _load_ma(series: Series, at_s: Floats) -> Floats:
    """Current out of the battery beside the voltages read about a moment."""
    times, inward = series.known("current_ma")
    result: Floats = np.interp(at_s, times, -inward)
    return result


def _blur(series: Series, current: Curve, unread_s: Floats) -> Blur:
    """What the product of readings has too much, seen at each new voltage."""
    together = np.isfinite(series.voltage_mv) & np.isfinite(series.current_ma)
    n_read = max(int(np.isfinite(series.current_ma).sum()), 1)
    live = series.current_hold_s is None and together.sum() > 0.9 * n_read
    if live:
        t_s, volts = series.t_s[together], series.voltage_mv[together]
        beside = -series.current_ma[together]
    else:
        t_s, volts = series.voltages()
        hours = np.diff(t_s) / S_PER_H
        mean = np.diff(current.integral(t_s)) / np.where(hours > 0, hours, np.inf)
        beside = np.concatenate([mean[:1], mean])
    if len(t_s) < 5:
        return Blur(at_s=series.t_s[:1], excess_mw=np.zeros(1))
    spacing_s = np.diff(t_s)
    linked = spacing_s < 5 * float(np.median(spacing_s))
    if len(unread_s):
        linked &= np.diff(spread_inside(unread_s, t_s)) == 0
    return blur(t_s, volts, beside, linked, live=live)


def _voltage_mwh2(series: Series, current: Curve, middle: Floats) -> Floats:
    """Variance of each interval's energy by the voltage between its readings, (k,)."""
    t_s, volts = series.voltages()
    if len(t_s) < 5:
        return np.zeros(len(middle))
    spacing_s = np.diff(t_s)
    _, missed = scatter(t_s, volts, spacing_s < 5 * float(np.median(spacing_s)))
    # The error of a mean over n spacings d is missed / n: per second of time, missed * d.
    per_s = np.interp(middle, t_s[1:], missed * np.minimum(spacing_s, 5 * np.median(spacing_s)))
    mean_ma = (current.start + current.end) / 2
    variance: Floats = per_s * mean_ma**2 * np.diff(current.edges_s) / (1000 * S_PER_H) ** 2
    return variance


def _time_asleep(stretches: Floats, at_s: Floats) -> Floats:
    """Seconds slept up to each moment."""
    return spread_inside(stretches, at_s) if len(stretches) else np.zeros(len(at_s))


def spread_inside(stretches: Floats, at_s: Floats) -> Floats:
    """Seconds inside ascending stretches (begin and end of each, (n, 2)) up to each moment."""
    inside = np.cumsum(np.diff(stretches, axis=1).ravel())
    level = np.column_stack([np.concatenate([[0.0], inside[:-1]]), inside]).ravel()
    result: Floats = np.interp(at_s, stretches.ravel(), level)
    return result


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


def steady_flow(series: Series, anchor_s: Floats, anchor_mah: Floats) -> Flow:
    """The flow where no current was read: even between the moments at which a charge is known.

    While the phone is known to sleep it draws little; the rest is spread evenly over the time
    awake. How it really divides between two activities is anybody's guess: their power may differ
    a hundredfold, so that the variance in the middle is close to the largest there can be.

    Args:
        series: for the voltage, the sleep and the ends.
        anchor_s: ascending moments, at least two.
        anchor_mah: charge taken out by then.
    """
    stretches = sleeps(series)
    voltage_s = series.voltages()[0]
    ends_s = series.t_s[[0, -1]]
    edges = np.unique(np.concatenate([ends_s, voltage_s, anchor_s, stretches.ravel()]))
    width_s = np.diff(edges)
    middle = (edges[:-1] + edges[1:]) / 2
    asleep = within(stretches, middle)
    knots = np.concatenate([edges[:1], anchor_s, edges[-1:]])
    slept_s = np.diff(_time_asleep(stretches, knots))
    awake_s = np.maximum(np.diff(knots) - slept_s, 1e-3)
    step_mah = np.diff(anchor_mah)
    sleep_mah = np.minimum(
        series.gains.sleep_ma * slept_s[1:-1] / S_PER_H, _MOST_ASLEEP_RATIO * np.abs(step_mah)
    )
    rate_ma = (step_mah - sleep_mah) / awake_s[1:-1] * S_PER_H
    rate_ma = np.concatenate([[np.mean(rate_ma[:3])], rate_ma, [np.mean(rate_ma[-3:])]])
    drawn_asleep_ma = np.divide(
        sleep_mah * S_PER_H, slept_s[1:-1], out=np.zeros_like(sleep_mah), where=slept_s[1:-1] > 0
    )
    drawn_asleep_ma = np.concatenate(
        [[series.gains.sleep_ma], drawn_asleep_ma, [series.gains.sleep_ma]]
    )
    beyond_mah = rate_ma[[0, -1]] * awake_s[[0, -1]] / S_PER_H
    doubt = np.concatenate(
        [[beyond_mah[0] ** 2 / 3], _SPLIT * step_mah**2, [beyond_mah[1] ** 2 / 3]]
    )
    index = np.clip(np.searchsorted(knots, middle, side="right") - 1, 0, len(rate_ma) - 1)
    level = np.where(asleep, drawn_asleep_ma[index], rate_ma[index])
    volts = series.voltage_at(edges) / 1000
    measured = (middle > anchor_s[0]) & (middle < anchor_s[-1])
    current = Curve(edges_s=edges, start=level, end=level)
    seen = _blur(series, current, np.empty((0, 2)))
    excess_mw = np.interp(middle, seen.at_s, seen.excess_mw)
    mean_v = (volts[:-1] + volts[1:]) / 2
    excess_mw = np.minimum(excess_mw, _MOST_BLUR_RATIO * np.abs(level) * mean_v)
    excess_mw = np.where(asleep | ~measured, 0.0, excess_mw)
    nothing = np.zeros(len(width_s))
    asleep_mah2 = (drawn_asleep_ma[index] * width_s / S_PER_H) ** 2
    return Flow(
        current=current,
        power=Curve(
            edges_s=edges, start=level * volts[:-1] - excess_mw, end=level * volts[1:] - excess_mw
        ),
        mean_v=mean_v,
        sampling_mah2=nothing,
        other_mah2=np.where(asleep, asleep_mah2, doubt[index] / awake_s[index] * width_s),
        sampling_mwh2=_voltage_mwh2(series, current, middle),
        asleep_s=nothing,
        measured=measured,
        gamma_ma2=nothing,
        blurred_mwh=excess_mw * width_s / S_PER_H,
        blur_doubt_ratio=seen.doubt_ratio,
    )
