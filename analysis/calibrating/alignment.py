"""Two logs of one load laid over each other, by the load's own ups and downs."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.signal import fftconvolve, find_peaks

from analysis.errors import NotEnoughError
from analysis.estimation.profile import S_PER_H, Floats
from analysis.statistics.inference import coverage_factor

Energy = Callable[[Floats], Floats]
"""Energy up to each moment, mWh."""

_LEAST_OVERLAP_RATIO = 0.6
_LEAST_OVERLAP_S = 120.0
_LEAST_LIKENESS = 0.6
_RIVAL_RATIO = 1.5
_LEAST_LEFT = 1e-3
"""Another peak rivals the best if it leaves less than so many times as much variance unexplained;
of which there is always at least so much; common practice, no source."""

_APART_STEPS = 3
_LEAST_PART_S = 600.0
_MOST_PARTS = 12
_LEAST_PARTS = 4
_NEAR_S = 3.0
_SURELY = 0.999


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """Where the meter's clock lies on the phone's.

    Attributes:
        offset_s: phone's clock less meter's, at the meter's `at_s`, about the middle.
        drift_ratio: by which the phone's clock gains on the meter's; 0 unless it is certain.
        at_s: moment of the meter's clock.
        likeness: correlation of the two powers, 1 if alike.
        offset_u_s: standard uncertainty, by parts of the log; None with too few.
    """

    offset_s: float
    drift_ratio: float
    at_s: float
    likeness: float
    offset_u_s: float | None

    def on_phone(self, meter_s: Floats) -> Floats:
        """Moments of the meter's clock on the phone's."""
        moments: Floats = meter_s + self.offset_s + self.drift_ratio * (meter_s - self.at_s)
        return moments

    def on_meter(self, phone_s: Floats) -> Floats:
        """Moments of the phone's clock on the meter's."""
        since = phone_s - self.offset_s - self.at_s
        moments: Floats = self.at_s + since / (1 + self.drift_ratio)
        return moments


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """A log as energy over time.

    Attributes:
        first_s: by its own clock.
        last_s: by its own clock.
        energy_mwh: taken up to each moment.
    """

    first_s: float
    last_s: float
    energy_mwh: Energy

    def power_mw(self, edges_s: Floats) -> Floats:
        """Mean power between the edges."""
        power: Floats = np.diff(self.energy_mwh(edges_s)) / np.diff(edges_s) * S_PER_H
        return power


def align(
    phone: Track, meter: Track, step_s: float, *, near_s: tuple[float, float] | None = None
) -> Alignment:
    """Finds the offset at which the two powers go together best, and its drift.

    Args:
        phone: by the phone's clock.
        meter: by the meter's clock.
        step_s: spacing of readings, the coarser of the two.
        near_s: least and greatest offset that can be by the meter's column `time_utc`; None if
            any can.

    Raises:
        NotEnoughError: if nothing fits, two places that can be fit about equally well, or one
            beyond fits better.
    """
    coarse_s = _coarse(phone, meter, step_s, near_s)
    first_s = max(meter.first_s, phone.first_s - coarse_s)
    last_s = min(meter.last_s, phone.last_s - coarse_s)
    found_s, likeness = _fine(phone, meter, (first_s, last_s), coarse_s, step_s)
    parts = _parts(phone, meter, (first_s, last_s), found_s, step_s)
    drift, u_s = _drift(parts)
    at_s = float(parts[:, 0].mean()) if drift else (first_s + last_s) / 2
    return Alignment(
        offset_s=float(parts[:, 1].mean()) if drift else found_s,
        drift_ratio=drift,
        at_s=at_s,
        likeness=likeness,
        offset_u_s=u_s,
    )


def _coarse(
    phone: Track, meter: Track, step_s: float, near_s: tuple[float, float] | None
) -> float:
    """The best offset to a step, over all that leave enough in common."""
    ours, theirs = (
        track.power_mw(np.arange(track.first_s, track.last_s, step_s)) for track in (phone, meter)
    )
    if min(len(ours), len(theirs)) * step_s < _LEAST_OVERLAP_S:
        raise NotEnoughError("meter", f"less than {_LEAST_OVERLAP_S:.0f} s in common")
    likeness = _likeness_by_lag(ours, theirs, _LEAST_OVERLAP_RATIO)
    lags = np.arange(len(likeness)) - (len(theirs) - 1)
    offsets_s = phone.first_s - meter.first_s + step_s * lags.astype(np.float64)
    return _told(likeness, offsets_s, near_s)


def _told(likeness: Floats, offsets_s: Floats, near_s: tuple[float, float] | None) -> float:
    """The offset of the highest peak, if no other peak comes near it."""
    can_be, where = np.isfinite(offsets_s), "at any offset"
    if near_s is not None:
        can_be = (offsets_s >= near_s[0]) & (offsets_s <= near_s[1])
        where = f"within {(near_s[1] - near_s[0]) / 120:.0f} min of what its column time_utc says"
    best = int(np.argmax(np.where(can_be, likeness, -1.0)))
    if likeness[best] < _LEAST_LIKENESS:
        raise NotEnoughError(
            "meter",
            f"its power does not go with the phone's {where} (likeness {likeness[best]:.2f} "
            "at best); is it the same run, and does the load change?",
        )
    left = np.maximum(1 - np.maximum(likeness, 0.0) ** 2, _LEAST_LEFT)
    rising = likeness[max(best - 1, 0) : best + 2].max() > likeness[best]
    if rising or _RIVAL_RATIO * np.min(left, where=~can_be, initial=1.0) < left[best]:
        raise NotEnoughError(
            "meter",
            f"its power fits the phone's, but not {where}; put that column right, or leave it "
            "out and give a column t_s",
        )
    peaks, _ = find_peaks(likeness)
    rivals = peaks[
        can_be[peaks]
        & (np.abs(peaks - best) > _APART_STEPS)
        & (left[peaks] < _RIVAL_RATIO * left[best])
    ]
    if len(rivals):
        rival_s = abs(offsets_s[rivals[np.argmax(likeness[rivals])]] - offsets_s[best])
        clocks = (
            "a column time_utc in the meter's log, and in the phone's if that was imported, or "
        )
        raise NotEnoughError(
            "meter",
            f"its power fits the phone's at several offsets, {rival_s:.0f} s apart; what tells "
            f"them apart is {'' if near_s else clocks}a load that does not repeat itself",
        )
    return float(offsets_s[best])


def _likeness_by_lag(ours: Floats, theirs: Floats, least_ratio: float) -> Floats:
    """Correlation of what overlaps, at every lag; -1 where too little does."""
    ours, theirs = ours - ours.mean(), theirs - theirs.mean()
    one, other = np.ones_like(ours), np.ones_like(theirs)
    n, sx, sxx, sy, syy, sxy = (
        fftconvolve(a, b[::-1])
        for a, b in (
            (one, other), (ours, other), (ours**2, other),
            (one, theirs), (one, theirs**2), (ours, theirs),
        )
    )  # fmt: skip
    n = np.round(n)
    enough = n >= least_ratio * min(len(ours), len(theirs))
    spread = (n * sxx - sx**2) * (n * syy - sy**2)
    # Rounding in the transform leaves less than nothing where nothing varies.
    enough &= spread > 1e-9 * float(np.max(np.abs(spread)))
    likeness: Floats = np.full(len(n), -1.0)
    np.divide(n * sxy - sx * sy, np.sqrt(np.abs(spread)), out=likeness, where=enough)
    return likeness


def _fine(
    phone: Track, meter: Track, span_s: tuple[float, float], about_s: float, step_s: float
) -> tuple[float, float]:
    """The best offset within a few steps, and the likeness there."""
    edges = np.arange(span_s[0], span_s[1], step_s)
    theirs = meter.power_mw(edges)

    def unlike(offset_s: float) -> float:
        return -_likeness(phone.power_mw(edges + offset_s), theirs)

    reach_s = max(1.5 * step_s, _NEAR_S)
    tries = about_s + np.linspace(-reach_s, reach_s, 13)
    best_s = float(tries[int(np.argmin([unlike(float(t)) for t in tries]))])
    width_s = float(tries[1] - tries[0])
    found = minimize_scalar(
        unlike, bounds=(best_s - width_s, best_s + width_s), method="bounded",
        options={"xatol": 1e-3},
    )  # fmt: skip
    return float(found.x), -float(found.fun)


def _likeness(one: Floats, other: Floats) -> float:
    spread = float(np.std(one) * np.std(other))
    if spread == 0:
        return 0.0
    return float(np.mean((one - one.mean()) * (other - other.mean()))) / spread


def _parts(
    phone: Track, meter: Track, span_s: tuple[float, float], about_s: float, step_s: float
) -> Floats:
    """Moments of the meter's clock and the offsets there, part by part, (n, 2)."""
    n_parts = min(int((span_s[1] - span_s[0]) / _LEAST_PART_S), _MOST_PARTS)
    edges = np.linspace(*span_s, n_parts + 1).tolist()
    found = [
        ((a + b) / 2, *_fine(phone, meter, (a, b), about_s, step_s)) for a, b in pairwise(edges)
    ]
    good = [(at, offset) for at, offset, like in found if like > _LEAST_LIKENESS]
    return np.array(good, dtype=np.float64).reshape(-1, 2)


def _drift(parts: Floats) -> tuple[float, float | None]:
    """How fast the offset changes, if that is certain, and how uncertain its mean is."""
    if len(parts) < _LEAST_PARTS:
        return 0.0, None
    at_s, offsets_s = (parts - parts.mean(axis=0)).T
    slope = float(np.sum(at_s * offsets_s) / np.sum(at_s**2))
    rest = offsets_s - slope * at_s
    s = float(np.sqrt(np.sum(rest**2) / (len(parts) - 2)))
    sure = coverage_factor(len(parts) - 2, _SURELY) * s / float(np.sqrt(np.sum(at_s**2)))
    return (slope if abs(slope) > sure else 0.0), s / float(np.sqrt(len(parts)))
