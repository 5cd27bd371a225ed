"""Every estimator on one recording of known truth: how wrong it is, and how wrong it said."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.estimation.estimate import Estimate
from analysis.estimators import ESTIMATORS, level
from collector.virtual.loads import MUSIC, POCKET_IDLE, STANDBY
from collector.virtual.profiles import PROFILES
from tests.known_truth.recordings import Recorded

Floats = npt.NDArray[np.float64]
ACTIVE, LIGHT, SLEEPY, IDLE = "active, 0.7–6 W", "music, 0.4 W", "standby, 0.1 W", "idle, 15 mW"
KINDS = (ACTIVE, LIGHT, SLEEPY, IDLE)
_KIND_OF = {MUSIC.name: LIGHT, STANDBY.name: SLEEPY, POCKET_IDLE.name: IDLE}

WHOLE_PERCENTS, TRAPEZOID = "whole percents", "plain trapezoid"
_NOMINAL_V = 3.85
_WANDERING = {profile.name for profile in PROFILES if profile.level_wander}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One segment by one estimator.

    Attributes:
        own_error_mwh: with gain and offset of the gauge itself taken out.
        own_reach_mwh: half width of the 95 % interval without the gauge's own scale; NaN of a
            method that states none.
        reach_mwh: half width of the whole 95 % interval, likewise.
    """

    gauge: str
    seed: int
    rate_hz: float
    kind: str
    estimator: str
    true_mwh: float
    error_mwh: float
    own_error_mwh: float
    own_reach_mwh: float
    reach_mwh: float


def outcomes(recorded: Recorded) -> Iterator[Outcome]:
    """All estimators that the recording allows, and two that state no doubt, over all segments.

    A level that follows the charge exactly is no phone's: the level is judged where it does not.
    """
    series = recorded.series()
    for estimator in ESTIMATORS:
        if estimator is level and recorded.gauge not in _WANDERING:
            continue
        if estimator.can(series):
            found = estimator.estimate(series, recorded.borders_s)
            yield from _judged(recorded, estimator.NAME, found.energy_mwh, found)
    yield from _judged(recorded, WHOLE_PERCENTS, _whole_percents_mwh(recorded))
    if series.has("current_ma"):
        yield from _judged(recorded, TRAPEZOID, _trapezoid_mwh(recorded))


def _judged(
    recorded: Recorded, name: str, energy_mwh: Floats, found: Estimate | None = None
) -> Iterator[Outcome]:
    own = own_scale(recorded, name, energy_mwh)
    reach, own_reach = np.full((2, len(own)), np.nan)
    if found is not None:
        bare = replace(found, components=tuple(c for c in found.components if not c.shared))
        weights = np.eye(len(own))
        reach = np.array([found.reach_mwh(weight) for weight in weights])
        own_reach = np.array([bare.reach_mwh(weight) for weight in weights])
    for k, activity in list(enumerate(recorded.names))[1:-1]:
        yield Outcome(
            gauge=recorded.gauge,
            seed=recorded.seed,
            rate_hz=recorded.rate_hz,
            kind=_KIND_OF.get(activity, ACTIVE),
            estimator=name,
            true_mwh=float(recorded.true_mwh[k]),
            error_mwh=float(energy_mwh[k] - recorded.true_mwh[k]),
            own_error_mwh=float(own[k] - recorded.true_mwh[k]),
            own_reach_mwh=float(own_reach[k]),
            reach_mwh=float(reach[k]),
        )


def _whole_percents_mwh(recorded: Recorded) -> Floats:
    """What a status bar says: each whole percent is a hundredth of the rated energy."""
    times, levels = recorded.columns["t_s"], recorded.columns["level_pct"]
    known = np.isfinite(levels)
    at = np.searchsorted(times[known], recorded.borders_s, side="right") - 1
    shown = levels[known][np.maximum(at, 0)]
    result: Floats = -np.diff(shown) / 100 * recorded.capacity_mah * _NOMINAL_V
    return result


def _trapezoid_mwh(recorded: Recorded) -> Floats:
    """The product of the readings as they come, straight from each to the next, sleep or not."""
    columns = recorded.columns
    there = np.isfinite(columns["current_ma"]) & np.isfinite(columns["voltage_mv"])
    times = columns["t_s"][there]
    power_mw = -columns["current_ma"][there] * columns["voltage_mv"][there] / 1000
    running = np.concatenate(
        [[0.0], np.cumsum(np.diff(times) * (power_mw[1:] + power_mw[:-1]) / 2)]
    )
    result: Floats = np.diff(np.interp(recorded.borders_s, times, running)) / 3600
    return result


def own_scale(recorded: Recorded, estimator: str, energy_mwh: Floats) -> Floats:
    """Energies as the gauge would have given them without its own gain and offset."""
    errors = recorded.errors
    if estimator == level.NAME:
        return energy_mwh / ((1 + errors.voltage_ratio) * (1 + errors.capacity_ratio))
    if estimator == WHOLE_PERCENTS:
        return energy_mwh / (1 + errors.capacity_ratio)
    times, volts = recorded.columns["t_s"], recorded.columns["voltage_mv"] / 1000
    there = np.isfinite(volts)
    curve = np.concatenate([[0.0], np.cumsum(np.diff(times[there]) * volts[there][:-1])])
    swept = np.diff(np.interp(recorded.borders_s, times[there], curve)) / 3600
    gain = (1 + errors.voltage_ratio) * (1 + errors.gain_ratio)
    result: Floats = (energy_mwh + errors.offset_ma * swept) / gain
    return result
