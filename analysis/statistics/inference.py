"""Standard uncertainties put together, and what follows from them: intervals, tests, repeats."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.stats import nct
from scipy.stats import t as student

from analysis.estimation.profile import Floats, running

COVERAGE = 0.95
POWER = 0.8
"""Probability with which a difference of the smallest size that counts as visible is seen."""

_MOST_RUNS = 1e4
_MOST_N_FREE = 1e5


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A value with its 95 % interval; None for an end without limit."""

    value: float
    lo95: float | None
    hi95: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """Readings of one thing that follow each other.

    Attributes:
        mean: of all.
        s: standard deviation, of n - 1.
        autocorrelation: of neighbours.
        n_effective: independent readings that would tell as much.
        mean_u: standard uncertainty of the mean.
    """

    mean: float
    s: float
    autocorrelation: float
    n_effective: float
    mean_u: float


def rectangular_u(half_width: float) -> float:
    """Standard uncertainty of what lies anywhere within +- `half_width` (JCGM 100:2008, 4.3.7)."""
    return half_width / math.sqrt(3.0)


@lru_cache(maxsize=1024)
def coverage_factor(n_free: float = math.inf, coverage: float = COVERAGE) -> float:
    """By how many standard uncertainties an interval reaches to each side (JCGM 100:2008, G.3)."""
    return float(student.ppf((1 + coverage) / 2, n_free))


def welch_satterthwaite(u: npt.ArrayLike, n_free: npt.ArrayLike) -> float:
    """Degrees of freedom of a root sum of squares, cut to a whole number, at least 1.

    References:
        JCGM 100:2008, G.4.1 and its note.
    """
    parts = np.asarray(u, dtype=np.float64)
    total = float(np.sum(parts**2)) ** 2
    doubt = float(np.sum(parts**4 / np.asarray(n_free, dtype=np.float64)))
    if doubt <= total / _MOST_N_FREE:
        return math.inf
    return max(float(math.floor(total / doubt * (1 + 1e-12))), 1.0)


def propagated(sensitivity: Floats, covariance: Floats) -> Floats:
    """Covariance of results, (k, k), from that of their m inputs and derivatives, (k, m).

    References:
        JCGM 100:2008, 5.2.2 and F.1.2.
    """
    result: Floats = sensitivity @ covariance @ sensitivity.T
    return result


def symmetric(value: float, u: float, n_free: float = math.inf) -> Interval:
    """The interval of a value with its standard uncertainty."""
    reach = coverage_factor(n_free) * u
    return Interval(value=value, lo95=value - reach, hi95=value + reach)


def quotient(top: float, bottom: float, covariance: Floats, n_free: float = math.inf) -> Interval:
    """The interval of top / bottom, both positive if they were known exactly.

    It leaves out 1 exactly when the interval of top - bottom leaves out 0.

    Args:
        top: value above the line.
        bottom: value below the line.
        covariance: of the two in this order, (2, 2).
        n_free: degrees of freedom of their uncertainties.

    References:
        Fieller 1954, Journal of the Royal Statistical Society B 16, 175-185.
    """
    k2 = coverage_factor(n_free) ** 2
    (var_top, both), (_, var_bottom) = covariance.tolist()
    a, b, c = bottom**2 - k2 * var_bottom, top * bottom - k2 * both, top**2 - k2 * var_top
    value = top / bottom if bottom else math.nan
    inside = b**2 - a * c
    if a == 0 or inside < 0:
        return Interval(value=value, lo95=0.0, hi95=None)
    low, high = sorted(((b - math.sqrt(inside)) / a, (b + math.sqrt(inside)) / a))
    if a > 0:
        return Interval(value=value, lo95=max(low, 0.0), hi95=high)
    # Beyond both ends instead of between them; the part below 0 is impossible.
    return Interval(value=value, lo95=high if low <= 0 < high else 0.0, hi95=None)


def p_value(difference: float, u: float, n_free: float = math.inf) -> float:
    """How probable a difference at least so large is, on either side, if there is none."""
    if u <= 0:
        return 1.0 if difference == 0 else 0.0
    return float(2 * student.sf(abs(difference) / u, n_free))


def holm(p_values: Sequence[float]) -> list[float]:
    """The p-values adjusted for being many, in the order given.

    References:
        Holm 1979, Scandinavian Journal of Statistics 6, 65-70.
    """
    adjusted = [0.0] * len(p_values)
    so_far = 0.0
    for n_before, k in enumerate(sorted(range(len(p_values)), key=lambda k: p_values[k])):
        so_far = max(so_far, min((len(p_values) - n_before) * p_values[k], 1.0))
        adjusted[k] = so_far
    return adjusted


def smallest_seen(u: float, n_free: float = math.inf) -> float:
    """The difference that is seen with probability `POWER` by a test at 5 %."""
    return (coverage_factor(n_free) + float(student.ppf(POWER, n_free))) * u


def runs_needed(
    difference: float, run_s: float, *, paired: bool, shared_u: float = 0.0
) -> float | None:
    """Runs with which a difference would be seen with probability `POWER` by a t test at 5 %.

    Args:
        difference: the true one, supposed.
        run_s: standard deviation from run to run, of the differences if paired, else of each side.
        paired: both sides in the same runs; else so many runs on each side.
        shared_u: standard uncertainty of the difference that repeats do not lessen.

    Returns:
        Not rounded; None if no number of runs is enough.
    """

    def short_of(n_runs: float) -> float:
        own2 = run_s**2 * (1 if paired else 2) / n_runs
        total2 = own2 + shared_u**2
        n_free = (n_runs - 1) * (1 if paired else 2) * (total2 / own2) ** 2
        n_free = min(n_free, _MOST_N_FREE)
        limit, shift = float(student.ppf(0.975, n_free)), abs(difference) / math.sqrt(total2)
        return float(nct.sf(limit, n_free, shift)) - POWER

    if difference == 0 or short_of(_MOST_RUNS) < 0:
        return None
    fewest = 2.0
    return fewest if short_of(fewest) >= 0 else float(brentq(short_of, fewest, _MOST_RUNS))


def sample(values: Floats) -> Sample:
    """Mean and scatter of readings in a row, of which neighbours may resemble each other.

    References:
        JCGM 100:2008, 4.2.7; first-order autocorrelation as NIST StRD defines it.
    """
    n = len(values)
    mean = float(np.mean(values))
    apart = values - mean
    s = float(np.sqrt(np.sum(apart**2) / (n - 1))) if n > 1 else math.nan
    total = float(np.sum(apart**2))
    r = float(np.sum(apart[1:] * apart[:-1])) / total if total else 0.0
    n_effective = n * (1 - r) / (1 + r) if r > 0 else float(n)
    return Sample(
        mean=mean,
        s=s,
        autocorrelation=r,
        n_effective=n_effective,
        mean_u=s / math.sqrt(n_effective),
    )


def allan_deviation(values: Floats, n_averaged: int, *, overlapping: bool = False) -> float:
    """Scatter between neighbouring averages of `n_averaged` readings each.

    References:
        NIST SP 1065, 5.2.2 and 5.2.4.
    """
    step = 1 if overlapping else n_averaged
    total = running(values)
    means = (total[n_averaged:] - total[:-n_averaged])[::step] / n_averaged
    apart = means[n_averaged // step :] - means[: -n_averaged // step]
    return float(np.sqrt(np.mean(apart**2) / 2)) if len(apart) else math.nan
