"""Current and power of a phone between its readings: what was measured and what bridged."""

from dataclasses import dataclass

import numpy as np

from analysis.profile import S_PER_H, Bools, Floats, cumulative, spread
from analysis.series import Series
from analysis.sleep import sleeps, within
from analysis.told import Told, bridged_gaps, held

_GAP_S = 5.0
_GAP_POLLS = 5.0
_SPLIT = 0.75
_MOST_ASLEEP_RATIO = 0.8
_RESISTANCE_OHM = 0.1
"""Pack and contacts where the readings do not tell; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """Current and power out of the battery, straight within adjoining intervals.

    Attributes:
        edges_s: ascending, (k + 1,).
        start_ma: current just after each edge but the last, positive out of the battery, (k,).
        end_ma: current just before each edge but the first, (k,).
        start_mw: power just after each edge but the last, (k,).
        end_mw: power just before each edge but the first, (k,).
        mean_v: voltage, mean of each interval's ends, (k,).
        variance_mah2: variance of each interval's charge, from what lies between readings, (k,).
        sleep_variance_mah2: the same from the draw asleep, which is in doubt alike in all, (k,).
        gamma_ma2: half the mean squared difference between neighbouring currents, (k,).
        asleep_s: how long the phone slept in each interval, (k,).
        measured: False where nothing was read: asleep or a gap, (k,).
        hidden_mw: how far the product of means may overstate the mean product, by
            the voltage giving way under bursts between readings, (k,).
    """

    edges_s: Floats
    start_ma: Floats
    end_ma: Floats
    start_mw: Floats
    end_mw: Floats
    mean_v: Floats
    variance_mah2: Floats
    sleep_variance_mah2: Floats
    gamma_ma2: Floats
    asleep_s: Floats
    measured: Bools
    hidden_mw: Floats

    @property
    def width_s(self) -> Floats:
        """Length of each interval, (k,)."""
        return np.diff(self.edges_s)

    def charge_mah(self, at_s: Floats) -> Floats:
        """Charge taken out from the first edge to each moment."""
        return cumulative(self.edges_s, self.start_ma, self.end_ma, at_s)

    def energy_mwh(self, at_s: Floats) -> Floats:
        """Energy taken out from the first edge to each moment."""
        return cumulative(self.edges_s, self.start_mw, self.end_mw, at_s)

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


def flow(series: Series) -> Flow:
    """The flow that fresh current and voltage readings tell, from the first reading to the last.

    Between live readings the power is straight (trapezoid of the product). A current that is
    held for a while is the mean over the time before it was first seen. Time asleep carries the
    default draw, a gap the mean of what lies on both sides of it.
    """
    times, inward = series.known("current_ma")
    if series.current_hold_s is None:
        told = Told.plain(times, -inward[:-1], -inward[1:])
    else:
        told = held(times, -inward, series.current_hold_s, series.poll_s)
    told = told.stretched(series.t_s[0], series.t_s[-1])
    stretches = sleeps(series)
    asleep_s = np.diff(_time_asleep(stretches, told.edges_s))
    gap = _silent(series, told.edges_s) & (asleep_s == 0)
    told = told.with_doubt(~gap & (asleep_s == 0), live=series.current_hold_s is None)
    told = bridged_gaps(told, gap, may_sleep=not series.has("awake_s"))
    return _with_sleep(series, told, gap, stretches)


def _with_sleep(series: Series, told: Told, gap: Bools, stretches: Floats) -> Flow:
    edges = np.unique(np.concatenate([told.edges_s, stretches.ravel()]))
    cut, index = told.cut(edges)
    middle = (edges[:-1] + edges[1:]) / 2
    asleep = within(stretches, middle)
    drowsy = (np.diff(_time_asleep(stretches, told.edges_s)) > 0)[index] & ~asleep
    width_s = np.diff(edges)
    draw_ma = series.gains.sleep_ma
    start, end = (np.where(asleep, draw_ma, x) for x in (cut.start_ma, cut.end_ma))
    # How a phone's last moments awake divide before and after its sleep: evenly distributed.
    drowsy_ma2 = ((start + end) / 2) ** 2 / 3
    variance = np.where(drowsy, drowsy_ma2 * width_s**2, cut.variance_mas2)
    volts = series.voltage_at(edges) / 1000
    measured = ~(asleep | drowsy | gap[index])
    return Flow(
        edges_s=edges,
        start_ma=start,
        end_ma=end,
        start_mw=start * volts[:-1],
        end_mw=end * volts[1:],
        mean_v=(volts[:-1] + volts[1:]) / 2,
        variance_mah2=np.where(asleep, 0.0, variance) / S_PER_H**2,
        sleep_variance_mah2=np.where(asleep, series.gains.sleep_u_ma * width_s / S_PER_H, 0.0)
        ** 2,
        gamma_ma2=np.where(measured, cut.gamma_ma2, 0.0),
        asleep_s=np.where(asleep, width_s, 0.0),
        measured=measured,
        hidden_mw=np.where(measured, _hidden_mw(series, cut.gamma_ma2), 0.0),
    )


def _time_asleep(stretches: Floats, at_s: Floats) -> Floats:
    """Seconds slept up to each moment."""
    if not len(stretches):
        return np.zeros(len(at_s))
    slept = np.cumsum(np.diff(stretches, axis=1).ravel())
    level = np.column_stack([np.concatenate([[0.0], slept[:-1]]), slept]).ravel()
    asleep_s: Floats = np.interp(at_s, stretches.ravel(), level)
    return asleep_s


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
    voltage_s = series.known("voltage_mv")[0]
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
    current = np.where(asleep, drawn_asleep_ma[index], rate_ma[index])
    volts = series.voltage_at(edges) / 1000
    nothing = np.zeros(len(width_s))
    return Flow(
        edges_s=edges,
        start_ma=current,
        end_ma=current,
        start_mw=current * volts[:-1],
        end_mw=current * volts[1:],
        mean_v=(volts[:-1] + volts[1:]) / 2,
        variance_mah2=np.where(asleep, 0.0, doubt[index] / awake_s[index] * width_s),
        sleep_variance_mah2=np.where(asleep, drawn_asleep_ma[index] * width_s / S_PER_H, 0.0) ** 2,
        gamma_ma2=nothing,
        asleep_s=np.where(asleep, width_s, 0.0),
        measured=(middle > anchor_s[0]) & (middle < anchor_s[-1]),
        hidden_mw=nothing,
    )


def _silent(series: Series, edges: Floats) -> Bools:
    """Intervals during which no current was read, not even an old one."""
    times, _ = series.known("current_ma")
    middle = (edges[:-1] + edges[1:]) / 2
    index = np.clip(np.searchsorted(times, middle), 1, len(times) - 1)
    outside = (middle < times[0]) | (middle > times[-1])
    spacing_s = times[index] - times[index - 1]
    silent: Bools = outside | (spacing_s > max(_GAP_POLLS * series.poll_s, _GAP_S))
    return silent


def _hidden_mw(series: Series, gamma_ma2: Floats) -> Floats:
    """Mean of current times mean of voltage, less the mean of their product: R times variance."""
    times, inward = series.known("current_ma")
    together = np.isfinite(series.voltage_mv) & np.isfinite(series.current_ma)
    in_step = together.sum() > 0.9 * len(times)
    if in_step and series.current_hold_s is None:
        return np.zeros(len(gamma_ma2))
    current, voltage = series.current_ma[together], series.voltage_mv[together]
    step_ma, step_mv = np.diff(current), np.diff(voltage)
    power = float(np.sum(step_ma**2))
    ohm = float(np.sum(step_ma * step_mv)) / power if power > 0 and len(inward) > 50 else 0.0
    return max(ohm, _RESISTANCE_OHM) * gamma_ma2 / 1000
