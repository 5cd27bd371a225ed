"""Voltage giving way under bursts that current readings only see blurred."""

from dataclasses import dataclass

import numpy as np

from analysis.estimation.profile import Bools, Floats, Locally, around, enough_that

_OHM = 0.1
_OHM_LIMITS = (0.05, 0.4)
"""Pack and contacts where the readings do not tell; common practice, no source."""

_N_LEAST = 50
_LEAST_CORRELATION = 0.4
_LAG = 3
"""Means of neighbouring windows share a voltage; further apart they have nothing in common."""

_DOUBT, _DOUBT_ELSEWHERE, _DOUBT_BY_DEFAULT = 0.15, 0.2, 0.8
"""How far off the correction may be with a resistance out of the readings, out of others beside
them, and with the default; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """How voltage and current of neighbouring intervals move together.

    Attributes:
        at_s: moments, ascending, (n,).
        excess_mw: what the product of the readings has too much, (n,).
        ohm: resistance that the readings show, or the default.
        doubt_ratio: how far off the excess may be, half width.
    """

    at_s: Floats
    excess_mw: Floats
    ohm: float = _OHM
    doubt_ratio: float = 0.0


def blur(
    t_s: Floats,
    voltage_mv: Floats,
    current_ma: Floats,
    linked: Bools,
    *,
    live: bool,
    ohm: float | None = None,
) -> Blur:
    """What the product of voltage and current readings overstates the power by.

    The voltage is read at moments, and its scatter from one to the next is the current's true
    scatter through the resistance: a mean product less than the product of means by the variance
    of the voltage over the resistance. What of it the readings' own product has is taken off; the
    rest was lost when the gauge averaged its current, or when voltage and current were not read
    together.

    Args:
        t_s: moments at which the voltage was new, (n,).
        voltage_mv: at these moments, (n,).
        current_ma: into the battery: at these moments if live, else mean over the time since
            the moment before (the first is not used), (n,).
        linked: whether a moment and the next belong together, (n - 1,).
        live: whether both were read together at moments.
        ohm: resistance, where it is known from elsewhere.
    """
    if live:
        beside_mv, beside_ma, regular = voltage_mv, current_ma, linked
    else:
        beside_mv = np.concatenate([voltage_mv[:1], (voltage_mv[1:] + voltage_mv[:-1]) / 2])
        # A moment's voltage stands between the mean current before and the one after it.
        beside_ma = np.concatenate([(current_ma[1:] + current_ma[:-1]) / 2, current_ma[-1:]])
        regular = linked & np.concatenate([linked[1:], [False]])
    doubt = _DOUBT if ohm is None else _DOUBT_ELSEWHERE
    if ohm is None:
        at = enough_that(regular)
        steps_mv, steps_ma = (x[at + 1] - x[at] for x in (voltage_mv, beside_ma))
        ohm = _ohm(steps_mv, steps_ma, live=live)
    lag = 1 if live else _LAG
    if len(t_s) <= 2 * lag:
        return Blur(at_s=t_s[:1], excess_mw=np.zeros(1), ohm=ohm)
    whole = np.ones(len(t_s) - 2 * lag, dtype=bool)
    if not linked.all():
        broken = np.concatenate([[0], np.cumsum(~linked)])
        whole = broken[2 * lag :] == broken[: -2 * lag]
    near = Locally(n=len(whole), n_around=around(t_s))
    scatter_mv2 = _wavering(near, voltage_mv, voltage_mv, lag, whole)
    together = _wavering(near, beside_mv, current_ma, lag, whole)
    excess_mw = np.maximum(scatter_mv2 / ohm - together, 0.0) / 1000
    return Blur(
        at_s=t_s[lag:-lag][near.middle],
        excess_mw=excess_mw,
        ohm=ohm,
        doubt_ratio=_doubt_ratio(near.n_around, _DOUBT_BY_DEFAULT if ohm == _OHM else doubt),
    )


def _doubt_ratio(n_around: int, resistance_ratio: float) -> float:
    """Half width: by the resistance, and by how well so many readings tell a variance."""
    few = np.sqrt(3.0) * np.sqrt(2.0 / (2 * n_around + 1))
    return float(np.hypot(resistance_ratio, few))


def _wavering(near: Locally, one: Floats, other: Floats, lag: int, whole: Bools) -> Floats:
    """Covariance of what comes and goes: means of products of successive steps.

    A drift, and a change that stays, leave no trace in them.
    """
    forth = near.products(one, other, whole, lag=lag, ahead=(lag, 0))
    if one is other:
        return -forth
    return -(forth + near.products(one, other, whole, lag=lag, ahead=(0, lag))) / 2


def _ohm(step_mv: Floats, step_ma: Floats, *, live: bool) -> float:
    """Resistance by which the voltage follows the current.

    The process is taken for one whose correlation falls exponentially. A live current is a mean
    over a short time before the voltage's moment: the slope is too small. A mean over the spacings
    on both sides of the moment is steadier than the voltage: the slope is too large. How far the
    two hang together tells by how much.
    """
    power = float(step_ma @ step_ma)
    if len(step_ma) < _N_LEAST or power == 0:
        return _OHM
    together = float(step_ma @ step_mv)
    alike = together / np.sqrt(power * max(float(step_mv @ step_mv), 1e-12))
    if alike < _LEAST_CORRELATION:
        return _OHM
    slope = together / power
    slope *= float(np.interp(alike**2, *(_BEFORE if live else _BOTH_SIDES)))
    return float(np.clip(slope, *_OHM_LIMITS))


_WINDOW = np.geomspace(1e-3, 30.0, 200)
"""Window of the mean over the correlation time."""

_MOMENT = -np.expm1(-_WINDOW) / _WINDOW
_MEAN = 2 * (_WINDOW + np.expm1(-_WINDOW)) / _WINDOW**2
"""Covariance of a mean with the moment at its end, and its variance, both over the variance of
moments."""

_STEP = -np.expm1(-_WINDOW)
_MEAN_STEP = _MEAN - _MOMENT**2 * np.exp(-_WINDOW)
"""The same for steps from one moment to the next, a window apart, and of the means beside them,
each over twice the variance of moments."""

_BEFORE = (_MOMENT**2 / _MEAN)[::-1], (_MEAN / _MOMENT)[::-1]
_BOTH_SIDES = (_MOMENT**2 * _STEP / _MEAN_STEP)[::-1], (_MEAN_STEP / (2 * _MOMENT * _STEP))[::-1]
"""Squared correlation, and what a slope is to be multiplied with."""
