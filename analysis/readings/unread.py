"""When nothing was read of a phone, or nothing new though it was awake."""

from functools import lru_cache

import numpy as np

from analysis.estimation.profile import N_AT_ONCE, Bools, Floats, running, wider
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps, slept_s, spanned

_GAP_S, _GAP_POLLS = 5.0, 5.0
_N_BESIDE = 10
_FROZEN_S, _FROZEN_LOOKS = 300.0, 20.0
_N_CURRENTS, _N_NEWS = 50, 20


def silent(series: Series, times: Floats, edges: Floats) -> Bools:
    """Intervals during which a quantity was not read, not even an old value, (k,).

    Readings that are far apart among others just as far apart are a slower pace; but not where the
    phone may have slept between them for all that is known, and a counter tells better.

    Args:
        series: for how often it was polled, and when the phone slept.
        times: when the quantity was read.
        edges: of the intervals, (k + 1,).
    """
    wide = np.flatnonzero(wider(times, max(_GAP_POLLS * series.poll_s, _GAP_S)))
    if len(wide) and (series.has("awake_s") or not len(series.read("counter_mah").news)):
        awake_s = np.diff(times - slept_s(sleeps(series), times))
        beside = np.add.outer(wide, np.arange(-_N_BESIDE, _N_BESIDE + 1))
        around_s = np.median(awake_s[np.clip(beside, 0, len(awake_s) - 1)], axis=1)
        wide = wide[np.diff(times)[wide] > _GAP_POLLS * around_s]
    since_s = np.concatenate([[-np.inf], times[wide], times[-1:]])
    until_s = np.concatenate([times[:1], times[wide + 1], [np.inf]])
    return spanned(np.column_stack([since_s, until_s]), edges)


@lru_cache(maxsize=N_AT_ONCE)
def missed(series: Series) -> Bools:
    """Intervals between readings in which an awake phone was not read at all, (n - 1,)."""
    return silent(series, series.t_s, series.t_s) & ~spanned(sleeps(series), series.t_s)


@lru_cache(maxsize=N_AT_ONCE)
def frozen(series: Series) -> Floats:
    """Stretches in which current and voltage repeat themselves though they are usually refreshed.

    Time asleep or without readings does not count.

    Returns:
        First and last reading of each stretch, ascending, (n, 2).
    """
    name = "current_ma" if series.has("current_ma", _N_CURRENTS) else "voltage_mv"
    known, voltage = series.read(name), series.read("voltage_mv")
    none = np.empty((0, 2))
    if len(known.news) < _N_NEWS:
        return none
    look_s = series.current_hold_s if name == "current_ma" else None
    limit_s = max(_FROZEN_LOOKS * (look_s or series.look_s.get(name, series.poll_s)), _FROZEN_S)
    # A stretch that long has a whole quarter of it without anything new.
    quarters_s = np.arange(known.t_s[0], known.t_s[-1] + limit_s / 4, limit_s / 4)
    if np.diff(known.n_new(quarters_s)).all():
        return none
    first = np.concatenate([[0], known.news])
    last = np.concatenate([known.news, [len(known)]]) - 1
    long = known.t_s[last] - known.t_s[first] > limit_s
    first, last = first[long], last[long]
    idle = spanned(sleeps(series), known.t_s) | silent(series, known.t_s, known.t_s)
    read_s = running(np.where(idle, 0.0, np.diff(known.t_s)))
    stretches = np.column_stack([known.t_s[first], known.t_s[last]])
    n_seen = np.searchsorted(voltage.seen_s, stretches, side="right")
    stuck = (read_s[last] - read_s[first] > limit_s) & (n_seen[:, 0] == n_seen[:, 1])
    result: Floats = stretches[stuck]
    return result
