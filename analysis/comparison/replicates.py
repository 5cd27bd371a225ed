"""What one activity took on one phone over several runs, and how the runs scatter."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.comparison.contrast import Rate
from analysis.statistics.inference import Interval, coverage_factor, welch_satterthwaite
from analysis.statistics.pooling import Pooled, dersimonian_laird, paule_mandel


@dataclass(frozen=True, slots=True, kw_only=True)
class Replicate:
    """Mean power of one activity on one phone over runs.

    Attributes:
        activity: name of the segment, untrusted text.
        occurrence: from 1; 0 for the whole run.
        phone: label.
        n_runs: how many, at least two.
        mean_power_mw: by Paule and Mandel, 95 % by Hartung and Knapp, gain of the gauge included.
        dersimonian_laird_mw: the same by DerSimonian and Laird.
        run_s_mw: standard deviation from run to run beyond what each run's doubt explains.
        p_value: of scatter like this if the runs did not differ.
    """

    activity: str
    occurrence: int
    phone: str
    n_runs: int
    mean_power_mw: Interval
    dersimonian_laird_mw: Interval
    run_s_mw: float
    p_value: float


def replicate(key: tuple[str, int], phone: str, rates: Sequence[Rate]) -> Replicate:
    """Several runs of one activity on one phone taken together."""
    values = np.array([rate.power_mw for rate in rates])
    variances = np.array([rate.own_u_mw**2 for rate in rates])
    shared = float(np.linalg.norm(np.mean([rate.shared_mw for rate in rates], axis=0)))
    main = paule_mandel(values, variances)
    return Replicate(
        activity=key[0],
        occurrence=key[1],
        phone=phone,
        n_runs=len(rates),
        mean_power_mw=_interval(main, shared),
        dersimonian_laird_mw=_interval(dersimonian_laird(values, variances), shared),
        run_s_mw=main.tau2**0.5,
        p_value=main.p_value,
    )


def _interval(pooled: Pooled, shared_u: float) -> Interval:
    n_free = welch_satterthwaite([pooled.scatter_u, shared_u], [pooled.n_free, np.inf])
    reach = coverage_factor(n_free) * float(np.hypot(pooled.scatter_u, shared_u))
    return Interval(value=pooled.mean, lo95=pooled.mean - reach, hi95=pooled.mean + reach)
