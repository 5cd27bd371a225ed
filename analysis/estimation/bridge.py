"""Charge between anchors: the flow's shape, bent as little as needed to pass the anchors."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import sparse

from analysis.estimation.anchors import Anchors
from analysis.estimation.flow import Flow
from analysis.estimation.profile import S_PER_H, Floats, spread
from analysis.statistics.least_squares import Equations

STEPS = "steps of the counter"
SAMPLING = "current between readings"
GAPS = "gaps, moments of sleep and refresh"
STRAY = "counter straying from the charge"
SCALE = "scale of current against counter"
SLEEP = "draw asleep"

_LEAST_MAH2 = 1e-9
_UNKNOWN_MAH2 = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubts:
    """Sizes of the errors that neither flow nor anchors carry themselves.

    Attributes:
        sampling_ratio: variance between readings against what the flow says.
        scale_u_ratio: standard uncertainty of the current's scale against the counter's.
        unit_u_ratio: the same of the counter's unit, where the current's scale is what counts.
        sleep_u_ma: standard uncertainty of the draw asleep: half its variance is the same in all
            pieces, half differs from piece to piece.
        stray_mah2_per_s: how fast the counter strays from the charge, as a random walk.
    """

    sampling_ratio: float = 1.0
    scale_u_ratio: float = 0.01
    unit_u_ratio: float = 0.0
    sleep_u_ma: float = 0.0
    stray_mah2_per_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridged:
    """Energy and its doubt at borders.

    Attributes:
        energy_mwh: from the first border to each, (b,).
        parts_mwh2: covariance of that by source of error, (b, b) each.
        misfit_ratio: scatter of the anchors about the line, against what was predicted.
    """

    energy_mwh: Floats
    parts_mwh2: dict[str, Floats]
    misfit_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shared:
    """An unknown that concerns many nodes: what it adds to charge and energy per unit."""

    name: str
    u: float
    charge_mah: Floats
    energy_mwh: Floats


def bridge(shape: Flow, anchors: Anchors, borders_s: Floats, doubts: Doubts) -> Bridged:
    """Settles charge at anchors and borders by least squares.

    The error of the flow's charge wanders like a random walk whose variance grows by the flow's
    own; its scale, and what a sleeping phone draws, are unknowns with prior limits; each anchor
    sees the sum through its own noise, and through a second walk if the counter strays or jumps.
    Energies are linear in all of that, so that each source's share of their covariance is exact.

    Args:
        shape: current and power between readings.
        anchors: known charges; none leaves the flow as it is.
        borders_s: ascending, (b,).
        doubts: sizes of the errors.

    References:
        Rauch, Tung, Striebel 1965 (fixed-interval smoothing), here as normal equations; JCGM
        100:2008, 5.2.2 for the covariance of what is linear in independent sources.
    """
    if not len(anchors.t_s):
        return _free(shape, borders_s, doubts)
    nodes = np.unique(np.concatenate([anchors.t_s, borders_s]))
    at_anchor = np.searchsorted(nodes, anchors.t_s)
    n = len(nodes)
    shared = _shared(shape, nodes, borders_s, doubts, anchored=True)
    sampling = doubts.sampling_ratio * np.diff(shape.total("sampling_mah2", nodes))
    walk = np.maximum(sampling + np.diff(shape.total("other_mah2", nodes)), _LEAST_MAH2)
    stray = _stray(anchors, nodes, doubts)
    step = _steps(n)
    pick = sparse.csr_array(
        (np.ones(len(at_anchor)), (np.arange(len(at_anchor)), at_anchor)),
        shape=(len(at_anchor), n),
    )
    charge = np.array([each.charge_mah for each in shared]).reshape(len(shared), n).T
    excess = anchors.charge_mah - shape.charge_mah(anchors.t_s)

    # Unknown are the bend at each node and, if it strays, the counter's lead; and what is shared.
    blank = sparse.csr_array((n - 1, n))
    zero = sparse.csr_array(np.eye(1, n))
    leads = stray is not None

    def states(bend: sparse.csr_array, lead: sparse.csr_array) -> sparse.csr_array:
        return sparse.csr_array(sparse.hstack([bend, lead])) if leads else bend

    equations = Equations(2 * n if leads else n, len(shared))
    share = np.clip(sampling / walk, 0.0, 1.0)
    equations.add(SAMPLING, states(step, blank), np.sqrt(walk), also=(GAPS, 1 - share))
    for k, each in enumerate(shared):
        equations.add(each.name, None, each.u, dense=np.eye(len(shared))[[k]])
    if stray is not None:
        # Bend and lead add up to what an anchor sees: where their common zero lies is a choice.
        equations.add("", states(0 * zero, zero), np.sqrt(_LEAST_MAH2))
        equations.add(STRAY, states(blank, step), np.sqrt(stray))
    equations.add(STEPS, states(pick, pick), anchors.u_mah, dense=charge[at_anchor], wanted=excess)

    # Energy at a border: every bend before it, at the voltage swept meanwhile.
    bends = (nodes[:-1] < borders_s[:, None]) * _swept_volts(shape, nodes)
    levers = np.pad(bends, ((0, 0), (1, 0))) - np.pad(bends, ((0, 0), (0, 1)))
    if leads:
        levers = np.pad(levers, ((0, 0), (0, n)))
    energies = np.array([each.energy_mwh for each in shared]).reshape(len(shared), len(borders_s))
    energies = energies.T - energies[:, 0]
    added, parts = equations.solve(levers, energies)
    flowed = shape.energy_mwh(borders_s)
    return Bridged(
        energy_mwh=flowed - flowed[0] + added,
        parts_mwh2=parts,
        misfit_ratio=equations.misfit_ratio(len(at_anchor) - 1),
    )


def _steps(n: int) -> sparse.csr_array:
    """Differences of neighbours among n values."""
    rows = np.repeat(np.arange(n - 1), 2)
    columns = np.column_stack([np.arange(n - 1), np.arange(1, n)]).ravel()
    signs = np.tile([-1.0, 1.0], n - 1)
    return sparse.csr_array((signs, (rows, columns)), shape=(n - 1, n))


def _free(shape: Flow, borders: Floats, doubts: Doubts) -> Bridged:
    """The flow as it is: errors between readings add up, each of its own."""
    energy = shape.energy_mwh(borders)
    parts = {}
    sampling = doubts.sampling_ratio * shape.sampling_mah2
    for name, variance in ((SAMPLING, sampling), (GAPS, shape.other_mah2)):
        so_far = spread(shape.span_s, variance * shape.mean_v**2, borders)
        parts[name] = np.minimum.outer(so_far, so_far) - so_far[0]
    for each in _shared(shape, borders, borders, doubts, anchored=False):
        lever = (each.energy_mwh - each.energy_mwh[0]) * each.u
        parts[each.name] = parts.get(each.name, 0.0) + np.outer(lever, lever)
    return Bridged(energy_mwh=energy - energy[0], parts_mwh2=parts, misfit_ratio=1.0)


def _shared(
    shape: Flow, nodes: Floats, borders: Floats, doubts: Doubts, *, anchored: bool
) -> list[_Shared]:
    found = []
    if anchored and doubts.scale_u_ratio > 0:
        charge, energy = shape.charge_mah(nodes), shape.energy_mwh(borders)
        found.append(
            _Shared(name=SCALE, u=doubts.scale_u_ratio, charge_mah=charge, energy_mwh=energy)
        )
    if anchored and doubts.unit_u_ratio > 0:
        charge, nothing = shape.charge_mah(nodes), np.zeros(len(borders))
        found.append(
            _Shared(name=SCALE, u=doubts.unit_u_ratio, charge_mah=charge, energy_mwh=nothing)
        )
    if shape.stale_mah is not None and shape.stale_mah.any():
        # All of them alike: anything from nothing to twice as much.
        charge, energy = shape.total("stale_mah", nodes), shape.total("stale_mwh", borders)
        found.append(_Shared(name=GAPS, u=1 / np.sqrt(3.0), charge_mah=charge, energy_mwh=energy))
    if not shape.is_asleep or doubts.sleep_u_ma <= 0:
        return found
    hours = shape.asleep_s / S_PER_H
    slept, slept_v = (
        [spread(shape.span_s, amount, at) for at in (nodes, borders)]
        for amount in (hours, hours * shape.mean_v)
    )
    spans = [(borders[0], borders[-1]), *pairwise(borders)]
    for begin_s, end_s in spans:
        low, high = np.interp([begin_s, end_s], nodes, slept[0])
        low_v, high_v = np.interp([begin_s, end_s], borders, slept_v[1])
        if high > low:
            found.append(
                _Shared(
                    name=SLEEP,
                    u=doubts.sleep_u_ma / np.sqrt(2.0),
                    charge_mah=np.clip(slept[0], low, high),
                    energy_mwh=np.clip(slept_v[1], low_v, high_v),
                )
            )
    return found


def _stray(anchors: Anchors, nodes: Floats, doubts: Doubts) -> Floats | None:
    """Variance of the counter's own walk between neighbouring nodes; None if it keeps still."""
    if doubts.stray_mah2_per_s == 0 and not len(anchors.jump_s):
        return None
    stray = doubts.stray_mah2_per_s * np.diff(nodes)
    middle = (nodes[:-1] + nodes[1:]) / 2
    numbers = np.searchsorted(anchors.t_s, anchors.jump_s)
    jumped = np.isin(np.searchsorted(anchors.t_s, middle), numbers)
    return np.maximum(np.where(jumped, _UNKNOWN_MAH2, stray), _LEAST_MAH2)


def _swept_volts(shape: Flow, nodes: Floats) -> Floats:
    """Voltage at which charge between neighbouring nodes that the flow did not see flowed."""
    swept = np.diff(spread(shape.span_s, shape.doubt_mah2 * shape.mean_v, nodes))
    over = np.diff(shape.total("doubt_mah2", nodes))
    middle = np.interp((nodes[:-1] + nodes[1:]) / 2, shape.span_s[:-1], shape.mean_v)
    volts = np.divide(swept, over, out=middle.copy(), where=over > _LEAST_MAH2)
    result: Floats = np.clip(volts, shape.mean_v.min(), shape.mean_v.max())
    return result
