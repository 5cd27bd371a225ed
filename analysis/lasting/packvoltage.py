"""Mean voltage of a pack over its whole charge, from readings of all of it or of a part."""

from dataclasses import dataclass

import numpy as np

from analysis.estimation.profile import Floats
from analysis.readings.series import Series
from analysis.statistics.inference import rectangular_u

MIDDLE_MV = 3800.0
FALL_MV = 800.0
HALF_MV = 150.0
"""A pack of which nothing was read: mean voltage over the charge, its fall from full to empty, and
half width of the doubt about that mean; common practice, no source."""

_MIDDLES_PCT: Floats = np.arange(0.5, 100.0)
_BETWEEN_PCT = 2.0
"""Levels that are passed between two readings count as seen so near to one that was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackVoltage:
    """Mean voltage over the charge from 100 to 0 %.

    Attributes:
        mean_mv: every point of the level weighs the same.
        u_mv: standard uncertainty.
        seen_ratio: share of the level scale over which it was read.
    """

    mean_mv: float
    u_mv: float
    seen_ratio: float

    @property
    def said(self) -> str:
        """Its value and what that rests on, in words."""
        elsewhere = (
            f"; elsewhere taken from a pack whose mean is {MIDDLE_MV / 1000:.2f} ± "
            f"{HALF_MV / 1000:.2f} V"
        )
        return (
            f"{self.mean_mv / 1000:.2f} V, read over {100 * self.seen_ratio:.0f} % of the level "
            f"scale{elsewhere if self.seen_ratio < 1 else ''}"
        )


def pack_voltage(series: Series) -> PackVoltage:
    """The mean of what was read on battery at each point of the level, weighted with time there.

    Energy is charge times the mean over the charge, not over readings; that the level goes with
    the charge is common practice, no source. Where nothing was read a straight line stands in,
    in doubt by its share of the scale.
    """
    line_mv = MIDDLE_MV + FALL_MV * (_MIDDLES_PCT / 100 - 0.5)
    at_pct, read_mv = _by_level(series)
    seen = np.zeros(len(line_mv), dtype=bool)
    if len(at_pct):
        apart_pct = np.min(np.abs(np.subtract.outer(_MIDDLES_PCT, at_pct)), axis=1)
        beyond = (at_pct[0] > _MIDDLES_PCT) | (at_pct[-1] < _MIDDLES_PCT)
        seen = (apart_pct <= _BETWEEN_PCT) & ~beyond
        line_mv = np.where(seen, np.interp(_MIDDLES_PCT, at_pct, read_mv), line_mv)
    whole_mv, seen_ratio = float(np.mean(line_mv)), float(np.mean(seen))
    gauge_mv = series.gains.voltage_u_ratio * whole_mv
    return PackVoltage(
        mean_mv=whole_mv,
        u_mv=float(np.hypot((1 - seen_ratio) * rectangular_u(HALF_MV), gauge_mv)),
        seen_ratio=seen_ratio,
    )


def _by_level(series: Series) -> tuple[Floats, Floats]:
    """The points of the level that were seen, and the mean voltage over the time spent there."""
    times, levels = series.known("level_pct")
    if not len(times) or not series.has("voltage_mv", 1):
        return np.zeros(0), np.zeros(0)
    middle = (series.t_s[:-1] + series.t_s[1:]) / 2
    on_battery_s = np.where(series.plugged[:-1] | series.plugged[1:], 0.0, np.diff(series.t_s))
    shown_pct = levels[np.maximum(np.searchsorted(times, middle) - 1, 0)]
    at = np.clip(np.ceil(shown_pct).astype(np.intp), 1, 100) - 1
    spent_s, swept_mvs = (
        np.bincount(at, weights=weight, minlength=len(_MIDDLES_PCT))
        for weight in (on_battery_s, on_battery_s * series.voltage_at(middle))
    )
    seen = np.flatnonzero(spent_s)
    mean_mv: Floats = swept_mvs[seen] / spent_s[seen]
    points_pct: Floats = _MIDDLES_PCT[seen]
    return points_pct, mean_mv
