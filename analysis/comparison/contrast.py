"""Two mean powers against each other: from one run, from runs side by side, from runs apart."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from analysis.estimation.profile import S_PER_H, Floats
from analysis.report import Amount
from analysis.statistics.inference import (
    Interval,
    p_value,
    quotient,
    runs_needed,
    smallest_seen,
    symmetric,
    welch_satterthwaite,
)
from analysis.statistics.pooling import Pooled, paule_mandel

_LEAST_RATIO = 1e-6
"""No mean power is known better than this, whatever an estimate says of itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """The mean power of one activity on one phone in one run.

    Attributes:
        power_mw: out of the battery.
        own_u_mw: standard uncertainty by errors of this activity and run alone.
        shared_mw: by errors of the gauge, the same in all runs of the phone, cause by cause.
        own_n_free: degrees of freedom of `own_u_mw`.
    """

    power_mw: float
    own_u_mw: float
    shared_mw: tuple[float, ...]
    own_n_free: float

    @classmethod
    def of(cls, amount: Amount) -> Self:
        """The rate of an amount that took some time."""
        per_h = S_PER_H / amount.duration_s
        shared = math.hypot(*amount.shared_mwh)
        own = math.sqrt(max(amount.u_mwh**2 - shared**2, 0.0))
        n_free = amount.n_free * (own / amount.u_mwh) ** 4 if own > 0 else math.inf
        return cls(
            power_mw=amount.mean_power_mw,
            own_u_mw=max(own * per_h, _LEAST_RATIO * abs(amount.mean_power_mw)),
            shared_mw=tuple(part * per_h for part in amount.shared_mwh),
            own_n_free=max(n_free, 1.0),
        )

    def relative(self) -> "Rate":
        """Logarithm of the power, uncertainties relative; the power is above 0."""
        return Rate(
            power_mw=math.log(self.power_mw),
            own_u_mw=self.own_u_mw / self.power_mw,
            shared_mw=tuple(part / self.power_mw for part in self.shared_mw),
            own_n_free=self.own_n_free,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """What more runs would have to show.

    Attributes:
        difference: as found.
        run_s: standard deviation from run to run, in the same unit.
        shared_u: standard uncertainty that more runs do not lessen.
        paired: both sides in the same runs.
    """

    difference: float
    run_s: float
    shared_u: float
    paired: bool

    def needed(self) -> int | None:
        """Runs, on each side, with which the difference would be seen with 80 % probability.

        None if no number of runs is enough.
        """
        runs = runs_needed(self.difference, self.run_s, paired=self.paired, shared_u=self.shared_u)
        return None if runs is None else math.ceil(runs - 1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """One mean power against another.

    Attributes:
        ratio: one over the other.
        difference_mw: one less the other.
        p_value: of so large a difference if there is none.
        smallest_seen_ratio: relative difference that would have been seen with 80 % probability.
        n_runs: runs behind it.
        paired: both sides come from the same runs.
        repeats: what more runs would have to show.
    """

    ratio: Interval
    difference_mw: Interval
    p_value: float
    smallest_seen_ratio: float | None
    n_runs: int
    paired: bool
    repeats: Repeats


def once(one: Rate, other: Rate, *, same_gauge: bool = False) -> Contrast:
    """Two mean powers, each measured once.

    Args:
        one: to be compared.
        other: to compare it with.
        same_gauge: one phone twice: errors of its gauge shift both alike, and cancel.
    """
    both = float(np.dot(one.shared_mw, other.shared_mw)) if same_gauge else 0.0
    variance = [r.own_u_mw**2 + _square(r.shared_mw) for r in (one, other)]
    covariance = np.array([[variance[0], both], [both, variance[1]]])
    shared = math.sqrt(max(_square(one.shared_mw) + _square(other.shared_mw) - 2 * both, 0.0))
    u = math.sqrt(one.own_u_mw**2 + other.own_u_mw**2 + shared**2)
    n_free = welch_satterthwaite(
        [one.own_u_mw, other.own_u_mw, shared], [one.own_n_free, other.own_n_free, math.inf]
    )
    difference = one.power_mw - other.power_mw
    seen = smallest_seen(u, n_free) / other.power_mw if other.power_mw > 0 else None
    return Contrast(
        ratio=quotient(one.power_mw, other.power_mw, covariance, n_free),
        difference_mw=symmetric(difference, u, n_free),
        p_value=p_value(difference, u, n_free),
        smallest_seen_ratio=seen,
        n_runs=1,
        paired=True,
        repeats=Repeats(
            difference=difference,
            run_s=math.hypot(one.own_u_mw, other.own_u_mw),
            shared_u=shared,
            paired=True,
        ),
    )


def side_by_side(pairs: Sequence[tuple[Rate, Rate]], *, same_gauge: bool = False) -> Contrast:
    """Two phones that did the same in the same runs; every power above 0.

    What all runs have in common drops out of each run's ratio. The gauges' gains do not: they are
    the same in every run, so they widen the interval once, after the runs have been pooled.
    """
    if len(pairs) == 1:
        return once(*pairs[0], same_gauge=same_gauge)
    ratios, differences = (
        _Paired.of(side, same_gauge=same_gauge)
        for side in ([(a.relative(), b.relative()) for a, b in pairs], pairs)
    )
    return _contrast(ratios, differences, n_runs=len(pairs), paired=True)


def apart(ones: Sequence[Rate], others: Sequence[Rate]) -> Contrast:
    """Two phones that did the same in different runs, once or oftener; every power above 0."""
    if len(ones) == len(others) == 1:
        return once(ones[0], others[0])
    ratios, differences = (
        _Paired.apart(*sides)
        for sides in (
            ([a.relative() for a in ones], [b.relative() for b in others]),
            (ones, others),
        )
    )
    return _contrast(ratios, differences, n_runs=min(len(ones), len(others)), paired=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Paired:
    """A pooled difference: its standard uncertainty by scatter and by what runs share."""

    value: float
    u: float
    n_free: float
    run_s: float
    shared_u: float

    @classmethod
    def of(cls, pairs: Sequence[tuple[Rate, Rate]], *, same_gauge: bool) -> Self:
        values = np.array([a.power_mw - b.power_mw for a, b in pairs])
        variances = np.array([a.own_u_mw**2 + b.own_u_mw**2 for a, b in pairs])
        one, other = (_mean_shared(side) for side in zip(*pairs, strict=True))
        shared2 = _square(one - other) if same_gauge else _square(one) + _square(other)
        pooled = paule_mandel(values, variances)
        return cls(
            value=pooled.mean,
            u=math.sqrt(pooled.scatter_u**2 + shared2),
            n_free=welch_satterthwaite(
                [pooled.scatter_u, math.sqrt(shared2)], [pooled.n_free, math.inf]
            ),
            run_s=math.sqrt(pooled.tau2 + float(np.mean(variances))),
            shared_u=math.sqrt(shared2),
        )

    @classmethod
    def apart(cls, ones: Sequence[Rate], others: Sequence[Rate]) -> Self:
        means, scatter_u, n_free, shared2, run_s2 = [], [], [], 0.0, []
        for side in (ones, others):
            pooled = pool(side)
            means.append(side[0].power_mw if pooled is None else pooled.mean)
            scatter_u.append(side[0].own_u_mw if pooled is None else pooled.scatter_u)
            n_free.append(side[0].own_n_free if pooled is None else pooled.n_free)
            shared2 += _square(_mean_shared(side))
            tau2 = 0.0 if pooled is None else pooled.tau2
            run_s2.append(tau2 + float(np.mean([rate.own_u_mw**2 for rate in side])))
        return cls(
            value=means[0] - means[1],
            u=math.sqrt(sum(u**2 for u in scatter_u) + shared2),
            n_free=welch_satterthwaite([*scatter_u, math.sqrt(shared2)], [*n_free, math.inf]),
            run_s=math.sqrt(float(np.mean(run_s2))),
            shared_u=math.sqrt(shared2),
        )


def pool(rates: Sequence[Rate]) -> Pooled | None:
    """Mean power over runs by own errors and scatter; None for fewer than two."""
    if len(rates) < 2:
        return None
    variances = np.array([rate.own_u_mw**2 for rate in rates])
    return paule_mandel(np.array([rate.power_mw for rate in rates]), variances)


def _contrast(ratios: _Paired, differences: _Paired, *, n_runs: int, paired: bool) -> Contrast:
    span = symmetric(ratios.value, ratios.u, ratios.n_free)
    low, high = (math.exp(min(end or 0.0, 700.0)) for end in (span.lo95, span.hi95))
    return Contrast(
        ratio=Interval(value=math.exp(ratios.value), lo95=low, hi95=high),
        difference_mw=symmetric(differences.value, differences.u, differences.n_free),
        p_value=p_value(ratios.value, ratios.u, ratios.n_free),
        smallest_seen_ratio=math.expm1(min(smallest_seen(ratios.u, ratios.n_free), 700.0)),
        n_runs=n_runs,
        paired=paired,
        repeats=Repeats(
            difference=ratios.value, run_s=ratios.run_s, shared_u=ratios.shared_u, paired=paired
        ),
    )


def _mean_shared(rates: Sequence[Rate]) -> Floats:
    shared: Floats = np.mean([rate.shared_mw for rate in rates], axis=0)
    return shared


def _square(parts: Sequence[float] | Floats) -> float:
    return float(np.sum(np.square(parts)))
