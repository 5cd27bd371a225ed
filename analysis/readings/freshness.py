"""Which readings are new and which only repeat what the phone had in a cache."""

import numpy as np

from analysis.estimation.profile import Bools, Floats, Indices, enough_of, usual, usual_spacing

_N_LEAST = 20
_REGULAR = 0.7
_MOST_POLLS, _LONGEST_S = 100, 100.0
_N_SIZES_AMONG, _N_CHANGES = 10_000, 100_000
_RESOLUTION = 1e-3
"""Raw integers are whole uA, uAh, mV or tenths of degrees: no step is smaller, in mA or mAh."""


def changed(values: Floats) -> Bools:
    """Where a value differs from the one before; the first never does. No NaN allowed."""
    result = np.zeros(len(values), dtype=np.bool_)
    np.not_equal(values[1:], values[:-1], out=result[1:])
    return result


def read(t_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Moments and values of those readings that are there; not copied if all are."""
    there = np.isfinite(values)
    if there.all():
        return t_s, values
    at = np.flatnonzero(there)
    return t_s[at], values[at]


def hold_period_s(t_s: Floats, values: Floats, poll_s: float) -> float | None:
    """Time for which a source repeats a value before it looks again.

    A live source changes with nearly every reading while anything happens; a cached one changes
    at spacings of which even the lower quartile is well above the polling period, and which are
    multiples of one period.

    Returns:
        None for a live source, or if there are too few changes to tell.
    """
    times, known = read(t_s, values)
    if len(times) < 2 * _N_LEAST:
        return None
    read_s = usual_spacing(times)
    before, after = _neighbours(np.flatnonzero(changed(known)))
    spacing_s = times[after] - times[before]
    spacing_s = spacing_s[spacing_s < max(_MOST_POLLS * max(poll_s, read_s), _LONGEST_S)]
    if len(spacing_s) < _N_LEAST:
        return None
    lower_s = usual(spacing_s, 0.25)
    if lower_s <= 1.8 * max(poll_s, read_s):
        return None
    # Readings fall before and after a look by turns: only the mean is not rounded to them.
    period_s = float(np.mean(spacing_s[spacing_s <= 1.75 * lower_s]))
    # A cache looks by the clock; a live value that only changes seldom keeps to no period.
    off_s = np.abs(spacing_s - period_s * np.round(spacing_s / period_s))
    tolerance_s = (0.6 if period_s < 3.3 * read_s else 1.1) * max(poll_s, read_s)
    return period_s if np.mean(off_s < tolerance_s) >= _REGULAR else None


def multi_step_period_s(t_s: Floats, values: Floats, step: float | None) -> float | None:
    """How often a counter looks, from its changes by several steps at once: one look apart.

    Args:
        t_s: moments, (n,).
        values: readings, NaN where there was none, (n,).
        step: see `step_size`.

    Returns:
        None if there are too few such changes.
    """
    times, known = read(t_s, values)
    at = np.flatnonzero(changed(known))
    if step is None or len(at) < _N_LEAST:
        return None
    before, after = _neighbours(at)
    several = np.abs(known[after] - known[after - 1]) > 1.5 * step
    n_readings = (after - before)[several].astype(np.float64)
    if len(n_readings) < _N_LEAST:
        return None
    # Readings fall before and after a look by turns: only the mean is not rounded to them.
    usually = np.mean(n_readings[n_readings <= 2.5 * usual(n_readings, 0.25)])
    return float(usually) * usual_spacing(times)


def _neighbours(at: Indices) -> tuple[Indices, Indices]:
    """Pairs of changes that follow each other: all; of very many, enough of them."""
    some = enough_of(len(at) - 1)
    return at[:-1][some], at[1:][some]


def step_size(values: Floats, n_sizes: int = 1) -> float | None:
    """Greatest common divisor of the changes, in thousandths; of very many, of the first.

    Args:
        values: readings, NaN where there was none.
        n_sizes: how many different changes it takes to believe the divisor.

    Returns:
        None if there were fewer.
    """
    _, known = read(values, values)
    at = np.flatnonzero(changed(known))[:_N_CHANGES]
    steps = np.abs(np.rint((known[at] - known[at - 1]) / _RESOLUTION)).astype(np.int64)
    enough = len(np.unique(steps[:_N_SIZES_AMONG])) >= n_sizes
    return float(np.gcd.reduce(steps)) * _RESOLUTION if enough else None
