"""Figures and sentences that every form of the report shares."""

import math
from collections import Counter
from collections.abc import Container, Iterable, Sequence
from functools import lru_cache

from analysis.outputs.rounding import decimals, rounded
from analysis.report import Amount, EnergyReport, PhoneEnergy, SegmentEnergy
from parsers.text import printable

CAUTIONS = (
    "Stop and take the phone outdoors or onto something that cannot burn if it swells, hisses, "
    "smells, smokes or grows hot without load. Never run down a damaged, swollen, wet or recalled "
    "phone.",
    "Keep phones uncovered and off bedding, with nothing near that burns; stay close by while the "
    "load is heavy.",
    "Take 45 C of battery temperature as a warning and 50 C as the time to stop. These two are "
    "choices of this project, not limits of a standard.",
    "Let a hot phone cool before touching or charging it; do not charge near freezing.",
    "Charge again within days of a shut-off: an empty pack ages, and so does one that is often "
    "run down.",
)
LIMITS = (
    "Figures come from each phone's own gauge. Its gain is unknown to about 1 %; that part of the "
    "doubt is the same for all segments of one phone and differs between phones.",
    "Gauges are read about once a second; a laboratory supply samples many thousand times as "
    "often. What happens between readings enters the uncertainty.",
    "One run is one sample. How much an activity varies from run to run cannot be seen in it.",
)
METHODS = {
    "fused": (
        "current times voltage over time gives the shape and the borders; wherever the charge "
        "counter steps, the charge is tied to it. Each counts by what its own uncertainty is "
        "worth, gaps and sleep are bridged by the counter, and a reading that only repeats the "
        "one before is not counted again. What current and counter share, such as the gauge's "
        "gain, is common to all segments of the phone; what differs from segment to segment, such "
        "as sampling and the moments of its borders, is its own."
    ),
    "power integral": (
        "current times voltage over time; the phone has no charge counter that could be used. "
        "Asleep, where nothing is read, a default draw stands in."
    ),
    "charge counter": (
        "the steps of the charge counter, weighted with the voltage; the phone reports no current."
    ),
    "level": (
        "one power per segment such that the stated capacity is used up at the moments at which "
        "the level shown stepped; the phone reports neither current nor a counter that could be "
        "used."
    ),
}
"""How energies are found, by the name of the method."""

CUT_SHORT, DOUBTFUL = "†", "!"
LEGEND = {
    CUT_SHORT: "the recording ended before the segment did",
    DOUBTFUL: "something makes the figures doubtful, see what needs attention",
}
"""What a mark behind a segment's name means."""
_NUMERALS = "¹²³⁴"

VIRTUAL = (
    "The phones of this run were virtual: simulated cells and gauges behind the real recording "
    "path. Their true energy is known only for that reason, and it says nothing about any phone "
    "one can buy."
)


def title(report: EnergyReport) -> str:
    """The user's title, or the run's id."""
    return printable(report.title or report.run)


@lru_cache(maxsize=1024)
def segment_name(name: str, occurrence: int, *, several: bool) -> str:
    """A segment's name, made safe, numbered if there are several of it."""
    shown = printable(name)
    return f"{shown} ({occurrence})" if several else shown


def name_among(segment: SegmentEnergy, several: Container[str]) -> str:
    """How a segment is called, where the segments of these names occur more than once."""
    return segment_name(segment.segment, segment.occurrence, several=segment.segment in several)


def marks(segment: SegmentEnergy, methods: Sequence[str]) -> str:
    """What stands behind a segment's name; `methods` as `methods_of` gives them for its phone."""
    other = methods.index(segment.method) - 1
    found = [_NUMERALS[other]] if other >= 0 else []
    found += [CUT_SHORT] if segment.cut_short else []
    found += [DOUBTFUL] if segment.flags else []
    return " ".join(found)


def marked(segment: SegmentEnergy, several: Container[str], methods: Sequence[str]) -> str:
    """A segment's name with its marks."""
    return f"{name_among(segment, several)} {marks(segment, methods)}".rstrip()


def legend(report: EnergyReport) -> str:
    """What the marks mean that the segments of a report have; empty if they have none."""
    segments = [segment for phone in report.phones for segment in phone.segments]
    used = {
        CUT_SHORT: any(segment.cut_short for segment in segments),
        DOUBTFUL: any(segment.flags for segment in segments),
    }
    return "; ".join(f"{mark} {LEGEND[mark]}" for mark in LEGEND if used[mark])


def methods_of(phone: PhoneEnergy) -> tuple[str, ...]:
    """How the phone's energies were found: the method of most segments first."""
    return tuple(method for method, _ in Counter(s.method for s in phone.segments).most_common())


def methods_text(phone: PhoneEnergy) -> str:
    """The phone's methods; all but the first after the numeral that marks their segments."""
    first, *others = methods_of(phone) or ("",)
    return "; ".join([first, *(f"{_NUMERALS[k]} {name}" for k, name in enumerate(others))])


def repeated(report: EnergyReport) -> set[str]:
    """Names of segments that occur more than once on a phone."""
    return {s.segment for p in report.phones for s in p.segments if s.occurrence > 1}


def change_text(ratio: float | None) -> str:
    """A ratio as a change in percent with its sign: `−0.9`; `∞` for one without limit."""
    return "∞" if ratio is None else f"{100 * (ratio - 1):+.1f}".replace("-", "−")


def once(said: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    """Who or what each sentence is about, from pairs of that and the sentence."""
    about: dict[str, list[str]] = {}
    for name, sentence in said:
        about.setdefault(sentence, []).append(name)
    return about


def named(report: EnergyReport, name: str) -> list[tuple[str, SegmentEnergy]]:
    """Segments of a name, or called so in the table, each after its phone's label."""
    several = repeated(report)
    return [
        (phone.phone, segment)
        for phone in report.phones
        for segment in phone.segments
        if name in (segment.segment, name_among(segment, several))
    ]


def number(value: float | None, digits: int = 1) -> str:
    """A figure with thousands set apart by thin spaces, or a dash if there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{value:,.{digits}f}".replace(",", "\u202f")


def digits_for(u: float) -> int:
    """Decimals that show two figures of an uncertainty, three at most (JCGM 100:2008, 7.2.6)."""
    return max(decimals(u), 0)


def energy_text(amount: Amount) -> str:
    """Energy in mWh, as many figures as its doubt allows."""
    return _figure(amount.energy_mwh, amount.u_mwh)


def interval_text(amount: Amount) -> str:
    """The 95 % interval in mWh."""
    low, high = (_figure(end, amount.u_mwh) for end in (amount.lo95_mwh, amount.hi95_mwh))
    return f"{low} … {high}"


def power_text(amount: Amount) -> str:
    """Mean power in mW, as many figures as its doubt allows."""
    return _figure(amount.mean_power_mw, amount.power_u_mw)


def _figure(value: float, u: float) -> str:
    return number(rounded(value, decimals(u)), digits_for(u))


def duration_text(duration_s: float) -> str:
    """Hours, minutes and seconds."""
    whole = round(duration_s)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def percent_text(segment: SegmentEnergy) -> str:
    """Points of the level shown that the segment used."""
    return number(segment.level_used_pct, 0)
