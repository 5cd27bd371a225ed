"""Counter for the slow content, current for shape and borders, each by what it is worth."""

from dataclasses import replace

import numpy as np

from analysis.errors import CannotEstimateError
from analysis.estimation.borders import checked
from analysis.estimation.bridge import Doubts
from analysis.estimation.counting import by_level, counted, judged
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
"""A counter that strays, and a level, say nothing of the current's scale."""

_LEVEL_NOTE = "the level follows the counted charge: its steps stand in for a counter's"


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
    if not power_integral.can(series):
        return charge_counter.estimate(series, borders_s)
    counter = charge_counter.can(series)
    beside = judged(series) if counter else by_level(series)
    if beside is None:
        return power_integral.estimate(series, borders_s)
    borders = checked(borders_s)
    series, shape, found = beside.series, beside.shape, beside.found
    if found.contradicts:
        shape = flow(replace(series, current_ma=series.current_ma * found.scale_ratio))
    anchors = counted(series, shape, borders)
    strays = found.stray_mah2_per_s > 0
    fused = settled(
        series,
        shape,
        borders,
        method=NAME,
        anchors=anchors,
        doubts=Doubts(
            sampling_ratio=found.sampling_ratio if counter else 1.0,
            scale_u_ratio=_SCALE_U_RATIO if counter and not strays else _STRAYING_U_RATIO,
            unit_u_ratio=0.0 if counter else found.scale_u_ratio,
            sleep_u_ma=series.gains.sleep_half_ma / np.sqrt(3.0),
            stray_mah2_per_s=_PERSISTS * found.stray_mah2_per_s,
        ),
        flags=charge_counter.step_flags(series, anchors, borders) if counter else None,
        notes=charge_counter.notes_on(found) if counter else (_LEVEL_NOTE,),
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
