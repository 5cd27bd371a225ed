"""Percent-only phones: the moments at which the level stepped, and a stated capacity."""

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.linalg import qr, solve_triangular
from scipy.optimize import nnls

from analysis.errors import CannotEstimateError
from analysis.estimation.anchors import Anchors, Looks, find_anchors
from analysis.estimation.borders import checked
from analysis.estimation.counting import level_steps
from analysis.estimation.estimate import Cause, Component, Estimate
from analysis.estimation.profile import Curve, Floats
from analysis.estimation.settle import voltage_gain
from analysis.readings.freshness import Known
from analysis.readings.series import Series
from parsers.text import so_many

NAME = "level"
_WHITE_PCT = 0.08
_SMOOTH = ((0.25, 5.0), (0.80, 40.0))
"""Error of the map from charge to level: size in points, and over how many points it stays alike;
from a simulation study of run-downs, no other source."""

_PRIOR_RATIO = 3.0
"""How far a piece's power may be from the mean; common practice, no source."""

_SIZES = np.geomspace(0.03, 20.0, 6)
_LOG_SIZE_U = np.log(3.0)
"""Variance of one phone's map against the study's, 1 on average, and how much its logarithm
scatters; common practice, no source."""

_PUSHED_RATIO = 0.8
_UNSEEN_BURST_RATIO = 0.003
"""Voltage gives way under bursts that no reading shows; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """Mean power of each piece in mW, (m,), and its covariance, (m, m)."""

    power_mw: Floats
    covariance_mw2: Floats


def can(series: Series) -> bool:
    """Whether level, voltage and a stated capacity are there."""
    return (
        series.capacity_mah is not None
        and len(level_steps(series)) >= 2
        and series.has("voltage_mv", 1)
    )


def estimate(series: Series, borders_s: Floats) -> Estimate:
    """Energies from one mean power per piece, such that the charge fits when the level stepped.

    Raises:
        CannotEstimateError: if level, voltage or the stated capacity are missing.
        SeriesError: if the borders do not ascend.
    """
    if not can(series) or series.capacity_mah is None:
        raise CannotEstimateError(NAME, "level, voltage and stated capacity")
    borders = checked(borders_s)
    point_mah = series.capacity_mah / 100
    level = level_steps(series)
    in_mah = Known(t_s=level.t_s, values=level.values * point_mah)
    ticks = find_anchors(in_mah, _looks(series, point_mah))
    before, after = series.t_s[0] < borders[0], series.t_s[-1] > borders[-1]
    outer = np.concatenate([series.t_s[:1][[before]], borders, series.t_s[-1:][[after]]])
    fit = _fit(series, ticks, outer, point_mah)
    mine = slice(int(before), len(outer) - 1 - int(after))
    hours = np.diff(borders) / 3600
    energy = fit.power_mw[mine] * hours
    own = fit.covariance_mw2[mine, mine] * np.outer(hours, hours)
    inside_s = np.diff(np.clip(borders, ticks.t_s[0], ticks.t_s[-1]))
    n_steps = np.histogram(ticks.t_s, bins=borders)[0]
    return Estimate(
        method=(NAME,) * len(energy),
        energy_mwh=energy,
        components=(
            Component(
                name="level steps and the map from charge to level",
                kind="A",
                distribution="normal",
                source="scatter of the steps; shape from a simulation study, no other source",
                covariance_mwh2=own,
            ),
            Component.common(Cause.CAPACITY, series.gains.capacity_ratio / np.sqrt(3.0) * energy),
            voltage_gain(series, energy),
            Component.common(Cause.UNSEEN_BURSTS, _UNSEEN_BURST_RATIO * energy),
        ),
        covered_ratio=inside_s / np.diff(borders),
        n_free=np.full(len(energy), np.inf),
        flags=tuple((f"only {so_many(int(n), 'level step')}",) if n < 3 else () for n in n_steps),
        notes=(
            "energies rest on the stated capacity",
            _gain_text(series, point_mah, np.sqrt(np.diag(own))),
        ),
    )


def _gain_text(series: Series, point_mah: float, u_mwh: Floats) -> str:
    # Difference of two whole percents: triangular over two points (JCGM 100:2008, 4.3.9).
    whole_mwh = point_mah * series.mean_voltage_mv() / 1000 / np.sqrt(6.0)
    return (
        f"the moments of the level's steps leave {np.median(u_mwh):.0f} mWh of uncertainty per "
        f"piece, whole percents would leave {whole_mwh:.0f} mWh"
    )


def _looks(series: Series, point_mah: float) -> Looks:
    """A platform tells a new level at once, or at its next turn: then it waited since the last."""
    look_s, poll_s = series.look_s["level_pct"], series.poll_s
    refreshed = series.refreshed("level_pct")
    if refreshed is not None:
        seen_s = series.read("level_pct").seen_s
        at = refreshed.last(seen_s) - 1
        waited_s = (seen_s - refreshed.seen_s[np.maximum(at, 0)])[at >= 0]
        if len(waited_s) and np.median(waited_s) < _PUSHED_RATIO * look_s:
            look_s, refreshed = poll_s, None
    return Looks(step_mah=point_mah, look_s=look_s, poll_s=poll_s, refreshed=refreshed)


def _fit(series: Series, ticks: Anchors, borders: Floats, point_mah: float) -> _Fit:
    """Generalised least squares for mean powers that are not negative.

    Between borders the power is level; the charge drawn by a tick is the sum of powers times
    the integral of 1/V. The zero of the charge is unknown as well.
    """
    design = _hours_per_volt(series, ticks.t_s, borders)
    drawn = ticks.charge_mah - ticks.charge_mah[0]
    whole = design.sum(axis=1)
    mean_mw = max(float(drawn[-1] / max(whole[-1] - whole[0], 1e-9)), 1.0)
    unknown = np.column_stack([design, np.ones(len(drawn))])
    limits = np.pad(np.eye(design.shape[1]) / (_PRIOR_RATIO * mean_mw), ((0, 0), (0, 1)))
    expected = limits[:, :-1].sum(axis=1) * mean_mw
    noise = _noise(ticks, point_mah, unknown, drawn, (limits, expected))
    root = np.linalg.cholesky(noise)
    rows = np.vstack([solve_triangular(root, unknown, lower=True), limits])
    wanted = np.concatenate([solve_triangular(root, drawn, lower=True), expected])
    solved, _ = nnls(np.column_stack([rows, -rows[:, -1]]), wanted)
    normal = rows.T @ rows
    covariance = np.linalg.inv(normal + 1e-12 * np.eye(len(normal)))[:-1, :-1]
    return _Fit(power_mw=solved[:-2], covariance_mw2=covariance)


def _noise(
    ticks: Anchors,
    point_mah: float,
    unknown: Floats,
    drawn_mah: Floats,
    prior: tuple[Floats, Floats],
) -> Floats:
    """Covariance of the steps' charges by their moments and this phone's map.

    How good the map is differs from phone to phone, in what is rough and in what is slow: each
    pair of sizes is weighed by how likely it makes the steps, whatever the powers are.

    References:
        Patterson, Thompson 1971: restricted likelihood.
    """
    moments, (rough, slow) = np.diag(ticks.u_mah**2), _map_covariances(ticks, point_mah)
    told, stated = np.column_stack([unknown, drawn_mah]), np.column_stack(prior)
    sizes = np.array(list(product(_SIZES, _SIZES)))
    likely = -0.5 * np.sum((np.log(sizes) / _LOG_SIZE_U + _LOG_SIZE_U / 2) ** 2, axis=1)
    for k, (rough_size, slow_size) in enumerate(sizes):
        root = np.linalg.cholesky(moments + rough_size * rough + slow_size * slow)
        triangle = qr(np.vstack([solve_triangular(root, told, lower=True), stated]), mode="r")[0]
        spread = np.abs(np.append(np.diag(root), np.diag(triangle)[:-1]))
        likely[k] -= 0.5 * triangle[len(triangle[0]) - 1, -1] ** 2 + np.log(spread).sum()
    weight = np.exp(likely - likely.max())
    rough_size, slow_size = weight @ sizes / weight.sum()
    return np.asarray(moments + rough_size * rough + slow_size * slow)


def _hours_per_volt(series: Series, at_s: Floats, borders: Floats) -> Floats:
    """Charge drawn up to each moment per unit of each piece's power, mAh per mW, (n, m)."""
    inner = series.some_s
    inner = inner[(inner > borders[0]) & (inner < borders[-1])]
    edges = np.unique(np.concatenate([borders, inner]))
    per_volt = 1000 / series.voltage_at(edges)
    curve = Curve(edges_s=edges, start=per_volt[:-1], end=per_volt[1:])
    total = curve.integral(np.clip(at_s[:, None], borders[:-1], borders[1:]).ravel())
    result: Floats = total.reshape(len(at_s), -1) - curve.integral(borders[:-1])
    return result


def _map_covariances(ticks: Anchors, point_mah: float) -> tuple[Floats, Floats]:
    """Of a map's errors that are alike over few points, or none, and over many."""
    points = ticks.charge_mah / point_mah
    apart = np.abs(np.subtract.outer(points, points))
    rough, slow = (size**2 * np.exp(-apart / reach) for size, reach in _SMOOTH)
    rough += _WHITE_PCT**2 * np.eye(len(points))
    return rough * point_mah**2, slow * point_mah**2
