"""Several runs of one thing taken together, which may scatter by more than each is in doubt."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2

from analysis.estimation.profile import Floats
from analysis.statistics.inference import COVERAGE, Interval, coverage_factor


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """Values of one quantity under one model of how they scatter.

    Attributes:
        n_runs: how many.
        mean: weighted with the inverse of variance and scatter together.
        u: standard uncertainty of the mean, the variances taken as known.
        scatter_u: the same judged by how the values really scatter, with `n_runs` - 1 degrees of
            freedom; never less than `u`.
        tau2: variance from run to run.
        q: weighted sum of squares about the mean of one common value.
        p_value: of `q`, if the runs did not scatter.
    """

    n_runs: int
    mean: float
    u: float
    scatter_u: float
    tau2: float
    q: float
    p_value: float

    @property
    def n_free(self) -> float:
        """Degrees of freedom of `scatter_u`."""
        return float(self.n_runs - 1)

    def interval(self) -> Interval:
        """95 %, by `scatter_u` and Student's t.

        References:
            Hartung and Knapp 2001, Statistics in Medicine 20, 1771-1782 and 3875-3889; not below
            the width that the variances alone give: Roever, Knapp and Friede 2015, BMC Medical
            Research Methodology 15:99.
        """
        reach = coverage_factor(self.n_free, COVERAGE) * self.scatter_u
        return Interval(value=self.mean, lo95=self.mean - reach, hi95=self.mean + reach)


def fixed(values: Floats, variances: Floats) -> Pooled:
    """One common value, no scatter from run to run."""
    return _pooled(values, variances, 0.0)


def dersimonian_laird(values: Floats, variances: Floats) -> Pooled:
    """Scatter from the moment of Q under fixed weights.

    References:
        DerSimonian and Laird 1986, Controlled Clinical Trials 7, 177-188.
    """
    weight = 1 / variances
    excess = _q(values, variances, 0.0) - (len(values) - 1)
    tau2 = excess / float(np.sum(weight) - np.sum(weight**2) / np.sum(weight))
    return _pooled(values, variances, max(tau2, 0.0))


def paule_mandel(values: Floats, variances: Floats) -> Pooled:
    """Scatter that makes Q what is expected of it.

    References:
        Paule and Mandel 1982, Journal of Research of the NBS 87, 377-385.
    """
    n_free = len(values) - 1

    def excess(tau2: float) -> float:
        return _q(values, variances, tau2) - n_free

    if excess(0.0) <= 0:
        return _pooled(values, variances, 0.0)
    high = float(np.var(values)) * len(values) + float(np.max(variances))
    return _pooled(values, variances, float(brentq(excess, 0.0, high, xtol=1e-15 * high)))


def _q(values: Floats, variances: Floats, tau2: float) -> float:
    weight = 1 / (variances + tau2)
    mean = np.sum(weight * values) / np.sum(weight)
    return float(np.sum(weight * (values - mean) ** 2))


def _pooled(values: Floats, variances: Floats, tau2: float) -> Pooled:
    n_runs = len(values)
    if n_runs < 2 or variances.shape != values.shape or not (variances > 0).all():
        raise ValueError("pooling needs two or more values, each with a variance above zero")
    weight = 1 / (variances + tau2)
    u = float(np.sqrt(1 / np.sum(weight)))
    q = _q(values, variances, 0.0)
    wider = _q(values, variances, tau2) / (n_runs - 1)
    return Pooled(
        n_runs=n_runs,
        mean=float(np.sum(weight * values) / np.sum(weight)),
        u=u,
        scatter_u=u * float(np.sqrt(max(wider, 1.0))),
        tau2=tau2,
        q=q,
        p_value=float(chi2.sf(q, n_runs - 1)),
    )
