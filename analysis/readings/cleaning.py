"""Readings that no phone can have given: taken out by physics, and told."""

import numpy as np

from analysis.estimation.profile import Bools, Floats
from analysis.readings.freshness import Known

LIMITS = {
    "voltage_mv": (500.0, 10_000.0),
    "current_ma": (-20_000.0, 20_000.0),
    "level_pct": (0.0, 100.0),
    "temperature_c": (-40.0, 100.0),
}
"""Two cells in series; what melts a phone's contacts; a percentage; where no cell works."""

_SPIKE_MV = 600.0
_SPIKE_OHM = 0.5
"""No voltage jumps up and back by more, beyond what the current does over a weak pack."""


def impossible(quantity: str, values: Floats) -> Bools:
    """Readings outside what can be, NaN excepted."""
    low, high = LIMITS[quantity]
    if len(values) and np.fmin.reduce(values) >= low and np.fmax.reduce(values) <= high:
        return np.zeros(len(values), dtype=np.bool_)
    with np.errstate(invalid="ignore"):
        outside: Bools = (values < low) | (values > high)
    return outside


def spikes(voltage_mv: Floats, current_ma: Floats) -> Bools:
    """Single voltages that leave both neighbours the same way and too far, (n,)."""
    found = np.zeros(len(voltage_mv), dtype=np.bool_)
    known = Known.of(voltage_mv, voltage_mv).values
    if len(known) < 3 or np.ptp(known) < _SPIKE_MV:
        return found
    step = np.diff(known)
    if np.abs(step).max() < _SPIKE_MV:
        return found
    at = np.flatnonzero(np.isfinite(voltage_mv))
    drawn = np.nan_to_num(np.abs(np.diff(current_ma[at])))
    far = np.abs(step) > _SPIKE_MV + _SPIKE_OHM * drawn
    found[at[1:-1]] = far[1:] & far[:-1] & (np.sign(step[1:]) != np.sign(step[:-1]))
    return found
