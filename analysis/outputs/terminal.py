"""Energies as tables on a terminal."""

from collections.abc import Callable, Mapping, Sequence
from itertools import chain

from rich.cells import cell_len
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from analysis.outputs import found, wording
from analysis.outputs.answers import answers
from analysis.outputs.room import fitting, left_out
from analysis.report import INTERRUPTED, Amount, EnergyReport, PhoneEnergy, SegmentEnergy
from parsers.text import printable

Row = dict[str, str]
"""Cells by heading."""

WIDTH = 100
"""Columns that the tables need; output that goes to a file or a pipe gets as many."""

_NAME, _TRUE = "segment", "true mWh"
_LEAST_NAME_CHARS = 14
_SPARED = ("max °C", "% used", "mW", "time", _TRUE)
"""Left out, the first of them first, where a terminal is too narrow."""


def show(report: EnergyReport, console: Console) -> None:
    """Prints the answer, one table per phone, what is worth knowing, what needs attention."""
    console.print(f"[bold]{escape(wording.title(report))}[/]", highlight=False)
    for answer in answers(report):
        console.print(escape(answer), highlight=False)
    rows = [_rows(report, phone) for phone in report.phones]
    headings = tuple(rows[0][0])
    gap_chars = 2 if console.width >= WIDTH else 1
    widths_chars = _widths_chars(list(chain.from_iterable(rows)), console.width, gap_chars)
    for phone, mine in zip(report.phones, rows, strict=True):
        console.print(_table(phone, mine, widths_chars, gap_chars))
    for said in (wording.legend(report), left_out(headings, widths_chars)):
        if said:
            console.print(said, style="dim", highlight=False)
    if report.virtual:
        console.print(wording.VIRTUAL, style="dim", highlight=False)
    for line in _said(report, found.facts):
        console.print(escape(line), style="dim", highlight=False)
    for line in [*_whole(report), *_said(report, found.doubts)]:
        console.print(f"[bold]![/] {escape(line)}", highlight=False)


def _rows(report: EnergyReport, phone: PhoneEnergy) -> list[Row]:
    """The phone's segments, the rest and the total."""
    several, methods = wording.repeated(report), wording.methods_of(phone)
    names = [wording.marked(segment, several, methods) for segment in phone.segments]
    rows = [_row(name, s.amount, s) for name, s in zip(names, phone.segments, strict=True)]
    rows += [_row("untagged", phone.untagged), _row("total", phone.total)]
    if report.virtual:
        true_mwh = [s.true_energy_mwh for s in phone.segments]
        true_mwh += [phone.true_untagged_mwh, phone.true_total_mwh]
        amounts = [*(s.amount for s in phone.segments), phone.untagged, phone.total]
        for row, value, amount in zip(rows, true_mwh, amounts, strict=True):
            row[_TRUE] = wording.number(value, wording.digits_for(amount.u_mwh))
    return rows


def _row(name: str, amount: Amount, segment: SegmentEnergy | None = None) -> Row:
    return {
        _NAME: name,
        "time": wording.duration_text(amount.duration_s),
        "mWh": wording.energy_text(amount),
        "95 % interval": wording.interval_text(amount),
        "mW": wording.power_text(amount),
        "% used": wording.percent_text(segment) if segment else "",
        "max °C": wording.number(segment.temperature_max_c) if segment else "",
    }


def _widths_chars(rows: Sequence[Row], room_chars: int, gap_chars: int) -> dict[str, int]:
    """Of the columns that there is room for, the same for all phones; names give way first."""
    longest = {
        heading: max(cell_len(text) for text in (heading, *(row[heading] for row in rows)))
        for heading in rows[0]
    }
    least = longest | {_NAME: min(longest[_NAME], _LEAST_NAME_CHARS)}
    shown = fitting(least, _SPARED, room_chars, gap_chars)
    spare_chars = room_chars - sum(least[h] + gap_chars for h in shown) + gap_chars
    name_chars = min(longest[_NAME], least[_NAME] + max(spare_chars, 0))
    return {heading: least[heading] for heading in shown} | {_NAME: name_chars}


def _table(
    phone: PhoneEnergy, rows: Sequence[Row], widths_chars: Mapping[str, int], gap_chars: int
) -> Table:
    methods = wording.methods_text(phone)
    table = Table(
        title=escape(f"{phone.phone} ({methods})" if methods else phone.phone),
        title_justify="left",
        box=None,
        pad_edge=False,
        padding=(0, 1) if gap_chars == 2 else (0, 0, 0, 1),
    )
    for heading, width_chars in widths_chars.items():
        table.add_column(
            heading,
            justify="left" if heading == _NAME else "right",
            width=width_chars,
            overflow="fold",
            style="dim" if heading == _TRUE else None,
        )
    styles = [*[""] * (len(rows) - 2), "dim", "bold"]
    for row, style in zip(rows, styles, strict=True):
        table.add_row(*(Text(row[h], style if h == _NAME else "") for h in widths_chars))
    return table


def _whole(report: EnergyReport) -> list[str]:
    lines = [printable(note, 300) for note in report.notes]
    if report.interrupted:
        lines.append(INTERRUPTED)
    return lines


def _said(
    report: EnergyReport, what: Callable[[EnergyReport, PhoneEnergy], list[str]]
) -> list[str]:
    """Lines about each phone, those about several of them once."""
    about = wording.once((p.phone, line) for p in report.phones for line in what(report, p))
    return [f"{', '.join(phones)}: {printable(line, 300)}" for line, phones in about.items()]
