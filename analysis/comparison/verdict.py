"""What can be said of one side against the other, alone and among many."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any

from analysis.comparison.contrast import Contrast
from analysis.statistics.inference import Interval, holm

TOTAL = "whole run"
_LEVEL = 0.05


class Verdict(StrEnum):
    """What can be said of one side against the other."""

    LOWER = "lower"
    HIGHER = "higher"
    UNRESOLVED = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One activity, one side against the other.

    Attributes:
        activity: name of the segment, untrusted text; `whole run` for all of it.
        occurrence: from 1; 0 for the whole run.
        one: label of the phone that is judged; name of the run, between runs.
        other: what it is judged against.
        phone: label of the phone, between runs of one phone; empty between phones.
        contrast: ratio and difference of mean power.
        difference_mwh: of energies; None unless both lasted equally long, once.
        confounders: what else may be behind it, in sentences.
        p_adjusted: of the contrast, among all verdicts given with it (Holm).
    """

    activity: str
    occurrence: int
    one: str
    other: str
    contrast: Contrast
    phone: str = ""
    difference_mwh: Interval | None = None
    confounders: tuple[str, ...] = ()
    p_adjusted: float = 1.0

    @property
    def verdict(self) -> Verdict:
        """Of `one` against `other`."""
        if self.p_adjusted >= _LEVEL:
            return Verdict.UNRESOLVED
        return Verdict.LOWER if self.contrast.difference_mw.value < 0 else Verdict.HIGHER

    @property
    def key(self) -> tuple[str, int]:
        """Activity and occurrence."""
        return self.activity, self.occurrence


def adjusted(comparisons: Iterable[Comparison]) -> tuple[Comparison, ...]:
    """The comparisons, judged as one table of verdicts."""
    many = tuple(comparisons)
    ps = holm([c.contrast.p_value for c in many])
    return tuple(replace(c, p_adjusted=p) for c, p in zip(many, ps, strict=True))


def plain(comparison: Comparison) -> dict[str, Any]:
    """A comparison as plain values, its contrast among them."""
    contrast = asdict(comparison.contrast)
    values = {k: v for k, v in asdict(comparison).items() if k not in ("contrast", "confounders")}
    return {
        **values,
        **{k: v for k, v in contrast.items() if k != "repeats"},
        "repeats_needed": comparison.contrast.repeats.needed(),
        "verdict": comparison.verdict.value,
        "confounders": list(comparison.confounders),
    }
