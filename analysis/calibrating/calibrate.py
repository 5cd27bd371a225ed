"""A phone's gauge against an external meter that measured the same run; or against its label."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.calibrating.alignment import Alignment, Track, align
from analysis.calibrating.calibration import Calibration
from analysis.errors import LogError, NotEnoughError
from analysis.estimation.choose import best
from analysis.estimation.flow import Flow, flow
from analysis.estimation.profile import S_PER_H, Floats, cumulative
from analysis.logs.file import CURRENTS, POWERS, TIMES, VOLTAGES, Log, read_log, seconds
from analysis.logs.importing import NO_UTC
from analysis.readings.recording import Recording
from analysis.readings.run import Run
from analysis.readings.series import Series
from analysis.statistics.inference import allan_deviation, sample
from analysis.statistics.line import fit_line

_BLOCK_S = 60.0
_MOST_BLOCKS = 240
_LEAST_BLOCKS = 8
_LEAST_COVERED = 0.98
_GAP_S = 5.0
_CLOCK_WRONG_S = 600.0
_AVERAGED_S = (1.0, 10.0, 100.0)
_MOST_GAIN = (0.5, 2.0)

METER_U_RATIO = 0.001
"""Standard uncertainty of a meter of which nothing is stated; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """A phone's gauge against a meter.

    Attributes:
        phone: label.
        calibration: what is kept for later runs.
        alignment: how the meter's clock lies on the phone's.
        n_blocks: stretches of time in which the two were compared.
        block_s: length of each.
        n_effective: independent stretches that would tell as much.
        scatter_ratio: variance of the residuals over what was predicted.
        noise_mw: scatter between neighbouring averages of the gauge against the meter (Allan
            deviation), by averaging time in s.
    """

    phone: str
    calibration: Calibration
    alignment: Alignment
    n_blocks: int
    block_s: float
    n_effective: float
    scatter_ratio: float
    noise_mw: dict[float, float]


