"""Which readings are new and which only repeat what the phone had in a cache."""

import numpy as np

from analysis.estimation.profile import Bools, Floats, usual

_N_LEAST = 20
_REGULAR = 0.75
_MOST_POLLS, _LONGEST_S = 100, 100.0
_N_SIZES_AMONG = 10_000
_RESOLUTION = 1e-3
"""Raw integers are whole uA, uAh, mV or tenths of degrees: no step is smaller, in mA or mAh."""


def changed(values: Floats) -> Bools:
    """Where a value differs from the one before; the first never does. No NaN allowed."""
    return np.concatenate([[False], np.diff(values) != 0])


def hold_period_s(t_s: Floats, values: Floats, poll_s: float) -> float | None:
    """Time for which a source repeats a value before it looks again.

    A live source changes with nearly every reading while anything happens; a cached one changes
    at spacings of which even the lower quartile is well above the polling period, and which are
    multiples of one period.

    Returns:
        None for a live source, or if there are too few changes to tell.
    """
    there = np.isfinite(values)
    times = t_s[there]
    n_read = len(times)
    if n_read < 2 * _N_LEAST:
        return None
    read_s = usual(np.diff(times))
    spacing_s = np.diff(times[changed(values[there])])
    spacing_s = spacing_s[spacing_s < max(_MOST_POLLS * max(poll_s, read_s), _LONGEST_S)]
    if len(spacing_s) < _N_LEAST:
        return None
    lower_s = usual(spacing_s, 0.25)
    if lower_s <= 1.8 * max(poll_s, read_s):
        return None
    period_s = usual(spacing_s[spacing_s <= 1.5 * lower_s])
    # A cache looks by the clock; a live value that only changes seldom keeps to no period.
    off_s = np.abs(spacing_s - period_s * np.round(spacing_s / period_s))
    tolerance_s = (0.6 if period_s < 4 * read_s else 1.1) * max(poll_s, read_s)
    return period_s if np.mean(off_s < tolerance_s) >= _REGULAR else None


def multi_step_period_s(t_s: Floats, values: Floats) -> float | None:
    """How often a counter looks, from its changes by several steps at once: one look apart.

    Returns:
        None if there are too few such changes.
    """
    lsb = step_size(values)
    there = np.isfinite(values)
    times, known = t_s[there], values[there]
    at = np.flatnonzero(changed(known))
    if lsb is None or len(at) < _N_LEAST:
        return None
    several = np.abs(np.diff(known)[at[1:] - 1]) > 1.5 * lsb
    spacing_s = np.diff(times[at])[several]
    if len(spacing_s) < _N_LEAST:
        return None
    # Readings fall before and after a look by turns: only the mean is not rounded to them.
    return float(np.mean(spacing_s[spacing_s <= 1.5 * usual(spacing_s, 0.25)]))


def step_size(values: Floats, n_sizes: int = 1) -> float | None:
    """Greatest common divisor of all changes, in thousandths.

    Args:
        values: readings, NaN where there was none.
        n_sizes: how many different changes it takes to believe the divisor.

    Returns:
        None if there were fewer.
    """
    known = values[np.isfinite(values)]
    steps = np.diff(known)
    steps = np.abs(np.round(steps[steps != 0] / _RESOLUTION)).astype(np.int64)
    enough = len(np.unique(steps[:_N_SIZES_AMONG])) >= n_sizes
    return float(np.gcd.reduce(steps)) * _RESOLUTION if enough else None
