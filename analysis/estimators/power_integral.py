"""Current times voltage, integrated over time."""

import numpy as np

from analysis.errors import CannotEstimateError
from analysis.estimation.borders import checked, piece_sums
from analysis.estimation.bridge import Doubts
from analysis.estimation.counting import judged, judges
from analysis.estimation.estimate import Estimate, Flags
from analysis.estimation.flow import flow
from analysis.estimation.profile import Floats
from analysis.estimation.settle import settled
from analysis.readings.series import Series

NAME = "power integral"


def can(series: Series) -> bool:
    """Whether current and voltage were read."""
    return series.has("current_ma") and series.has("voltage_mv")


def estimate(series: Series, borders_s: Floats) -> Estimate:
    """Energies by the trapezoid of the product, or by means where the gauge holds its current.

    A counter is used only to judge the current: how well its readings stand for what lies between.

    Raises:
        CannotEstimateError: if current or voltage were not read.
        SeriesError: if the borders do not ascend.
    """
    if not can(series):
        raise CannotEstimateError(NAME, "current and voltage")
    borders = checked(borders_s)
    beside = judged(series) if judges(series) else None
    series, seen = (series, flow(series)) if beside is None else (beside.series, beside.shape)
    asleep = piece_sums(seen, "asleep_s", borders) / np.diff(borders)
    return settled(
        series,
        seen,
        borders,
        method=NAME,
        doubts=Doubts(
            sampling_ratio=1.0 if beside is None else beside.found.sampling_ratio,
            sleep_u_ma=series.gains.sleep_half_ma / np.sqrt(3.0),
        ),
        flags=_flags(asleep),
    )


def _flags(asleep_ratio: Floats) -> tuple[Flags, ...]:
    return tuple(
        (f"asleep {ratio:.0%} of the time: a default draw stands in for it",)
        if ratio > 0.01
        else ()
        for ratio in asleep_ratio
    )
