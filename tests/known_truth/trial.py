"""Every estimator on one recording of known truth: how wrong it is, and how wrong it said."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.estimate import Estimate
from analysis.estimators import ESTIMATORS, level
from collector.virtual.loads import MUSIC, POCKET_IDLE, STANDBY
from tests.known_truth.recordings import Recorded

Floats = npt.NDArray[np.float64]
ACTIVE, LIGHT, SLEEPY, IDLE = "active", "music", "standby", "idle, 15 mW"
_CLASSES = {MUSIC.name: LIGHT, STANDBY.name: SLEEPY, POCKET_IDLE.name: IDLE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One segment by one estimator.

    Attributes:
        own_error_mwh: with gain and offset of the gauge itself taken out.
        own_reach_mwh: half width of the 95 % interval without the gauge's own scale.
        reach_mwh: half width of the whole 95 % interval.
    """

    gauge: str
    rate_hz: float
    kind: str
    estimator: str
    true_mwh: float
    error_mwh: float
    own_error_mwh: float
    own_reach_mwh: float
    reach_mwh: float


def outcomes(recorded: Recorded) -> Iterator[Outcome]:
    """All estimators that the recording allows, over all its segments."""
    series = recorded.series()
    for estimator in ESTIMATORS:
        if estimator.can(series):
            found = estimator.estimate(series, recorded.borders_s)
            yield from _segments(recorded, estimator.NAME, found)


def _segments(recorded: Recorded, name: str, found: Estimate) -> Iterator[Outcome]:
    own = own_scale(recorded, name, found.energy_mwh)
    bare = Estimate(
        method=found.method,
        energy_mwh=found.energy_mwh,
        components=tuple(c for c in found.components if not c.shared),
        covered_ratio=found.covered_ratio,
        n_free=found.n_free,
        flags=found.flags,
    )
    for k, activity in list(enumerate(recorded.names))[1:-1]:
        weight = np.eye(len(own))[k]
        yield Outcome(
            gauge=recorded.gauge,
            rate_hz=recorded.rate_hz,
            kind=_CLASSES.get(activity, ACTIVE),
            estimator=name,
            true_mwh=float(recorded.true_mwh[k]),
            error_mwh=float(found.energy_mwh[k] - recorded.true_mwh[k]),
            own_error_mwh=float(own[k] - recorded.true_mwh[k]),
            own_reach_mwh=bare.reach_mwh(weight),
            reach_mwh=found.reach_mwh(weight),
        )


def own_scale(recorded: Recorded, estimator: str, energy_mwh: Floats) -> Floats:
    """Energies as the gauge would have given them without its own gain and offset."""
    errors = recorded.errors
    if estimator == level.NAME:
        return energy_mwh / ((1 + errors.voltage_ratio) * (1 + errors.capacity_ratio))
    times, volts = recorded.columns["t_s"], recorded.columns["voltage_mv"] / 1000
    there = np.isfinite(volts)
    curve = np.concatenate([[0.0], np.cumsum(np.diff(times[there]) * volts[there][:-1])])
    swept = np.diff(np.interp(recorded.borders_s, times[there], curve)) / 3600
    gain = (1 + errors.voltage_ratio) * (1 + errors.gain_ratio)
    result: Floats = (energy_mwh + errors.offset_ma * swept) / gain
    return result


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Many segments of one kind.

    Attributes:
        bias_pct: mean error of the own scale.
        rms_pct: root mean square of the same.
        rms_mwh: the same in mWh.
        own_coverage_pct: of the interval without the gauge's own scale.
        coverage_pct: of the whole interval.
        reach_pct: median half width of the whole interval.
    """

    n: int
    bias_pct: float
    rms_pct: float
    rms_mwh: float
    own_coverage_pct: float
    coverage_pct: float
    reach_pct: float


def cell(found: Iterable[Outcome]) -> Cell:
    """Figures of merit over segments."""
    rows = np.array(
        [(o.true_mwh, o.own_error_mwh, o.own_reach_mwh, o.error_mwh, o.reach_mwh) for o in found]
    )
    true, own, own_reach, error, reach = rows.T
    relative = 100 * own / true
    return Cell(
        n=len(rows),
        bias_pct=float(relative.mean()),
        rms_pct=float(np.sqrt(np.mean(relative**2))),
        rms_mwh=float(np.sqrt(np.mean(own**2))),
        own_coverage_pct=100 * float(np.mean(np.abs(own) <= own_reach)),
        coverage_pct=100 * float(np.mean(np.abs(error) <= reach)),
        reach_pct=float(np.median(100 * reach / true)),
    )