def calibrate(
    run: Run, recording: Recording, meter: Path, *, meter_u_ratio: float = METER_U_RATIO
) -> Calibrated:
    """Gain and offset of a phone's gauge by a meter's log of the same run.

    Args:
        run: whose manifest has the clocks.
        recording: of the phone that hung on the meter; current and voltage were read.
        meter: log with `t_s` or `time_utc`, and power, or voltage and current.
        meter_u_ratio: standard uncertainty of the meter's gain.

    Raises:
        NotEnoughError: if the two do not fit together, or leave too little to compare.
        LogError: if the meter's log cannot be used.
    """
    series = recording.series()
    if not (series.has("current_ma") and series.has("voltage_mv")):
        raise NotEnoughError(recording.phone, "no current was read; only a gauge with current and "
                             "voltage can be calibrated")  # fmt: skip
    seen = flow(series)
    log, meter_s, meter_mw = _meter(meter)
    near_s = _near(run, log)
    phone_track = Track(
        first_s=float(seen.edges_s[0]), last_s=float(seen.edges_s[-1]), energy_mwh=seen.energy_mwh
    )
    meter_track = Track(
        first_s=float(meter_s[0]),
        last_s=float(meter_s[-1]),
        energy_mwh=lambda at: cumulative(meter_s, meter_mw[:-1], meter_mw[1:], at),
    )
    step_s = max(series.current_hold_s or series.poll_s, float(np.median(np.diff(meter_s))), 1.0)
    alignment = align(phone_track, meter_track, step_s, near_s=near_s)
    blocks = _blocks(series, seen, phone_track, meter_track, meter_s, alignment)
    line = fit_line(blocks.meter_mw, blocks.gauge_mw, blocks.meter_u_mw, blocks.gauge_u_mw)
    if not _MOST_GAIN[0] < line.gain < _MOST_GAIN[1]:
        raise NotEnoughError(
            recording.phone,
            f"its gauge reads {line.gain:.3g} times the meter: no gain, but another unit or phone",
        )
    like = sample(line.residual)
    wider = max(line.scatter_ratio, 1.0) * len(line.residual) / like.n_effective
    covariance = line.covariance * wider
    covariance[1, 1] += (meter_u_ratio * line.gain) ** 2
    offset_u, gain_u = np.sqrt(np.diag(covariance))
    return Calibrated(
        phone=recording.phone,
        calibration=Calibration(
            phone_hash=_own_hash(run, recording),
            gain=line.gain,
            offset_mw=line.offset,
            gain_u=float(gain_u),
            offset_u_mw=float(offset_u),
            correlation=float(covariance[0, 1] / (offset_u * gain_u)),
            low_mw=float(blocks.meter_mw.min()),
            high_mw=float(blocks.meter_mw.max()),
            run=run.manifest.run_id,
            run_utc=run.manifest.clocks.utc,
            meter=meter.name,
        ),
        alignment=alignment,
        n_blocks=len(line.residual),
        block_s=blocks.length_s,
        n_effective=like.n_effective,
        scatter_ratio=line.scatter_ratio,
        noise_mw=_noise(phone_track, meter_track, alignment, (line.offset, line.gain), step_s),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Blocks:
    """Mean powers by gauge and meter, stretch by stretch."""

    length_s: float
    gauge_mw: Floats
    gauge_u_mw: Floats
    meter_mw: Floats
    meter_u_mw: Floats


def _own_hash(run: Run, recording: Recording) -> str:
    """The phone's hash; empty if another phone has the same, both telling no serial."""
    mine = recording.entry.phone_hash
    alike = [entry for entry in run.manifest.phones if entry.phone_hash == mine]
    return mine if len(alike) == 1 else ""


def _meter(path: Path) -> tuple[Log, Floats, Floats]:
    """The log, its times and the power it measured, positive while the phone draws."""
    log = read_log(path, {"t_s": TIMES["t_s"], **VOLTAGES, **CURRENTS, **POWERS}, ("time_utc",))
    times, values = seconds(log), log.values
    if "power_mw" in values:
        power = values["power_mw"]
    elif "voltage_mv" in values and "current_ma" in values:
        power = values["voltage_mv"] * values["current_ma"] / 1000
    else:
        raise LogError(str(path), "needs a column of power, or one of voltage and one of current")
    there = np.isfinite(power)
    times, power = times[there], power[there]
    if len(times) < 2 or not (np.diff(times) > 0).all():
        raise LogError(str(path), "its times must ascend, row by row")
    return log, times, power if power.mean() >= 0 else -power


def _near(run: Run, log: Log) -> tuple[float, float] | None:
    """Between which offsets the clocks can lie: any, unless both tell the time of day."""
    began_utc = run.manifest.clocks.utc
    if log.utc is None or began_utc == NO_UTC:
        return None
    offset_s = (log.utc[0].to_pydatetime() - began_utc).total_seconds() - float(seconds(log)[0])
    return offset_s - _CLOCK_WRONG_S, offset_s + _CLOCK_WRONG_S


def _blocks(
    series: Series,
    seen: Flow,
    phone: Track,
    meter: Track,
    meter_s: Floats,
    alignment: Alignment,
) -> _Blocks:
    common = alignment.on_phone(np.array([meter.first_s, meter.last_s]))
    first_s, last_s = max(common[0], phone.first_s), min(common[1], phone.last_s)
    length_s = max(_BLOCK_S, float(last_s - first_s) / _MOST_BLOCKS)
    borders = np.arange(first_s, last_s, length_s)
    if len(borders) <= _LEAST_BLOCKS:
        raise NotEnoughError(
            "meter", f"at least {_LEAST_BLOCKS} blocks of {length_s:.0f} s in common are needed"
        )
    estimate = best(series, borders)
    theirs = alignment.on_meter(borders)
    gaps_s = np.diff(meter_s)
    missing = np.flatnonzero(gaps_s > max(_GAP_S, 5 * float(np.median(gaps_s))))
    blind = np.zeros(len(borders) - 1, dtype=bool)
    for k in missing:
        blind |= (theirs[1:] > meter_s[k]) & (theirs[:-1] < meter_s[k + 1])
    plugged = np.histogram(series.t_s[series.plugged], bins=borders)[0] > 0
    good = ~blind & ~plugged & (estimate.covered_ratio >= _LEAST_COVERED)
    if good.sum() < _LEAST_BLOCKS:
        raise NotEnoughError("meter", f"only {good.sum()} blocks have readings of both throughout")
    per_h = S_PER_H / np.diff(borders)
    # A clock that is off by the alignment's doubt takes a border's power from one block.
    steps_mw = np.abs(np.diff(seen.power_near_mw(borders, length_s / 2)))
    timing_s = alignment.offset_u_s or 0.0
    return _Blocks(
        length_s=length_s,
        gauge_mw=(estimate.energy_mwh * per_h)[good],
        gauge_u_mw=np.maximum(estimate.own_u_mwh * per_h, 1e-3)[good],
        meter_mw=meter.power_mw(theirs)[good],
        meter_u_mw=(steps_mw * timing_s / length_s)[good],
    )


def _noise(
    phone: Track, meter: Track, alignment: Alignment, line: tuple[float, float], step_s: float
) -> dict[float, float]:
    edges = np.arange(meter.first_s, meter.last_s, step_s)
    ours = alignment.on_phone(edges)
    inside = (ours >= phone.first_s) & (ours <= phone.last_s)
    offset, gain = line
    apart = (phone.power_mw(ours[inside]) - offset) / gain - meter.power_mw(edges[inside])
    averaged = {s: round(s / step_s) for s in _AVERAGED_S if s > 0.9 * step_s}
    return {
        s: allan_deviation(apart, n, overlapping=True)
        for s, n in averaged.items()
        if len(apart) > 3 * n
    }
