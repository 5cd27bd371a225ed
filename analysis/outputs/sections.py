"""Parts of the page that come from beside the energies: outlook, fairness, slips."""

from collections.abc import Iterator
from dataclasses import dataclass

from analysis.lasting.outlook import Outlook
from analysis.outputs import wording
from analysis.outputs.rounding import decimals, rounded
from analysis.outputs.timecode import clock
from analysis.readings.run import Run
from analysis.statistics.inference import Interval
from parsers.checks import CheckRecord, read_checks
from parsers.runfolder import RunFolder
from parsers.slips import Slip, read_slips

_WHEN = {"start": "before it began", "during": "while it went on", "end": "at its end"}
_OUTCOMES = {"wrong": "not alike or not as it must be", "ask": "adb cannot tell"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading with paragraphs and perhaps a table.

    Attributes:
        title: heading.
        lines: paragraphs.
        head: column heads of the table; empty without one.
        rows: its cells.
    """

    title: str
    lines: tuple[str, ...] = ()
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def sections(run: Run, hours: Outlook | None) -> list[Section]:
    """What is known besides the energies.

    Args:
        run: for what was checked and noted while it was recorded.
        hours: how long activities would last; None if too little is known.

    Raises:
        RunDamagedError: if a file of the run cannot be read as text.
    """
    return [*([] if hours is None else [_outlook(hours)]), _fairness(run), _slips(run)]


def _outlook(found: Outlook) -> Section:
    names = dict.fromkeys(a.activity for p in found.phones for a in p.activities)
    lines = [
        "Hours from a full charge to shut-off if the phone did nothing else, done as in this run; "
        "in brackets the 95 % interval. How it varies from run to run is not in it."
    ]
    lines += [
        f"{p.phone}: a full charge gives {_span(p.usable_mwh, 'mWh')}, {p.said}."
        for p in found.phones
    ]
    return Section(
        title="Outlook",
        lines=(*lines, *found.notes),
        head=("activity", *(f"{p.phone}, h" for p in found.phones)),
        rows=tuple((name, *_hours(found, name)) for name in names),
    )


def _hours(found: Outlook, activity: str) -> Iterator[str]:
    for phone in found.phones:
        mine = next((a for a in phone.activities if a.activity == activity), None)
        yield "–" if mine is None else _span(mine.hours, "")


def _span(interval: Interval, unit: str) -> str:
    """A value to the figures that its interval leaves meaning in, and the interval."""
    ends = [abs(x - interval.value) for x in (interval.lo95, interval.hi95) if x is not None]
    places = decimals(max(ends, default=0.0) / 2)
    value, low, high = (
        wording.number(rounded(x, places), max(places, 0))
        for x in (interval.value, interval.lo95, interval.hi95)
    )
    high = "no limit" if interval.hi95 is None else high
    return " ".join(filter(None, [value, unit, f"({low} … {high})"]))


def _fairness(run: Run) -> Section:
    records = [record for _, record in read_checks(RunFolder(run.path).checks_path).records]
    if not records:
        return Section(
            title="Fairness", lines=("Nobody checked whether the phones were set alike.",)
        )
    return Section(
        title="Fairness",
        lines=tuple(line for record in records for line in _said(record)),
        head=("checked", "item", "found", "what is wrong or must be looked at"),
        rows=tuple(row for record in records for row in _found(record)),
    )


def _said(record: CheckRecord) -> Iterator[str]:
    n_good = sum(finding.outcome == "good" for finding in record.findings)
    when = _WHEN[record.when]
    yield f"Checked {when}: {n_good} of {len(record.findings)} items were good."
    for label, luminance in record.luminance_cd_m2.items():
        shone = wording.number(luminance, 0)
        yield f"{label}: a white patch shone with {shone} cd/m², as measured."
    yield from record.set_by_adb
    yield from (f"could not be set: {line}" for line in record.not_set)


def _found(record: CheckRecord) -> Iterator[tuple[str, str, str, str]]:
    for finding in record.findings:
        if finding.outcome != "good":
            told = "; ".join(f"{label}: {value}" for label, value in finding.found.items())
            why = finding.why or _OUTCOMES[finding.outcome]
            yield _WHEN[record.when], finding.item, told or "–", why


def _slips(run: Run) -> Section:
    found = read_slips(RunFolder(run.path).slips_path)
    if not found.slips:
        return Section(
            title="Slips", lines=("None was noted while it was recorded.", *found.damage)
        )
    return Section(
        title="Slips",
        lines=found.damage,
        head=("from", "to", "phone", "segment", "what"),
        rows=tuple(_slip(run, slip) for slip in found.slips),
    )


def _slip(run: Run, slip: Slip) -> tuple[str, str, str, str, str]:
    began = run.manifest.clocks.utc
    start_s = max((slip.begin.at_utc - began).total_seconds(), 0.0)
    end = slip.end_utc
    over = "the end" if end is None else clock(max((end - began).total_seconds(), 0.0))
    return clock(start_s), over, slip.begin.phone, slip.begin.segment or "–", slip.begin.text
