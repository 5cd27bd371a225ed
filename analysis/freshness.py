"""Which readings are new and which only repeat what the phone had in a cache."""

import numpy as np

from analysis.profile import Bools, Floats

_N_LEAST = 20
_RESOLUTION = 1e-3
"""Raw integers are whole uA, uAh, mV or tenths of degrees: no step is smaller, in mA or mAh."""


def changed(values: Floats) -> Bools:
    """Where a value differs from the one before; the first never does. No NaN allowed."""
    return np.concatenate([[False], np.diff(values) != 0])


def hold_period_s(t_s: Floats, values: Floats, poll_s: float) -> float | None:
    """Time for which a source repeats a value before it looks again.

    A live source changes with nearly every reading while anything happens; a cached one changes
    at spacings of which even the lower quartile is well above the polling period.

    Returns:
        None for a live source, or if there are too few changes to tell.
    """
    there = np.isfinite(values)
    times = t_s[there]
    n_read = len(times)
    if n_read < 2 * _N_LEAST:
        return None
    read_s = float(np.median(np.diff(times)))
    spacing_s = np.diff(times[changed(values[there])])
    spacing_s = spacing_s[spacing_s < 100 * max(poll_s, read_s)]
    if len(spacing_s) < _N_LEAST:
        return None
    lower_s = float(np.quantile(spacing_s, 0.25))
    if lower_s <= 1.8 * max(poll_s, read_s):
        return None
    return float(np.median(spacing_s[spacing_s <= 1.5 * lower_s]))


def step_size(values: Floats, n_sizes: int = 1) -> float | None:
    """Greatest common divisor of all changes, in thousandths.

    Args:
        values: readings, NaN where there was none.
        n_sizes: how many different changes it takes to believe the divisor.

    Returns:
        None if there were fewer.
    """
    known = values[np.isfinite(values)]
    steps = np.abs(np.round(np.diff(known) / _RESOLUTION)).astype(np.int64)
    steps = steps[steps > 0]
    enough = len(np.unique(steps)) >= n_sizes
    return float(np.gcd.reduce(steps)) * _RESOLUTION if enough else None
