"""Counter for the slow content, current for shape and borders, each by what it is worth."""

from dataclasses import replace

import numpy as np

from analysis.errors import CannotEstimateError
from analysis.estimation.borders import checked
from analysis.estimation.bridge import Doubts
from analysis.estimation.counting import counted, judged
from analysis.estimation.estimate import Cause, Component, Estimate
from analysis.estimation.flow import flow
from analysis.estimation.profile import Floats
from analysis.estimation.settle import settled
from analysis.estimators import charge_counter, power_integral
from analysis.readings.series import Series

NAME = "fused"
_PERSISTS = 10.0
"""A model of the battery errs one way for longer than two of the compared blocks last."""

_SCALE_U_RATIO = 0.01
_STRAYING_U_RATIO = 1e-4
"""A counter that strays says nothing of the current's scale."""


def can(series: Series) -> bool:
    """Whether current or a moving counter was read, and voltage."""
    return power_integral.can(series) or charge_counter.can(series)


def estimate(series: Series, borders_s: Floats) -> Estimate:
    """Energies from the current, tied to the counter's steps; from one of them if it is alone.

    Raises:
        CannotEstimateError: if neither current nor counter or no voltage was read.
        SeriesError: if the borders do not ascend.
    """
    if not can(series):
        raise CannotEstimateError(NAME, "current or moving counter, with voltage")
    if not charge_counter.can(series):
        return power_integral.estimate(series, borders_s)
    if not power_integral.can(series):
        return charge_counter.estimate(series, borders_s)
    borders = checked(borders_s)
    beside = judged(series)
    series, shape, found = beside.series, beside.shape, beside.found
    if found.contradicts:
        shape = flow(replace(series, current_ma=series.current_ma * found.scale_ratio))
    anchors = counted(series, shape, borders)
    fused = settled(
        series,
        shape,
        borders,
        method=NAME,
        anchors=anchors,
        doubts=Doubts(
            sampling_ratio=found.sampling_ratio,
            scale_u_ratio=_STRAYING_U_RATIO if found.stray_mah2_per_s else _SCALE_U_RATIO,
            sleep_u_ma=series.gains.sleep_half_ma / np.sqrt(3.0),
            stray_mah2_per_s=_PERSISTS * found.stray_mah2_per_s,
        ),
        flags=charge_counter.step_flags(series, anchors, borders),
        notes=charge_counter.notes_on(found),
    )
    if not found.contradicts:
        return fused
    # One of the two is wrong and nobody knows which: anything from one to the other.
    larger = max(found.scale_ratio, 1 / found.scale_ratio) - 1
    doubt = Component.common(
        Cause.CONTRADICTION,
        larger / np.sqrt(3.0) * fused.energy_mwh,
        source="their difference",
    )
    return replace(fused, components=(*fused.components, doubt))
