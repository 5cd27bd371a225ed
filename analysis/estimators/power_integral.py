"""Current times voltage, integrated over time."""

import numpy as np

from analysis.borders import border_variance, checked, piece_sums, pieces_of
from analysis.errors import CannotEstimateError
from analysis.estimate import Estimate, Flags
from analysis.flow import Flow, flow
from analysis.profile import S_PER_H, Floats
from analysis.series import Series

NAME = "power integral"


def can(series: Series) -> bool:
    """Whether current and voltage were read."""
    return series.has("current_ma") and series.has("voltage_mv")


def estimate(series: Series, borders_s: Floats) -> Estimate:
    """Energies by the trapezoid of the product, or by means where the gauge holds its current.

    Raises:
        CannotEstimateError: if current or voltage were not read.
        SeriesError: if the borders do not ascend.
    """
    if not can(series):
        raise CannotEstimateError(NAME, "current and voltage")
    borders = checked(borders_s)
    seen = flow(series)
    energy = np.diff(seen.energy_mwh(borders))
    hours = np.diff(borders) / S_PER_H
    own = np.diag(piece_sums(seen, seen.variance_mah2 * seen.mean_v**2, borders))
    own = own + pieces_of(np.diag(border_variance(series, seen, borders)))
    hidden = piece_sums(seen, seen.hidden_mw * seen.width_s / S_PER_H, borders) / np.sqrt(3.0)
    slept_s = piece_sums(seen, seen.asleep_s, borders)
    sleep_mwh = series.gains.sleep_u_ma * slept_s / S_PER_H * _mean_volts(seen, borders)
    offset_ma = max(series.gains.current_offset_ma, (series.current_lsb_ma or 0.0) / 2)
    offset = offset_ma / np.sqrt(3.0) * hours * _mean_volts(seen, borders)
    measured_s = piece_sums(seen, np.where(seen.measured, seen.width_s, 0.0), borders)
    gain = np.hypot(series.gains.current_ratio / np.sqrt(3.0), series.gains.voltage_u_ratio)
    n_read = np.diff(np.searchsorted(seen.edges_s, borders)).astype(np.float64)
    return Estimate(
        method=(NAME,) * len(energy),
        energy_mwh=energy,
        own_covariance_mwh2=own,
        common_u_ratio=np.full(len(energy), float(gain)),
        common_u_mwh=np.sqrt(hidden**2 + sleep_mwh**2 + offset**2),
        covered_ratio=np.clip(measured_s / np.diff(borders), 0.0, 1.0),
        n_free=np.maximum(n_read - 2, 1.0),
        flags=_flags(slept_s / np.diff(borders)),
    )


def _mean_volts(seen: Flow, borders: Floats) -> Floats:
    return piece_sums(seen, seen.mean_v * seen.width_s, borders) / np.diff(borders)


def _flags(asleep_ratio: Floats) -> tuple[Flags, ...]:
    return tuple(
        (f"asleep {ratio:.0%} of the time: a default draw stands in for it",)
        if ratio > 0.01
        else ()
        for ratio in asleep_ratio
    )
