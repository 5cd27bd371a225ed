"""The charge of a full run against the rated capacity: a figure of plausibility."""

from dataclasses import dataclass

import numpy as np

from analysis.errors import NotEnoughError
from analysis.estimation.choose import best
from analysis.estimation.flow import flow
from analysis.estimators import level
from analysis.lasting.fullrun import why_not_full
from analysis.readings.recording import Recording
from analysis.readings.run import Run
from analysis.readings.series import Series
from analysis.statistics.inference import Interval, quotient, rectangular_u


@dataclass(frozen=True, slots=True, kw_only=True)
class Closure:
    """The charge a full run took against the rated capacity: plausible or not, no calibration.

    Attributes:
        phone: label.
        charge_mah: from 100 % to shut-off, by the phone's gauge.
        rated_mah: as stated.
        ratio: of the two; the stated capacity's own tolerance is in the interval.
    """

    phone: str
    charge_mah: float
    rated_mah: float
    ratio: Interval


def closure(recording: Recording) -> Closure:
    """The charge of a full run against the rated capacity.

    Raises:
        NotEnoughError: if the run is not from 100 % to shut-off, or no capacity is stated, or
            the charge rests on that capacity itself.
    """
    series, rated_mah = recording.series(), recording.entry.capacity_mah
    where = recording.phone
    if missing := why_not_full(recording, series):
        raise NotEnoughError(where, f"closure needs a run from 100 % to shut-off; {missing}")
    if rated_mah is None:
        raise NotEnoughError(where, "no rated capacity is stated")
    ends_s = series.t_s[[0, -1]]
    estimate = best(series, ends_s, where=where)
    if estimate.method[0] == level.NAME:
        raise NotEnoughError(
            where, "its charge is known from the level and the rated capacity alone"
        )
    volts = _mean_volts(series)
    charge_mah = float(estimate.energy_mwh[0]) / volts
    u = float(estimate.u_mwh[0]) / volts
    rated_u = rated_mah * rectangular_u(series.gains.capacity_ratio)
    return Closure(
        phone=where,
        charge_mah=charge_mah,
        rated_mah=rated_mah,
        ratio=quotient(charge_mah, rated_mah, np.diag([u**2, rated_u**2])),
    )


def closures(run: Run, phone: str | None) -> tuple[tuple[Closure, ...], tuple[str, ...]]:
    """Closure of each phone, or of one, and why some have none.

    Raises:
        NotEnoughError: if none has.
    """
    found, why_not = [], []
    for recording in run.recordings if phone is None else [run.recording(phone)]:
        try:
            found.append(closure(recording))
        except NotEnoughError as exc:
            why_not.append(str(exc))
    if not found:
        raise NotEnoughError(str(run.path), "; ".join(why_not))
    return tuple(found), tuple(why_not)


def _mean_volts(series: Series) -> float:
    """Mean over the charge where current was read, else over time."""
    if series.has("current_ma"):
        seen = flow(series)
        charge = seen.charge_mah(series.t_s[-1:])[0]
        if charge > 0:
            return float(seen.energy_mwh(series.t_s[-1:])[0] / charge)
    return series.mean_voltage_mv() / 1000
