"""What a phone showed at any moment of a run: for captions and overlays."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from analysis.estimation.flow import flow
from analysis.estimation.profile import S_PER_H, Bools, Floats
from analysis.estimators import power_integral
from analysis.readings.recording import Recording
from analysis.report import PhoneEnergy, SegmentEnergy


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """What one phone showed during a moment.

    Attributes:
        phone: label.
        segment: what it was doing; None between segments.
        into_s: how long it had been doing it.
        level_pct: last level shown; None before the first.
        power_mw: mean over the moment; None where nothing was measured.
        power_is_mean: the phone reports no current: the power is the mean of the segment.
        temperature_c: last battery temperature; None before the first.
        over: the phone's recording had ended.
        shut_off: it had ended because the phone shut off.
    """

    phone: str
    segment: SegmentEnergy | None
    into_s: float
    level_pct: float | None
    power_mw: float | None
    power_is_mean: bool
    temperature_c: float | None
    over: bool
    shut_off: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """The figures behind many moments, as arrays (n,)."""

    segment: list[int]
    into_s: Floats
    level_pct: Floats
    power_mw: Floats
    temperature_c: Floats
    over: Bools


class Live:
    """One phone's readings by the time since the run began.

    Args:
        recording: its readings.
        phone: its energies.
        began_utc: beginning of the run.
    """

    def __init__(self, recording: Recording, phone: PhoneEnergy, began_utc: datetime) -> None:
        self._phone = phone
        run_s = (recording.taken_utc() - began_utc).dt.total_seconds().to_numpy(dtype=np.float64)
        self._run_s: Floats = np.maximum.accumulate(run_s)
        self._series = recording.series()
        self._flow = flow(self._series) if power_integral.can(self._series) else None
        self._starts_s = np.array([s.start_s for s in phone.segments])

    @property
    def ended_s(self) -> float:
        """The last reading, since the run began."""
        return float(self._run_s[-1])

    @property
    def shut_off(self) -> bool:
        """Whether the recording ended because the phone shut off."""
        return self._phone.shut_off_utc is not None

    def moments(self, start_s: Floats, end_s: Floats) -> list[Now]:
        """What was shown during n moments, which begin and end since the run began at, (n,)."""
        shown = self._shown(start_s, end_s)
        return [self._now(shown, k) for k in range(len(start_s))]

    def run_at(self, t_s: float) -> float:
        """A moment of the phone's time axis, since the run began."""
        return float(np.interp(t_s, self._series.t_s, self._run_s))

    def borders_s(self) -> list[float]:
        """Where its segments begin and end, since the run began."""
        ends = {t for s in self._phone.segments for t in (s.start_s, s.end_s)}
        return [self.run_at(t_s) for t_s in sorted(ends)]

    def _shown(self, start_s: Floats, end_s: Floats) -> _Shown:
        axis = self._series.t_s
        start_t, end_t = (np.interp(x, self._run_s, axis) for x in (start_s, end_s))
        outside = (end_s <= self._run_s[0]) | (start_s >= self._run_s[-1])
        middle_t = (start_t + end_t) / 2
        segment = np.searchsorted(self._starts_s, middle_t, side="right") - 1
        ends_t = np.array([s.end_s for s in self._phone.segments] + [-np.inf])
        inside = (segment >= 0) & (middle_t <= ends_t[segment]) & ~outside
        segment = np.where(inside, segment, -1)
        power = self._power_mw(start_t, end_t, segment)
        begun_t = np.append(self._starts_s, 0.0)[segment]
        return _Shown(
            segment=segment.tolist(),
            into_s=np.maximum(start_t - begun_t, 0.0),
            level_pct=np.where(outside, np.nan, self._last("level_pct", end_t)),
            power_mw=np.where(outside, np.nan, power),
            temperature_c=np.where(outside, np.nan, self._last("temperature_c", end_t)),
            over=start_s >= self._run_s[-1],
        )

    def _power_mw(self, start_t: Floats, end_t: Floats, segment: npt.NDArray[np.intp]) -> Floats:
        if self._flow is None:
            means = [s.amount.mean_power_mw for s in self._phone.segments]
            mean: Floats = np.array([*means, self._phone.untagged.mean_power_mw])[segment]
            return mean
        hours = (end_t - start_t) / S_PER_H
        drawn = self._flow.energy_mwh(end_t) - self._flow.energy_mwh(start_t)
        power: Floats = np.divide(drawn, hours, out=np.full_like(hours, np.nan), where=hours > 0)
        return power

    def _last(self, quantity: str, at_t: Floats) -> Floats:
        times, values = self._series.known(quantity)
        index = np.searchsorted(times, at_t, side="right") - 1
        found: Floats = np.append(values, np.nan)[index]
        return found

    def _now(self, shown: _Shown, k: int) -> Now:
        number = shown.segment[k]
        return Now(
            phone=self._phone.phone,
            segment=self._phone.segments[number] if number >= 0 else None,
            into_s=float(shown.into_s[k]),
            level_pct=_known(shown.level_pct[k]),
            power_mw=_known(shown.power_mw[k]),
            power_is_mean=self._flow is None,
            temperature_c=_known(shown.temperature_c[k]),
            over=bool(shown.over[k]),
            shut_off=bool(shown.over[k]) and self.shut_off,
        )


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
