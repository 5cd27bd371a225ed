"""Charge between anchors: the flow's shape, bent as little as needed to pass the anchors."""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

from analysis.anchors import Anchors
from analysis.flow import Flow
from analysis.profile import Floats

_LEAST_MAH2 = 1e-12
_AROUND_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridged:
    """Energy and its doubt at borders.

    Attributes:
        energy_mwh: from the first node to each border, (b,).
        charge_mah: from an unknown zero, (b,).
        charge_covariance_mah2: (b, b).
        volts: mean voltage about each border, (b,).
        misfit_ratio: scatter of the anchors about the line, against what was predicted.
    """

    energy_mwh: Floats
    charge_mah: Floats
    charge_covariance_mah2: Floats
    volts: Floats
    misfit_ratio: float

    @property
    def covariance_mwh2(self) -> Floats:
        """Covariance of the energies at the borders, (b, b)."""
        return self.charge_covariance_mah2 * np.outer(self.volts, self.volts)


def bridge(shape: Flow, scale: float, anchors: Anchors, borders_s: Floats) -> Bridged:
    """Settles charge at anchors and borders by least squares.

    The error of the flow's charge wanders like a random walk whose variance grows by the flow's
    own; each anchor sees it through its own noise. The normal equations link neighbours only, so
    one banded solution gives the best line, and one per border its covariances.

    Args:
        shape: current and power between readings.
        scale: what the flow's charge is to be multiplied with to match the anchors.
        anchors: known charges, at least one.
        borders_s: ascending, (b,).

    References:
        Rauch, Tung, Striebel 1965 (fixed-interval smoothing), here as normal equations.
    """
    nodes = np.unique(np.concatenate([anchors.t_s, borders_s]))
    at_anchor = np.searchsorted(nodes, anchors.t_s)
    at_border = np.searchsorted(nodes, borders_s)
    variance = shape.variance_mah2 + shape.sleep_variance_mah2
    walk = np.maximum(np.diff(shape.total(variance, nodes)), _LEAST_MAH2)
    told = scale * shape.charge_mah(nodes)
    weight = np.zeros(len(nodes))
    weight[at_anchor] = anchors.u_mah**-2.0
    excess = np.zeros(len(nodes))
    excess[at_anchor] = anchors.charge_mah - told[at_anchor]

    banded = np.zeros((2, len(nodes)))
    banded[1] = weight
    banded[1, 1:] += 1 / walk
    banded[1, :-1] += 1 / walk
    banded[0, 1:] = -1 / walk
    columns = np.zeros((len(nodes), len(borders_s) + 1))
    columns[:, 0] = weight * excess
    columns[at_border, np.arange(len(borders_s)) + 1] = 1.0
    solved = solveh_banded(banded, columns)
    bent, covariance = solved[:, 0], solved[at_border, 1:]

    swept = np.diff(shape.total(variance * shape.mean_v, nodes))
    volts = np.divide(swept, walk, out=np.zeros_like(swept), where=walk > _LEAST_MAH2)
    volts = np.where(volts > 0, volts, np.interp((nodes[:-1] + nodes[1:]) / 2, *_voltage(shape)))
    energy = np.diff(scale * shape.energy_mwh(nodes)) + np.diff(bent) * volts
    at_nodes = np.concatenate([[0.0], np.cumsum(energy)])
    return Bridged(
        energy_mwh=at_nodes[at_border],
        charge_mah=(told + bent)[at_border],
        charge_covariance_mah2=covariance,
        volts=_mean_volts(shape, borders_s),
        misfit_ratio=_misfit(anchors, (excess - bent)[at_anchor], np.diff(bent), walk),
    )


def _misfit(anchors: Anchors, residual: Floats, bends: Floats, walk: Floats) -> float:
    """Root of the least-squares sum over its degrees of freedom; 1 if as predicted."""
    total = float(np.sum((residual / anchors.u_mah) ** 2) + np.sum(bends**2 / walk))
    n_free = len(anchors.t_s) - 1
    return float(np.sqrt(total / n_free)) if n_free > 0 else 1.0


def _voltage(shape: Flow) -> tuple[Floats, Floats]:
    return (shape.edges_s[:-1] + shape.edges_s[1:]) / 2, shape.mean_v


def _mean_volts(shape: Flow, at_s: Floats) -> Floats:
    low = np.maximum(at_s - _AROUND_S, shape.edges_s[0])
    high = np.minimum(at_s + _AROUND_S, shape.edges_s[-1])
    swept = shape.total(shape.mean_v * shape.width_s, high)
    swept = swept - shape.total(shape.mean_v * shape.width_s, low)
    result: Floats = swept / (high - low)
    return result
