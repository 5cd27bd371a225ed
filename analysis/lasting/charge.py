"""A charge of one phone, cut into pieces, and how long it lasts at the rate of some of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from analysis.calibrating.calibration import calibrated
from analysis.errors import NothingRecordedError
from analysis.estimation.choose import best
from analysis.estimation.estimate import Estimate
from analysis.estimation.profile import S_PER_H, Bools, Floats
from analysis.lasting.endurance import Endurance, endurance, follows_sequence, whole_loops
from analysis.lasting.fullrun import why_not_full
from analysis.lasting.packvoltage import pack_voltage
from analysis.readings.findings import Findings
from analysis.readings.recording import Recording
from analysis.readings.run import Run
from analysis.readings.segments import Segment, Segments, cut
from analysis.readings.series import Series
from analysis.statistics.inference import Interval, propagated, quotient, rectangular_u, symmetric

RESERVE_PCT = 20.0
"""Below, phones dim, save and throttle; a choice of this project."""

_LEAST_S = 60.0
_LEAST_PIECE_S = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Lasting:
    """How long one activity, or a mix, lasts from full.

    Attributes:
        activity: name of its segments, untrusted text; `mix`.
        power_mw: its mean power, above `RESERVE_PCT` where it was seen there.
        hours: to shut-off.
        hours_to_reserve: to `RESERVE_PCT`; None if the run was no full charge.
        flags: what makes it doubtful, in sentences.
        notes: what is worth knowing and no cause for doubt, in sentences.
    """

    activity: str
    power_mw: Interval
    hours: Interval
    hours_to_reserve: Interval | None
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NearEmpty:
    """What became of the phone below `RESERVE_PCT`.

    Attributes:
        share_ratio: of the energy of the whole charge.
        duration_s: how long it took.
        activity: what went on while the level passed `RESERVE_PCT`.
        power_ratio: its mean power below over that above; None if it was not seen on both sides.
    """

    share_ratio: Interval
    duration_s: float
    activity: str
    power_ratio: Interval | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Usable:
    """Energy of a full charge, and if it was measured, as weights of the pieces."""

    energy_mwh: Interval
    u_mwh: float
    weight: Floats | None
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """How fast something empties a phone.

    Attributes:
        weight: of the pieces, such that their sum is the mean power in mW.
        flags: what makes it doubtful, in sentences.
        notes: what is worth knowing and no cause for doubt, in sentences.
    """

    weight: Floats
    flags: tuple[str, ...]
    notes: tuple[str, ...]

    @classmethod
    def mixed(cls, parts: Sequence[tuple["Rate", float]]) -> Self:
        """Several after each other, each with its share of the time."""
        return cls(
            weight=np.sum([rate.weight * share for rate, share in parts], axis=0),
            flags=tuple(dict.fromkeys(flag for rate, _ in parts for flag in rate.flags)),
            notes=tuple(dict.fromkeys(note for rate, _ in parts for note in rate.notes)),
        )


class Charge:
    """One phone's pieces, cut at the tags and where the level passes the reserve."""

    def __init__(self, run: Run, recording: Recording) -> None:
        self.recording = recording
        self.segments = cut(run, recording)
        self.series = recording.series(border_u_s=self.segments.border_u_s)
        self.findings = Findings(run, recording, self.series, self.segments)
        self.not_full = why_not_full(recording, self.series)
        self.reserve_s = None if self.not_full else _reserve_s(self.series)
        borders = _with(self.segments, self.reserve_s)
        self.estimate = calibrated(
            recording.calibration, best(self.series, borders, where=recording.phone), borders
        )
        self.hours = np.diff(borders) / S_PER_H
        middle = (borders[:-1] + borders[1:]) / 2
        self.above = middle < (self.reserve_s or np.inf)
        pieces = self.segments.pieces
        at = np.searchsorted([piece.end_s for piece in pieces], middle)
        self.piece: list[Segment] = [pieces[min(int(k), len(pieces) - 1)] for k in at]
        self.activities = list(dict.fromkeys(p.activity for p in self.piece if p.tagged))
        if not self.activities:
            raise NothingRecordedError(
                recording.phone, "no segment is tagged on it", "tag what it did with `rundown tag`"
            )

    def did(self, activity: str) -> Bools:
        """Which pieces are that activity."""
        return np.array([p.tagged and p.activity == activity for p in self.piece])

    def usable(self) -> Usable:
        """Energy of a full charge.

        Raises:
            NothingRecordedError: if neither the run nor a rated capacity tells.
        """
        if not self.not_full:
            weight = np.ones(len(self.hours))
            _, u_mwh = self.estimate.summed(weight)
            said = "measured in this run, from 100 % to shut-off"
            return Usable(energy_mwh=self.sum(weight), u_mwh=u_mwh, weight=weight, said=said)
        rated_mah = self.recording.entry.capacity_mah
        if rated_mah is None:
            raise NothingRecordedError(
                self.recording.phone,
                f"{self.not_full}, and no rated capacity is stated",
                "state it with --capacity-mah when you record or import, or record from 100 % to "
                "shut-off",
            )
        voltage = pack_voltage(self.series)
        energy_mwh = rated_mah * voltage.mean_mv / 1000
        u_mwh = energy_mwh * float(
            np.hypot(
                rectangular_u(self.series.gains.capacity_ratio), voltage.u_mv / voltage.mean_mv
            )
        )
        return Usable(
            energy_mwh=symmetric(energy_mwh, u_mwh),
            u_mwh=u_mwh,
            weight=None,
            said=f"not measured ({self.not_full}): rated capacity {rated_mah:.0f} mAh times mean "
            f"voltage {voltage.said}",
        )

    def notes(self) -> tuple[str, ...]:
        """What makes the phone as a whole doubtful, in sentences."""
        throughout = (f.said for f in self.findings.stream if f.throughout and not f.harmless)
        return (*self.findings.notes(self.estimate.doubts), *throughout)

    def rate(self, activity: str) -> Rate:
        """An activity's mean power."""
        mine = self.did(activity)
        whole = [p for p in self.segments.pieces if p.tagged and p.activity == activity]
        flags = [flag for piece in whole for flag in self.findings.flags(piece)]
        cut_short = any(piece.cut_short for piece in whole)
        if float(self.hours[mine & self.above].sum()) * S_PER_H >= _LEAST_S:
            mine = mine & self.above
        elif self.reserve_s is not None:
            flags.append(f"seen only below {RESERVE_PCT:.0f} %")
        return Rate(
            weight=np.where(mine, 1.0, 0.0) / float(self.hours[mine].sum()),
            flags=tuple(dict.fromkeys(flags)),
            notes=("cut short: a rate, not a total",) * cut_short,
        )

    def sum(self, weight: Floats) -> Interval:
        """A weighted sum of the pieces."""
        value, _ = self.estimate.summed(weight)
        reach = self.estimate.reach_mwh(weight)
        return Interval(value=value, lo95=value - reach, hi95=value + reach)

    def over(self, top: Floats, bottom: Floats) -> Interval:
        """One weighted sum of the pieces over another, correlations kept."""
        rows = np.stack([top, bottom])
        values = rows @ self.estimate.energy_mwh
        covariance = propagated(rows, self.estimate.covariance_mwh2)
        n_free = _n_free(self.estimate, (top != 0) | (bottom != 0))
        return quotient(float(values[0]), float(values[1]), covariance, n_free)

    def lasting(self, activity: str, usable: Usable, rate: Rate) -> Lasting:
        """How long a charge lasts at a rate."""
        if usable.weight is None:
            power_mw, u_mw = self.estimate.summed(rate.weight)
            apart = np.diag([usable.u_mwh**2, u_mw**2])
            n_free = _n_free(self.estimate, rate.weight != 0)
            hours = quotient(usable.energy_mwh.value, power_mw, apart, n_free)
            to_reserve = None
        else:
            hours = self.over(usable.weight, rate.weight)
            to_reserve = self.over(np.where(self.above, 1.0, 0.0), rate.weight)
        return Lasting(
            activity=activity,
            power_mw=self.sum(rate.weight),
            hours=hours,
            hours_to_reserve=to_reserve,
            flags=rate.flags,
            notes=rate.notes,
        )

    def near_empty(self) -> NearEmpty | None:
        """What became of the phone below the reserve; None without a full charge."""
        if self.reserve_s is None or self.above.all():
            return None
        below = ~self.above
        passing = self.piece[int(np.argmax(below))]
        mine = np.array([p is passing for p in self.piece])
        sides = [mine & side for side in (below, self.above)]
        seen = all(float(self.hours[s].sum()) * S_PER_H >= _LEAST_S for s in sides)
        rates = [np.where(s, 1.0, 0.0) / max(float(self.hours[s].sum()), 1e-9) for s in sides]
        return NearEmpty(
            share_ratio=self.over(np.where(below, 1.0, 0.0), np.ones(len(below))),
            duration_s=float(self.hours[below].sum()) * S_PER_H,
            activity=passing.activity,
            power_ratio=self.over(rates[0], rates[1]) if seen else None,
        )

    def endurance(self, nominal_mv: float | None) -> Endurance | None:
        """The European figure, if the run is one."""
        tagged = [piece for piece in self.segments.pieces if piece.tagged]
        end = self.recording.entry.end
        if self.not_full or end is None or not follows_sequence(tagged):
            return None
        first, last = tagged[0].start_s, float(self.series.t_s[-1])
        # Anywhere between its last answer and the first silence (JCGM 100:2008, 4.3.7).
        silent_s = 0.0
        if end.last_answer_utc is not None and end.silent_utc is not None:
            silent_s = max((end.silent_utc - end.last_answer_utc).total_seconds(), 0.0)
        hours = (last + silent_s / 2 - first) / S_PER_H
        return endurance(
            symmetric(hours, rectangular_u(silent_s / 2) / S_PER_H),
            whole_loops(tagged),
            nominal_mv,
            self.recording.entry.capacity_mah,
        )


def _reserve_s(series: Series) -> float | None:
    times, levels = series.known("level_pct")
    low = np.flatnonzero(levels <= RESERVE_PCT)
    return float(times[low[0]]) if len(low) else None


def _with(segments: Segments, moment_s: float | None) -> Floats:
    borders = segments.borders_s
    if moment_s is None or np.min(np.abs(borders - moment_s)) < _LEAST_PIECE_S:
        return borders
    return np.sort(np.append(borders, moment_s))


def _n_free(estimate: Estimate, used: Bools) -> float:
    return float(np.min(estimate.effective_n_free[used]))
