"""What was found in a phone's readings, in lines with their times."""

from collections import Counter

from analysis.report import Finding, PhoneEnergy

_MOST_OF_A_KIND = 4


def lines(phone: PhoneEnergy) -> list[str]:
    """A line per finding; of many alike, the first few and how many more there are."""
    shown: Counter[str] = Counter()
    said = []
    for finding in phone.findings:
        shown[finding.said] += 1
        if shown[finding.said] <= _MOST_OF_A_KIND:
            said.append(_line(finding))
    more = {what: n - _MOST_OF_A_KIND for what, n in shown.items() if n > _MOST_OF_A_KIND}
    return said + [f"{what}: {n} more times" for what, n in more.items()]


def _line(finding: Finding) -> str:
    start, end = (f"{at:%H:%M:%S}" for at in (finding.start_utc, finding.end_utc))
    if finding.throughout:
        return finding.said
    when = f"at {start}" if start == end else f"{start} to {end}"
    return f"{when} UTC: {finding.said}"
