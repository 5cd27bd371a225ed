"""The estimate that a user gets, and whether the others contradict it."""

from dataclasses import replace

import numpy as np

from analysis.errors import NothingRecordedError
from analysis.estimation.estimate import Estimate
from analysis.estimation.profile import Floats
from analysis.estimators import ESTIMATORS, fused, level
from analysis.readings.series import Series

_LIKELY = 3.0
"""Standard uncertainties by which two methods may differ before they count as contradicting."""


def all_estimates(series: Series, borders_s: Floats) -> tuple[Estimate, ...]:
    """What each method says that the series allows, in the order of `ESTIMATORS`."""
    return tuple(e.estimate(series, borders_s) for e in ESTIMATORS if e.can(series))


def best(series: Series, borders_s: Floats, *, where: str = "series") -> Estimate:
    """All that current and counter tell together; the level where there is neither.

    Raises:
        NothingRecordedError: if no method can work with the series.
        SeriesError: if the borders do not ascend.
    """
    by_level = level.estimate(series, borders_s) if level.can(series) else None
    if not fused.can(series):
        if by_level is None:
            raise NothingRecordedError(
                where,
                "neither current nor a moving charge counter nor the level with a stated "
                "capacity, each with the voltage",
            )
        return by_level
    found = fused.estimate(series, borders_s)
    return replace(found, doubts=() if by_level is None else _contradiction(found, by_level))


def _contradiction(one: Estimate, other: Estimate) -> tuple[str, ...]:
    every = np.ones(len(one.energy_mwh))
    (a_mwh, a_u), (b_mwh, b_u) = one.summed(every), other.summed(every)
    if abs(a_mwh - b_mwh) <= _LIKELY * float(np.hypot(a_u, b_u)):
        return ()
    return (
        f"{one.method[0]} and {other.method[0]} contradict each other: "
        f"{a_mwh:.0f} and {b_mwh:.0f} mWh in all",
    )
