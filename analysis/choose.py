"""For each piece of time, the method that leaves the least doubt."""

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from analysis.errors import NothingRecordedError
from analysis.estimate import Estimate, pick
from analysis.estimators import ESTIMATORS, level
from analysis.profile import Floats
from analysis.series import Series

_LIKELY = 3.0
"""Standard uncertainties by which two methods may differ before they count as contradicting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """Two methods whose totals differ by more than their doubt allows.

    Attributes:
        said: the fact in a sentence.
        apart_ratio: the difference over the smaller total.
        by_gauge: both rest on what the gauge measures; else one on the stated capacity, which an
            aged battery does not reach and which says nothing against the other.
    """

    said: str
    apart_ratio: float
    by_gauge: bool


def all_estimates(series: Series, borders_s: Floats) -> tuple[Estimate, ...]:
    """What each method says that the series allows, in the order of `ESTIMATORS`."""
    return tuple(e.estimate(series, borders_s) for e in ESTIMATORS if e.can(series))


def best(series: Series, borders_s: Floats, *, where: str = "series") -> Estimate:
    """Each piece from the method with the smallest combined standard uncertainty.

    Where current and counter contradict each other, one of the two is wrong and nobody knows
    which: the difference then counts as the half width of a rectangular distribution.

    Raises:
        NothingRecordedError: if no method can work with the series.
        SeriesError: if the borders do not ascend.
    """
    estimates = all_estimates(series, borders_s)
    if not estimates:
        raise NothingRecordedError(
            where,
            "neither current nor a moving charge counter nor the level with a stated capacity, "
            "each with the voltage",
        )
    doubt = np.array([np.where(np.isfinite(e.energy_mwh), e.u_mwh, np.inf) for e in estimates])
    picked = pick(estimates, [int(k) for k in np.argmin(doubt, axis=0)])
    found = contradictions(estimates)
    apart_ratio = max((c.apart_ratio for c in found if c.by_gauge), default=0.0)
    return replace(
        picked,
        common_u_ratio=np.hypot(picked.common_u_ratio, apart_ratio / np.sqrt(3.0)),
        notes=(*picked.notes, *(c.said for c in found)),
    )


def contradictions(estimates: tuple[Estimate, ...]) -> tuple[Contradiction, ...]:
    """The pairs of methods that contradict each other over all pieces."""
    found = []
    for one, other in combinations(estimates, 2):
        every = np.ones(len(one.energy_mwh))
        (a_mwh, a_u), (b_mwh, b_u) = one.summed(every), other.summed(every)
        apart = abs(a_mwh - b_mwh)
        if apart <= _LIKELY * float(np.hypot(a_u, b_u)):
            continue
        found.append(
            Contradiction(
                said=f"{one.method[0]} and {other.method[0]} contradict each other: "
                f"{a_mwh:.0f} and {b_mwh:.0f} mWh in all",
                apart_ratio=apart / max(min(abs(a_mwh), abs(b_mwh)), 1e-9),
                by_gauge=level.NAME not in (one.method[0], other.method[0]),
            )
        )
    return tuple(found)
