"""Whole percents of a stated capacity, weighted with the voltage over time."""

from dataclasses import replace

import numpy as np

from analysis.anchors import Looks, find_anchors
from analysis.borders import border_variance, checked, pieces_of
from analysis.bridge import Bridged, bridge
from analysis.errors import CannotEstimateError
from analysis.estimate import Estimate
from analysis.flow import steady_flow
from analysis.profile import Bools, Floats
from analysis.series import Series

NAME = "level"
_LOWEST_PCT = 3.0
_HIGHEST_PCT = 99.0
"""Platforms stretch both ends of the scale."""

_WHITE_PCT = 0.08
_SMOOTH = ((0.25, 5.0), (0.80, 40.0))
"""Error of the map from charge to level: size in points, and over how many points it stays alike;
from a simulation study of run-downs, no other source."""

_UNSEEN_BURST_RATIO = 0.003


def can(series: Series) -> bool:
    """Whether level, voltage and a stated capacity are there."""
    usable = _usable(series.level_pct)
    return (
        series.capacity_mah is not None and int(usable.sum()) >= 2 and series.has("voltage_mv", 1)
    )


def estimate(series: Series, borders_s: Floats) -> Estimate:
    """Energies from the moments at which the level steps; evenly spread between them.

    Raises:
        CannotEstimateError: if level, voltage or the stated capacity are missing.
        SeriesError: if the borders do not ascend.
    """
    if not can(series) or series.capacity_mah is None:
        raise CannotEstimateError(NAME, "level, voltage and stated capacity")
    borders = checked(borders_s)
    point_mah = series.capacity_mah / 100
    usable = _usable(series.level_pct)
    anchors = find_anchors(
        series.t_s[usable],
        series.level_pct[usable] * point_mah,
        Looks(step_mah=point_mah, look_s=series.look_s["level_pct"], poll_s=series.poll_s),
    )
    anchors = replace(anchors, u_mah=np.hypot(anchors.u_mah, _WHITE_PCT * point_mah))
    shape = steady_flow(series, anchors.t_s, anchors.charge_mah)
    bridged = bridge(shape, 1.0, anchors, borders)
    energy = np.diff(bridged.energy_mwh)
    at_borders = bridged.covariance_mwh2 * max(bridged.misfit_ratio, 1.0) ** 2
    at_borders = at_borders + _map_covariance(bridged, point_mah)
    at_borders = at_borders + np.diag(border_variance(series, shape, borders))
    gains = [series.gains.capacity_ratio / np.sqrt(3.0), series.gains.voltage_u_ratio]
    inside_s = np.diff(np.clip(borders, anchors.t_s[0], anchors.t_s[-1]))
    n_steps = np.histogram(anchors.t_s, bins=borders)[0]
    return Estimate(
        method=(NAME,) * len(energy),
        energy_mwh=energy,
        own_covariance_mwh2=pieces_of(at_borders),
        common_u_ratio=np.full(len(energy), float(np.linalg.norm([*gains, _UNSEEN_BURST_RATIO]))),
        common_u_mwh=np.zeros(len(energy)),
        covered_ratio=inside_s / np.diff(borders),
        n_free=np.full(len(energy), np.inf),
        flags=tuple((f"only {n} level steps",) if n < 3 else () for n in n_steps),
        notes=("energies rest on the stated capacity",),
    )


def _usable(level_pct: Floats) -> Bools:
    return (level_pct > _LOWEST_PCT) & (level_pct < _HIGHEST_PCT)


def _map_covariance(bridged: Bridged, point_mah: float) -> Floats:
    points = bridged.charge_mah / point_mah
    apart = np.abs(np.subtract.outer(points, points))
    pct2 = sum(size**2 * np.exp(-apart / reach) for size, reach in _SMOOTH)
    return np.asarray(pct2 * point_mah**2 * np.outer(bridged.volts, bridged.volts))
