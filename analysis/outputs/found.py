"""What needs attention about a phone and what is worth knowing, in lines with their times."""

from collections import Counter
from collections.abc import Iterator, Sequence

from analysis.outputs import wording
from analysis.report import EnergyReport, Finding, PhoneEnergy, SegmentEnergy
from parsers.text import so_many

_MOST_OF_A_KIND = 4


def doubts(report: EnergyReport, phone: PhoneEnergy) -> list[str]:
    """A line per thing that makes the phone's figures doubtful."""
    doubtful = [finding for finding in phone.findings if not finding.harmless]
    flags = _by_sentence(report, [(s, flag) for s in phone.segments for flag in s.flags])
    return [*phone.notes, *_lines(doubtful), *flags]


def facts(report: EnergyReport, phone: PhoneEnergy) -> list[str]:
    """A line per thing that is handled, or in the doubt stated already."""
    harmless = [finding for finding in phone.findings if finding.harmless]
    known = _by_sentence(report, [(s, fact) for s in phone.segments for fact in s.facts])
    return [*phone.facts, *_lines(harmless), *known]


def _by_sentence(report: EnergyReport, said: Sequence[tuple[SegmentEnergy, str]]) -> Iterator[str]:
    """Each sentence once, after the names of the segments it is about."""
    several = wording.repeated(report)
    about: dict[str, list[str]] = {}
    for s, sentence in said:
        name = wording.name_among(s, several)
        about.setdefault(sentence, []).append(name)
    return (f"{', '.join(names)}: {sentence}" for sentence, names in about.items())


def _lines(findings: Sequence[Finding]) -> list[str]:
    """A line per finding; of many alike, the first few and how many more there are."""
    shown: Counter[str] = Counter()
    said = []
    for finding in findings:
        shown[finding.said] += 1
        if shown[finding.said] <= _MOST_OF_A_KIND:
            said.append(_line(finding))
    more = {what: n - _MOST_OF_A_KIND for what, n in shown.items() if n > _MOST_OF_A_KIND}
    return said + [f"{what}: {so_many(n, 'more time')}" for what, n in more.items()]


def _line(finding: Finding) -> str:
    start, end = (f"{at:%H:%M:%S}" for at in (finding.start_utc, finding.end_utc))
    if finding.throughout:
        return finding.said
    when = f"at {start}" if start == end else f"{start} to {end}"
    return f"{when} UTC: {finding.said}"
