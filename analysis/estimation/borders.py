"""Borders between pieces of time, and how doubt about a border passes into its two pieces."""

import numpy as np
import numpy.typing as npt

from analysis.errors import SeriesError
from analysis.estimation.flow import Amounts, Flow
from analysis.estimation.profile import S_PER_H, Bools, Floats
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps

_AROUND_S = 30.0
_STEP_RATIO = 0.1
_LEAST_AWAKE_S = 1.0
_LATENCY_RATIO = 0.12
"""Of a cache's hold; found on virtual phones, no other source."""


def checked(borders_s: npt.ArrayLike) -> Floats:
    """The borders as an array.

    Raises:
        SeriesError: unless there are two or more and they ascend.
    """
    borders = np.asarray(borders_s, dtype=np.float64)
    if borders.ndim != 1 or len(borders) < 2 or not (np.diff(borders) > 0).all():
        raise SeriesError("borders_s", "needs two or more strictly ascending moments")
    return borders


def piece_sums(seen: Flow, name: Amounts, borders: Floats) -> Floats:
    """What of an amount given per interval of the flow falls into each piece, (m,)."""
    return np.diff(seen.total(name, borders))


def pieces_of(at_borders: Floats) -> Floats:
    """Covariance of the pieces, (m, m), from that of running totals at their borders, (b, b)."""
    result: Floats = np.diff(np.diff(at_borders, axis=0), axis=1)
    return result


def border_variance(
    series: Series, seen: Flow, borders: Floats, *, counted: bool = False
) -> Floats:
    """Variance of the running total at each border from when the border is, mWh^2, (b,).

    A border that comes too early takes from one piece what it gives to the next; so it drops out
    of their sum. A border at or beyond the ends of the recording is in no doubt.

    Args:
        series: for its clock and how it was polled.
        seen: power about the borders.
        borders: ascending.
        counted: a counter stands on both sides, so that what a reading spans is known from it.
    """
    window_s = series.current_hold_s or series.poll_s
    power = seen.power_near_mw(borders, _AROUND_S)
    index = np.clip(np.searchsorted(seen.span_s, borders) - 1, 0, len(seen.mean_v) - 1)
    within = seen.gamma_ma2[index] * (window_s / 2 * seen.mean_v[index]) ** 2
    within = np.zeros(len(borders)) if counted else within
    if counted and seen.hold_s is not None:
        within = _latency_mws(series, seen, borders, index) ** 2
    within = within + _drowsy_mws(series, seen, borders) ** 2
    variance = np.where(_inner(series, borders), (power * series.clock_u_s) ** 2 + within, 0.0)
    return variance / S_PER_H**2


def lag_mwh(series: Series, seen: Flow, borders: Floats) -> Floats:
    """What of the running total a source that is late holds back at each border, mWh, (b,).

    How late it is cannot be seen closer than its readings are apart; it is the same at all of
    them.
    """
    if series.current_hold_s is None:
        return np.zeros(len(borders))
    before_mw = seen.power_near_mw(borders - _AROUND_S, _AROUND_S)
    lag_s = series.poll_s / np.sqrt(12.0)
    return np.where(_inner(series, borders), lag_s * before_mw / S_PER_H, 0.0)


def _inner(series: Series, borders: Floats) -> Bools:
    """Which borders lie within the recording."""
    inner: Bools = (borders > series.t_s[0]) & (borders < series.t_s[-1])
    return inner


def _latency_mws(
    series: Series, seen: Flow, borders: Floats, index: npt.NDArray[np.intp]
) -> Floats:
    """How far a cache may put power on the wrong side of a border, mW s, (b,).

    What is not known of its moments shifts the whole flow by a part of its hold; a counter on both
    sides keeps that within half a step.
    """
    apart_s = _AROUND_S + series.poll_s
    before, after = (seen.power_near_mw(borders + x, _AROUND_S) for x in (-apart_s, apart_s))
    shifted = _LATENCY_RATIO * (seen.hold_s or 0.0) * np.abs(before - after)
    step_mws = (series.counter_lsb_mah or 0.0) / 2 * seen.mean_v[index] * S_PER_H
    return np.minimum(shifted, step_mws)


def _drowsy_mws(series: Series, seen: Flow, borders: Floats) -> Floats:
    """What a phone drew between its last reading and its sleep, mW s, (b,).

    Nobody sees how the polling period that it was awake between two readings divides before and
    after the sleep; that matters where a border lies in the sleep, or beside it.
    """
    stretches = sleeps(series)
    if not len(stretches):
        return np.zeros(len(borders))
    at = np.clip(np.searchsorted(stretches[:, 1] + series.poll_s, borders), 0, len(stretches) - 1)
    begin_s, end_s = stretches[at].T
    near = (borders > begin_s - series.poll_s) & (borders < end_s + series.poll_s)
    around_s = series.poll_s / 2
    beside = (seen.power_near_mw(x, around_s) for x in (begin_s - around_s, end_s + around_s))
    return np.where(near, np.maximum(*beside) * series.poll_s / np.sqrt(12.0), 0.0)


def border_shift_mwh(seen: Flow, borders: Floats) -> Floats:
    """What belongs to the piece before each border beyond what the flow says, mWh, (b,).

    The flow is even within a window, or straight between two readings. A border is where one
    activity ends and another begins: where the power differs, it steps there, from its mean before
    to its mean after, and the interval as a whole stays as it was read.
    """
    edges = seen.edges_s if seen.even_s is None else seen.even_s
    index = _interval(edges, borders)
    begin_s, end_s = edges[index], edges[index + 1]
    low, high = edges[0], edges[-1]
    before = np.maximum(begin_s - _AROUND_S, low)
    after = np.minimum(end_s + _AROUND_S, high)
    at = np.array([before, begin_s, np.clip(borders, begin_s, end_s), end_s, after])
    # Asleep hardly anything flows: what counts is how long it was awake.
    awake_s = np.diff(at, axis=0) - np.diff(seen.total("asleep_s", at), axis=0)
    flowed_mwh = np.diff(seen.energy_mwh(at.ravel()).reshape(at.shape), axis=0)
    before_mw, after_mw = flowed_mwh[[0, 3]] / np.maximum(awake_s[[0, 3]], _LEAST_AWAKE_S)
    shared_s = awake_s[1] * awake_s[2] / np.maximum(awake_s[1] + awake_s[2], _LEAST_AWAKE_S)
    inner = seen.measured[_interval(seen.span_s, borders)] & (begin_s > low) & (end_s < high)
    evenly = 0.5 if seen.even_s is None else 1.0
    stepped = np.abs(before_mw - after_mw) > _STEP_RATIO * np.abs(before_mw + after_mw) / 2
    return np.where(inner & stepped, evenly * shared_s * (before_mw - after_mw), 0.0)


def _interval(edges: Floats, at_s: Floats) -> npt.NDArray[np.intp]:
    """In which interval each moment lies, the first or last one beyond the ends."""
    return np.clip(np.searchsorted(edges, at_s, side="right") - 1, 0, len(edges) - 2)
