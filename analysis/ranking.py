"""Which phone drew least at each activity, and where that cannot be told."""

import math
from dataclasses import dataclass
from statistics import NormalDist

from analysis.report import Amount, EnergyReport

TOTAL = "whole run"
_REACH = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """Phones at one activity, by mean power.

    Attributes:
        segment: name, untrusted text; `whole run` for all of it.
        occurrence: from 1; 0 for the whole run.
        phones: label and amount, least mean power first.
        tied: labels that may have drawn no more than the first, the first among them: the 95 %
            interval of their difference in mean power includes zero.
    """

    segment: str
    occurrence: int
    phones: tuple[tuple[str, Amount], ...]
    tied: tuple[str, ...]

    @property
    def least(self) -> str:
        """Label of the phone with the least mean power."""
        return self.phones[0][0]


def rank(report: EnergyReport) -> tuple[Ranking, ...]:
    """The whole run first, then each activity that two phones or more did, as first marked.

    Phones are judged by mean power, since they need not have done a thing for equally long; their
    uncertainties are independent of each other, gauge gains included.
    """
    found: dict[tuple[str, int], list[tuple[str, Amount]]] = {}
    for phone in report.phones:
        found.setdefault((TOTAL, 0), []).append((phone.phone, phone.total))
        for segment in phone.segments:
            key = (segment.segment, segment.occurrence)
            found.setdefault(key, []).append((phone.phone, segment.amount))
    return tuple(
        _ranking(name, occurrence, phones)
        for (name, occurrence), phones in found.items()
        if len(phones) > 1
    )


def _ranking(name: str, occurrence: int, phones: list[tuple[str, Amount]]) -> Ranking:
    ordered = sorted(phones, key=lambda item: item[1].mean_power_mw)
    least = ordered[0][1]
    return Ranking(
        segment=name,
        occurrence=occurrence,
        phones=tuple(ordered),
        tied=tuple(label for label, amount in ordered if amount is least or _ties(least, amount)),
    )


def _ties(least: Amount, other: Amount) -> bool:
    apart = other.mean_power_mw - least.mean_power_mw
    return apart <= _REACH * math.hypot(least.power_u_mw, other.power_u_mw)
