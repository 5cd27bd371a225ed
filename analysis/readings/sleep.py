"""When the phone slept, from two clocks of which one stands still meanwhile."""

from functools import lru_cache

import numpy as np

from analysis.estimation.profile import N_AT_ONCE, Bools, Floats, running
from analysis.readings.series import Series

_LEAST_S = 0.3
_LEAST_RATIO = 0.2


@lru_cache(maxsize=N_AT_ONCE)
def sleeps(series: Series) -> Floats:
    """Stretches of sleep, begin and end of each, ascending, (n, 2).

    What the awake clock is short of between two of its readings is shared among the spacings of
    readings that last longer than a polling period. In each, the phone was awake for as long
    after the last reading as before the next, for all that is known.
    """
    times, awake_s = series.known("awake_s")
    if len(times) < 2:
        return np.empty((0, 2))
    short_s = np.diff(times) - np.diff(awake_s)
    short_s = np.where(short_s > _LEAST_S, short_s, 0.0)
    if not short_s.any():
        return np.empty((0, 2))
    ticks = series.t_s
    tick_s = np.diff(ticks)
    excess_s = np.where(tick_s > series.poll_s + _LEAST_S, tick_s - series.poll_s, 0.0)
    so_far = running(excess_s)
    at = np.searchsorted(ticks, times)
    available = so_far[at[1:]] - so_far[at[:-1]]
    share = np.divide(short_s, available, out=np.zeros_like(short_s), where=available > 0)
    pair = np.clip(np.searchsorted(times, ticks[:-1], side="right") - 1, 0, len(share) - 1)
    known = (ticks[:-1] >= times[0]) & (ticks[:-1] < times[-1])
    asleep_s = np.where(known, np.minimum(share[pair] * excess_s, tick_s), 0.0)
    slept = asleep_s > np.maximum(_LEAST_S, _LEAST_RATIO * tick_s)
    awake_half_s = (tick_s - asleep_s)[slept] / 2
    return np.column_stack([ticks[:-1][slept] + awake_half_s, ticks[1:][slept] - awake_half_s])


def within(stretches_s: Floats, at_s: Floats) -> Bools:
    """Whether each moment lies inside one of the stretches."""
    if not len(stretches_s):
        return np.zeros(len(at_s), dtype=np.bool_)
    inside: Bools = np.searchsorted(stretches_s.ravel(), at_s) % 2 == 1
    return inside


def spanned(stretches_s: Floats, edges_s: Floats) -> Bools:
    """Whether the middle of each interval between edges lies inside one of the stretches, (k,)."""
    n = len(edges_s) - 1
    inside = np.zeros(n, dtype=np.bool_)
    at = np.clip(np.searchsorted(edges_s, stretches_s, side="right") - 1, 0, n - 1)
    n_before = at + ((edges_s[at] + edges_s[at + 1]) / 2 <= stretches_s)
    n_before = n_before[n_before[:, 0] < n_before[:, 1]]
    if len(n_before):
        begun = np.zeros(n + 1, dtype=np.int32)
        np.add.at(begun, n_before[:, 0], 1)
        np.add.at(begun, n_before[:, 1], -1)
        np.greater(np.cumsum(begun[:-1]), 0, out=inside)
    return inside


def slept_s(stretches_s: Floats, at_s: Floats) -> Floats:
    """Seconds inside the stretches up to each moment, (n,)."""
    if not len(stretches_s):
        return np.zeros(len(at_s))
    inside = np.cumsum(np.diff(stretches_s, axis=1).ravel())
    level = np.column_stack([np.concatenate([[0.0], inside[:-1]]), inside]).ravel()
    result: Floats = np.interp(at_s, stretches_s.ravel(), level)
    return result
