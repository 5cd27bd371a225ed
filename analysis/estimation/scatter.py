"""How far readings scatter from one to the next, and what a sum over them misses."""

import numpy as np

from analysis.estimation.profile import Bools, Floats, Locally, around

_N_TELL = 100
_ALIKE = (0.001, 0.95)
"""Correlation of neighbouring readings: below, it cannot be told from none; above, from a line."""


def scatter(t_s: Floats, value: Floats, linked: Bools) -> tuple[Locally, Floats, Floats]:
    """Half the mean squared difference of neighbours, and variance that a sum over them misses.

    The second, times the squared spacing, is the variance of each spacing's share in the error of
    a trapezoid. Readings are taken for a process whose correlation falls exponentially: what is
    faster than the readings is missed nearly whole, of what is slow a sixth of the first (variance
    of a Brownian bridge's mean). So readings that depend on each other count for more than as many
    independent ones would.

    Args:
        t_s: nodes, ascending, (k + 1,).
        value: at the nodes, (k + 1,).
        linked: whether a node and the next belong together, (k,).

    Returns:
        Where the means are taken, of the k spacings, and both, as that says.
    """
    near = Locally(n=len(linked), n_around=around(t_s))
    both = linked[:-1] & linked[1:]
    gamma = near.products(value, value, linked) / 2
    if near.n_around < _N_TELL:
        # So few neighbours tell only what comes and goes between them; steps leave no trace in it.
        coming = -near.products(value, value, both, ahead=(1, 0))
        missed = np.maximum(coming, gamma / 6)
    else:
        gamma_2 = near.products(value, value, both, lag=2) / 2
        alike = np.divide(gamma_2, gamma, out=np.ones_like(gamma), where=gamma > 0) - 1
        alike = np.clip(alike, *_ALIKE)
        missed = gamma * ((1 + alike) / (1 - alike) + 2 / np.log(alike)) / (1 - alike)
    return near, gamma, missed
