"""Figures and sentences that every form of the report shares."""

import math

from analysis.ranking import TOTAL, Ranking
from analysis.report import Amount, EnergyReport, SegmentEnergy
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
VIRTUAL = (
    "The phones of this run were virtual: simulated cells and gauges behind the real recording "
    "path. Their true energy is known only for that reason, and it says nothing about any phone "
    "one can buy."
)


def title(report: EnergyReport) -> str:
    """The user's title, or the run's id."""
    return printable(report.title or report.run)


def segment_name(name: str, occurrence: int, *, several: bool) -> str:
    """A segment's name, made safe, numbered if there are several of it."""
    shown = printable(name)
    return f"{shown} ({occurrence})" if several else shown


def repeated(report: EnergyReport) -> set[str]:
    """Names of segments that occur more than once on a phone."""
    return {s.segment for p in report.phones for s in p.segments if s.occurrence > 1}


def number(value: float | None, digits: int = 1) -> str:
    """A figure with thousands set apart by thin spaces, or a dash if there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{value:,.{digits}f}".replace(",", "\u202f")


def digits_for(u: float) -> int:
    """Decimals that show two figures of an uncertainty, three at most (JCGM 100:2008, 7.2.6)."""
    if not math.isfinite(u) or u <= 0:
        return 1
    return int(min(max(1 - math.floor(math.log10(u)), 0), 3))


def energy_text(amount: Amount) -> str:
    """Energy in mWh, as many decimals as its doubt allows."""
    return number(amount.energy_mwh, digits_for(amount.u_mwh))


def interval_text(amount: Amount) -> str:
    """The 95 % interval in mWh."""
    digits = digits_for(amount.u_mwh)
    return f"{number(amount.lo95_mwh, digits)} … {number(amount.hi95_mwh, digits)}"


def duration_text(duration_s: float) -> str:
    """Hours, minutes and seconds."""
    whole = round(duration_s)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def percent_text(segment: SegmentEnergy) -> str:
    """Points of the level shown that the segment used."""
    return number(segment.level_used_pct, 0)


def sentence(ranking: Ranking, *, several: bool = False) -> str:
    """Who drew least, or that it cannot be told."""
    where = (
        "Over the whole run"
        if ranking.occurrence == 0 and ranking.segment == TOTAL
        else f"At {segment_name(ranking.segment, ranking.occurrence, several=several)}"
    )
    least = ranking.phones[0][1]
    if len(ranking.tied) > 1:
        named = ", ".join(ranking.tied)
        if len(ranking.tied) == len(ranking.phones):
            return f"{where}, nothing tells {named} apart (about {_power(least)})."
        return f"{where}, {named} drew least; nothing tells them apart (about {_power(least)})."
    label, other = ranking.phones[1]
    more = other.mean_power_mw / least.mean_power_mw - 1 if least.mean_power_mw > 0 else math.nan
    by = f", {more:.0%} more" if math.isfinite(more) else ""
    following = f"Next, {label}: {_power(other)}{by}."
    return f"{where}, {ranking.least} drew least: {_power(least)}. {following}"


def _power(amount: Amount) -> str:
    digits = digits_for(amount.power_u_mw)
    return (
        f"{number(amount.mean_power_mw, digits)} mW ± {number(1.96 * amount.power_u_mw, digits)}"
    )
