"""How far a 95 % interval reaches, for errors that are partly normal and partly rectangular."""

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from analysis.statistics.inference import COVERAGE, coverage_factor


def reach95(normal_u: float, rectangular_u: float, n_free: float = np.inf) -> float:
    """Half width of the symmetric interval that holds 95 % of the sum of two errors.

    A rectangular error that outweighs the rest needs 1.65 standard uncertainties, a normal one
    1.96 and few degrees of freedom more.

    Args:
        normal_u: standard uncertainty of the normal part.
        rectangular_u: standard uncertainty of the rectangular part.
        n_free: degrees of freedom of the normal part.

    References:
        JCGM 100:2008, G.6.5 and G.3.2; the convolution of both in closed form.
    """
    factor = coverage_factor(n_free)
    sigma = normal_u * factor / coverage_factor()
    half = float(rectangular_u * np.sqrt(3.0))
    if half <= 1e-6 * sigma or half == 0:
        return normal_u * factor
    if sigma <= 1e-6 * half:
        return float(COVERAGE * half)

    def missing(reach: float) -> float:
        ends = np.array([reach + half, reach - half, half - reach, -reach - half])
        density = np.exp(-((ends / sigma) ** 2) / 2) / np.sqrt(2 * np.pi)
        area = ends * ndtr(ends / sigma) + sigma * density
        return float(area @ [1.0, -1.0, -1.0, 1.0]) / (2 * half) - COVERAGE

    found: float = brentq(missing, 0.0, 10 * sigma + half)
    return found
