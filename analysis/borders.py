"""Borders between pieces of time, and how doubt about a border passes into its two pieces."""

import numpy as np
import numpy.typing as npt

from analysis.errors import SeriesError
from analysis.flow import Flow
from analysis.profile import S_PER_H, Floats
from analysis.series import Series

_AROUND_S = 30.0


def checked(borders_s: npt.ArrayLike) -> Floats:
    """The borders as an array.

    Raises:
        SeriesError: unless there are two or more and they ascend.
    """
    borders = np.asarray(borders_s, dtype=np.float64)
    if borders.ndim != 1 or len(borders) < 2 or not (np.diff(borders) > 0).all():
        raise SeriesError("borders_s", "needs two or more strictly ascending moments")
    return borders


def piece_sums(seen: Flow, amount: Floats, borders: Floats) -> Floats:
    """What of an amount given per interval of the flow falls into each piece, (m,)."""
    return np.diff(seen.total(amount, borders))


def pieces_of(at_borders: Floats) -> Floats:
    """Covariance of the pieces, (m, m), from that of running totals at their borders, (b, b)."""
    result: Floats = np.diff(np.diff(at_borders, axis=0), axis=1)
    return result


def border_variance(series: Series, seen: Flow, borders: Floats) -> Floats:
    """Variance of the running total at each border from when the border is, mWh^2, (b,).

    A border that comes too early takes from one piece what it gives to the next; so it drops out
    of their sum. A border at or beyond the ends of the recording is in no doubt.
    """
    window_s = series.current_hold_s or series.poll_s
    stamp_s = series.poll_s / np.sqrt(12.0) if series.current_hold_s else 0.0
    timing_s = np.hypot(series.clock_u_s, stamp_s)
    power = seen.power_near_mw(borders, _AROUND_S)
    index = np.clip(np.searchsorted(seen.edges_s, borders) - 1, 0, len(seen.mean_v) - 1)
    within = seen.gamma_ma2[index] * (window_s / 2 * seen.mean_v[index]) ** 2
    inner = (borders > series.t_s[0]) & (borders < series.t_s[-1])
    variance: Floats = np.where(inner, (power * timing_s) ** 2 + within, 0.0) / S_PER_H**2
    return variance
