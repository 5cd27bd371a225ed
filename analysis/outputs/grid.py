"""Segments down, phones across."""

from collections.abc import Sequence

from analysis.outputs import wording
from analysis.report import EnergyReport, SegmentEnergy

Row = tuple[str, Sequence[SegmentEnergy | None]]
"""A segment's name, and what each phone has of it; None where a phone did not do it."""


def grid(report: EnergyReport) -> list[Row]:
    """One row per segment and occurrence, as first marked."""
    several = wording.repeated(report)
    keys = dict.fromkeys((s.segment, s.occurrence) for p in report.phones for s in p.segments)
    found = [{(s.segment, s.occurrence): s for s in p.segments} for p in report.phones]
    return [
        (
            wording.segment_name(name, occurrence, several=name in several),
            [mine.get((name, occurrence)) for mine in found],
        )
        for name, occurrence in keys
    ]
