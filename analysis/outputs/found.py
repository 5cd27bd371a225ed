"""What needs attention about a phone and what is worth knowing, in lines with their times."""

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import timedelta
from itertools import chain

from analysis.outputs import wording
from analysis.report import EnergyReport, Finding, PhoneEnergy, SegmentEnergy
from parsers.text import so_many

_MOST_OF_A_KIND = 4


def doubts(report: EnergyReport, phone: PhoneEnergy) -> list[str]:
    """A line per thing that makes the phone's figures doubtful."""
    doubtful = [finding for finding in phone.findings if not finding.harmless]
    flags = _by_sentence(report, [(s, flag) for s in phone.segments for flag in s.flags])
    return [*phone.notes, *_lines(doubtful, _clock(report)), *flags]


def facts(report: EnergyReport, phone: PhoneEnergy) -> list[str]:
    """A line per thing that is handled, or in the doubt stated already."""
    harmless = [finding for finding in phone.findings if finding.harmless]
    known = _by_sentence(report, [(s, fact) for s in phone.segments for fact in s.facts])
    return [*phone.facts, *_lines(harmless, _clock(report)), *known]


def _by_sentence(report: EnergyReport, said: Sequence[tuple[SegmentEnergy, str]]) -> Iterator[str]:
    """Each sentence once, after the names of the segments it is about."""
    several = wording.repeated(report)
    about = wording.once((wording.name_among(s, several), sentence) for s, sentence in said)
    return (f"{', '.join(names)}: {sentence}" for sentence, names in about.items())


def _clock(report: EnergyReport) -> str:
    """How moments are written: with the date if not all of the run was on one day, UTC."""
    longest_s = max(phone.total.duration_s for phone in report.phones)
    moments = [report.began_utc, report.began_utc + timedelta(seconds=longest_s)]
    for finding in chain.from_iterable(phone.findings for phone in report.phones):
        moments += [finding.start_utc, finding.end_utc]
    days = {moment.date() for moment in moments}
    return "%H:%M:%S" if len(days) == 1 else "%Y-%m-%d %H:%M:%S"


def _lines(findings: Sequence[Finding], clock: str) -> list[str]:
    """A line per finding; of many alike, the first few and how many more there are."""
    shown: Counter[str] = Counter()
    said = []
    for finding in findings:
        shown[finding.said] += 1
        if shown[finding.said] <= _MOST_OF_A_KIND:
            said.append(_line(finding, clock))
    more = {what: n - _MOST_OF_A_KIND for what, n in shown.items() if n > _MOST_OF_A_KIND}
    return said + [f"{what}: {so_many(n, 'more time')}" for what, n in more.items()]


def _line(finding: Finding, clock: str) -> str:
    start, end = (f"{at:{clock}}" for at in (finding.start_utc, finding.end_utc))
    if finding.throughout:
        return finding.said
    when = f"at {start}" if start == end else f"{start} to {end}"
    return f"{when} UTC: {finding.said}"
