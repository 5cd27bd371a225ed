"""What a check found of each phone, as far as it can be behind a difference."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from analysis.comparison.verdict import TOTAL
from analysis.readings.run import Run
from analysis.report import EnergyReport
from parsers.checks import CheckRecord, read_checks
from parsers.runfolder import RunFolder
from parsers.text import printable

_MEASURED = re.compile(r"\d (?:%|°C|GB|dBm|min)\b|\d (?:%|°C)$")
"""Such values are never twice the same; the check's own tolerance decides on them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One item of a check, on one phone.

    Attributes:
        run: id of the run it was checked for.
        value: as the check said it, untrusted text.
        wrong: whether the item was wrong or unequal among the run's phones.
    """

    run: str
    value: str
    wrong: bool


Checked = Mapping[str, Seen]
"""By item."""


def unequal(one: Checked, other: Checked) -> list[tuple[str, str, str]]:
    """Items in which two phones, or one in two runs, differed: the item and what each said."""
    return [
        (item, mine.value, other[item].value)
        for item, mine in one.items()
        if item in other and mine.value != other[item].value and _matters(mine, other[item])
    ]


def _matters(one: Seen, other: Seen) -> bool:
    """Within a run the check has judged it; between runs nobody has."""
    if one.wrong or other.wrong or one.run == other.run:
        return one.wrong or other.wrong
    return not (_MEASURED.search(one.value) or _MEASURED.search(other.value))


def checked_of(run: Run, report: EnergyReport) -> dict[tuple[str, str, int], Checked]:
    """What held for each phone during each of its segments, by phone, segment and occurrence.

    A check holds until the next one; a whole run has everything that was ever wrong.

    Raises:
        RunDamagedError: if the file of checks cannot be read as text.
    """
    path = RunFolder(run.path).checks_path
    records = [record for _, record in read_checks(path).records]
    found: dict[tuple[str, str, int], Checked] = {}
    for phone in report.phones:
        found[phone.phone, TOTAL, 0] = _seen(report.run, phone.phone, records)
        for segment in phone.segments:
            during = _holding(records, segment.start_utc, segment.end_utc)
            key = (phone.phone, segment.segment, segment.occurrence)
            found[key] = _seen(report.run, phone.phone, during)
    return found if records else {}


def _holding(
    records: list[CheckRecord], start_utc: datetime, end_utc: datetime
) -> list[CheckRecord]:
    """The last check before a segment, or the first there is, and those during it."""
    before = [record for record in records if record.made_utc <= start_utc][-1:]
    during = [record for record in records if start_utc < record.made_utc < end_utc]
    return [*before, *during] or records[:1]


def _seen(run: str, phone: str, records: list[CheckRecord]) -> dict[str, Seen]:
    """The last word on each item, or the last wrong one if there is any."""
    seen: dict[str, Seen] = {}
    for record in records:
        for finding in record.findings:
            wrong = finding.outcome == "wrong"
            known = seen.get(finding.item)
            if phone in finding.found and (wrong or known is None or not known.wrong):
                value = printable(finding.found[phone], 60)
                seen[finding.item] = Seen(run=run, value=value, wrong=wrong)
    return seen
