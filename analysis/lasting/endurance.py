"""The European figure for a smartphone's endurance on one charge, if a run followed its sequence.

The sequence and the classes were taken from summaries of the law, the arrangement of the index
from its variables and unit. Luminance, ambient temperature and radio settings of the law's annex
could not be verified and are not checked.

References:
    Commission Delegated Regulation (EU) 2023/1669, Annexes II and IV.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from analysis.readings.segments import Segment
from analysis.statistics.inference import Interval

SEQUENCE: tuple[tuple[str, float], ...] = (
    ("call", 4.0),
    ("idle", 30.0),
    ("web", 9.0),
    ("idle", 30.0),
    ("video streaming", 4.0),
    ("gaming", 1.0),
    ("idle", 30.0),
    ("network transfer", 8.0),
    ("idle", 30.0),
    ("video playback", 4.0),
)
"""Activities of one loop and their minutes."""

CLASSES = (
    *(("A", "2.70"), ("B", "2.30"), ("C", "1.95")),
    *(("D", "1.66"), ("E", "1.41"), ("F", "1.20")),
)
"""An index above the bound is in the class; at the bound it is in the next."""

UNVERIFIED = (
    "luminance, ambient temperature and radio settings of the law's annex could not be verified: "
    "set and state them yourself",
    "sequence and classes follow summaries of (EU) 2023/1669, not its official text",
)
_LAST_CLASS = "G"
_LENGTH_RATIO = 0.05
_LENGTH_S = 5.0
"""How far a segment may be from its length; choices of this project."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Endurance:
    """How long a phone ran the sequence on one charge.

    Attributes:
        hours: to shut-off, by the bracket in which it shut off.
        declared_h: rounded to two decimals, as it is declared.
        index_per_w: hours over rated energy, rounded, times 1000; None without the rated values.
        energy_class: by the rounded index; None without it.
        n_loops: whole loops.
    """

    hours: Interval
    declared_h: Decimal
    index_per_w: Decimal | None
    energy_class: str | None
    n_loops: int


def follows_sequence(segments: Sequence[Segment]) -> bool:
    """Whether tagged segments are the sequence, a whole loop or more, the last one cut short."""
    if len(segments) < len(SEQUENCE):
        return False
    for number, segment in enumerate(segments):
        name, minutes = SEQUENCE[number % len(SEQUENCE)]
        reach_s = _reach_s(minutes)
        apart_s = segment.duration_s - minutes * 60
        last = number == len(segments) - 1
        if segment.name.strip().lower() != name or apart_s > reach_s:
            return False
        if apart_s < -reach_s and not last:
            return False
    return True


def whole_loops(segments: Sequence[Segment]) -> int:
    """How often the sequence was done to its end."""
    _, minutes = SEQUENCE[(len(segments) - 1) % len(SEQUENCE)]
    cut_short = segments[-1].duration_s < minutes * 60 - _reach_s(minutes)
    return (len(segments) - cut_short) // len(SEQUENCE)


def _reach_s(minutes: float) -> float:
    return max(_LENGTH_RATIO * minutes * 60, _LENGTH_S)


def endurance(
    hours: Interval, n_loops: int, nominal_mv: float | None, capacity_mah: float | None
) -> Endurance:
    """The figure of a run that followed the sequence from 100 % to shut-off."""
    declared_h = rounded(hours.value)
    index = (
        None
        if nominal_mv is None or capacity_mah is None
        else endurance_index(declared_h, nominal_mv, capacity_mah)
    )
    return Endurance(
        hours=hours,
        declared_h=declared_h,
        index_per_w=index,
        energy_class=None if index is None else class_of(index),
        n_loops=n_loops,
    )


def endurance_index(declared_h: Decimal, nominal_mv: float, capacity_mah: float) -> Decimal:
    """Hours over nominal voltage and rated capacity, times 1000, to two decimals, in 1/W."""
    rated = Decimal(repr(nominal_mv)) / 1000 * Decimal(repr(capacity_mah))
    return _two_decimals(declared_h / rated * 1000)


def class_of(index: Decimal) -> str:
    """The class of a rounded index."""
    return next((name for name, bound in CLASSES if index > Decimal(bound)), _LAST_CLASS)


def rounded(value: float) -> Decimal:
    """Two decimals, halves away from zero."""
    return _two_decimals(Decimal(repr(float(value))))


def _two_decimals(value: Decimal) -> Decimal:
    return value.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)
