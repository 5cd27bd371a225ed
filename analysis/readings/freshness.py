"""Which readings are new and which only repeat what the phone had in a cache."""

from dataclasses import dataclass
from functools import cached_property
from typing import Self

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


@dataclass(frozen=True, kw_only=True, eq=False)
class Known:
    """What was read of one quantity.

    Attributes:
        t_s: moments, ascending, (n,).
        values: none missing, (n,).
    """

    t_s: Floats
    values: Floats

    @classmethod
    def of(cls, t_s: Floats, values: Floats) -> Self:
        """Those readings that are there; not copied if all are."""
        there = np.isfinite(values)
        if there.all():
            return cls(t_s=t_s, values=values)
        at = np.flatnonzero(there)
        return cls(t_s=t_s[at], values=values[at])

    def __len__(self) -> int:
        return len(self.t_s)

    @cached_property
    def news(self) -> Indices:
        """Which readings differ from the one before, ascending, (m,)."""
        return np.flatnonzero(changed(self.values))

    @property
    def before_s(self) -> Floats:
        """Last readings of old values, (m,)."""
        return self.t_s[self.news - 1]

    @property
    def seen_s(self) -> Floats:
        """First readings of new values, (m,)."""
        return self.t_s[self.news]

    def n_new(self, at_s: Floats) -> Indices:
        """How many new values had been seen before some moments."""
        return np.searchsorted(self.news, np.searchsorted(self.t_s, at_s))

    def brief(self) -> Self:
        """First and last reading of each value, which is all that its steps tell."""
        kept = np.zeros(len(self), dtype=np.bool_)
        kept[:1] = kept[-1:] = kept[self.news] = kept[self.news - 1] = True
        return self.where(kept)

    def where(self, kept: Bools) -> Self:
        """Some of the readings."""
        return type(self)(t_s=self.t_s[kept], values=self.values[kept])


def hold_period_s(known: Known, poll_s: float) -> float | None:
    """Time for which a source repeats a value before it looks again.

    A live source changes with nearly every reading while anything happens; a cached one changes
    at spacings of which even the lower quartile is well above the polling period, and which are
    multiples of one period.

    Returns:
        None for a live source, or if there are too few changes to tell.
    """
    if len(known) < 2 * _N_LEAST:
        return None
    read_s = usual_spacing(known.t_s)
    before, after = _neighbours(known.news)
    spacing_s = known.t_s[after] - known.t_s[before]
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


def multi_step_period_s(known: Known, step: float | None) -> float | None:
    """How often a counter looks, from its changes by several steps at once: one look apart.

    Args:
        known: its readings.
        step: see `step_size`.

    Returns:
        None if there are too few such changes.
    """
    at = known.news
    if step is None or len(at) < _N_LEAST:
        return None
    before, after = _neighbours(at)
    several = np.abs(known.values[after] - known.values[after - 1]) > 1.5 * step
    n_readings = (after - before)[several].astype(np.float64)
    if len(n_readings) < _N_LEAST:
        return None
    # Readings fall before and after a look by turns: only the mean is not rounded to them.
    usually = np.mean(n_readings[n_readings <= 2.5 * usual(n_readings, 0.25)])
    return float(usually) * usual_spacing(known.t_s)


def _neighbours(at: Indices) -> tuple[Indices, Indices]:
    """Pairs of changes that follow each other: all; of very many, enough of them."""
    some = enough_of(len(at) - 1)
    return at[:-1][some], at[1:][some]


def step_size(known: Known, n_sizes: int = 1) -> float | None:
    """Greatest common divisor of the changes, in thousandths; of very many, of the first.

    Args:
        known: the readings.
        n_sizes: how many different changes it takes to believe the divisor.

    Returns:
        None if there were fewer.
    """
    at = known.news[:_N_CHANGES]
    apart = known.values[at] - known.values[at - 1]
    steps = np.abs(np.rint(apart / _RESOLUTION)).astype(np.int64)
    enough = len(np.unique(steps[:_N_SIZES_AMONG])) >= n_sizes
    return float(np.gcd.reduce(steps)) * _RESOLUTION if enough else None
