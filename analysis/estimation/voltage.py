"""What voltage readings overstate, and what they miss, between one and the next."""

import numpy as np

from analysis.estimation.profile import (
    S_PER_H,
    Bools,
    Curve,
    Floats,
    Indices,
    usual_spacing,
    wider,
)
from analysis.estimation.sag import Blur, blur
from analysis.estimation.scatter import scatter
from analysis.readings.series import Series
from analysis.readings.sleep import slept_s

_N_LEAST = 5
_MOST_BLUR_RATIO = 0.01
_MOST_SPACINGS = 5
_TOGETHER_RATIO = 0.9


def blur_of(
    series: Series, current: Curve, unread_s: Floats, *, read: bool, ohm: float | None = None
) -> Blur:
    """What the power has too much, seen at each new voltage.

    Args:
        series: for the voltage.
        current: that was multiplied with it.
        unread_s: begin and end of stretches without readings, (n, 2).
        read: whether that current was read; else it is even between moments of known charge.
        ohm: resistance, where it is known from elsewhere.
    """
    together = _read_together(series) if read and series.current_hold_s is None else None
    if together is not None:
        t_s, volts, beside = (
            x[together] for x in (series.t_s, series.voltage_mv, series.current_ma)
        )
    else:
        t_s, volts = series.voltages()
        hours = np.diff(t_s) / S_PER_H
        mean = -np.diff(current.integral(t_s)) / np.where(hours > 0, hours, np.inf)
        beside = np.concatenate([mean[:1], mean])
    if len(t_s) < _N_LEAST:
        return Blur(at_s=series.t_s[:1], excess_mw=np.zeros(1))
    linked = ~wider(t_s, _longest_s(t_s))
    if len(unread_s):
        linked &= np.diff(slept_s(unread_s, t_s)) == 0
    return blur(t_s, volts, beside, linked, live=together is not None, ohm=ohm)


def _read_together(series: Series) -> slice | Indices | None:
    """Readings of both voltage and current; None if most currents were read without a voltage."""
    n_read = len(series.read("current_ma"))
    if n_read == len(series.read("voltage_mv")) == len(series.t_s):
        return slice(None)
    both = np.flatnonzero(np.isfinite(series.current_ma) & np.isfinite(series.voltage_mv))
    return both if len(both) > _TOGETHER_RATIO * n_read else None


def excess_mw(
    seen: Blur, middle: Floats, mean_ma: Floats, mean_v: Floats, unread: Bools
) -> Floats:
    """How much too high the power is in each span of a flow, (m,).

    Args:
        seen: from `blur_of`.
        middle: of the spans, (m,).
        mean_ma: current in each, (m,).
        mean_v: voltage in each, (m,).
        unread: where nothing can be said, and nothing is taken off, (m,).
    """
    most_mw = _MOST_BLUR_RATIO * np.abs(mean_ma) * mean_v
    excess = np.minimum(np.interp(middle, seen.at_s, seen.excess_mw), most_mw)
    return np.where(unread, 0.0, excess)


def _longest_s(t_s: Floats) -> float:
    """Spacing beyond which two readings do not belong together."""
    return _MOST_SPACINGS * usual_spacing(t_s)


def voltage_mwh2(series: Series, span_s: Floats, mean_ma: Floats) -> Floats:
    """Variance of each span's energy by the voltage between its readings, (m,).

    Args:
        series: for the voltage.
        span_s: edges of the spans, (m + 1,).
        mean_ma: current in each, (m,).
    """
    t_s, volts = series.voltages()
    if len(t_s) < _N_LEAST:
        return np.zeros(len(mean_ma))
    most_s = _longest_s(t_s)
    near, _, missed = scatter(t_s, volts, ~wider(t_s, most_s))
    at = np.searchsorted(t_s, (span_s[:-1] + span_s[1:]) / 2, side="right") - 1
    at = np.clip(at, 0, len(t_s) - 2)
    # The error of a mean over n spacings d is missed / n: per second of time, missed * d.
    per_s = near.at(missed, at) * np.minimum(t_s[at + 1] - t_s[at], most_s)
    variance: Floats = per_s * mean_ma**2 * np.diff(span_s) / (1000 * S_PER_H) ** 2
    return variance


def load_ma(series: Series, at_s: Floats) -> Floats:
    """Current out of the battery beside the voltages read about a moment."""
    times, inward = series.known("current_ma")
    result: Floats = np.interp(at_s, times, -inward)
    return result
