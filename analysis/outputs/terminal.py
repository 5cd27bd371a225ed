"""Energies as tables on a terminal."""

from collections.abc import Callable

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from analysis.outputs import found, wording
from analysis.outputs.answers import answers
from analysis.report import Amount, EnergyReport, PhoneEnergy, SegmentEnergy
from parsers.text import printable

WIDTH = 100
"""Columns that the tables need; output that goes to a file or a pipe gets as many."""


def show(report: EnergyReport, console: Console) -> None:
    """Prints the answer, one table per phone, what is worth knowing, what needs attention."""
    console.print(f"[bold]{escape(wording.title(report))}[/]", highlight=False)
    for answer in answers(report):
        console.print(escape(answer), highlight=False)
    for phone in report.phones:
        console.print(_table(report, phone, roomy=console.width >= WIDTH))
    if report.virtual:
        console.print(wording.VIRTUAL, style="dim", highlight=False)
    for line in _said(report, found.facts):
        console.print(escape(line), style="dim", highlight=False)
    for line in [*_whole(report), *_said(report, found.doubts)]:
        console.print(f"[bold]![/] {escape(line)}", highlight=False)


def _table(report: EnergyReport, phone: PhoneEnergy, *, roomy: bool) -> Table:
    table = Table(
        title=escape(phone.phone),
        title_justify="left",
        box=None,
        pad_edge=False,
        padding=(0, 1) if roomy else (0, 0, 0, 1),
    )
    table.add_column("segment", ratio=1, overflow="fold", min_width=14)
    for column in ("time", "mWh", "95 % interval", "mW", "% used", "max °C"):
        table.add_column(column, justify="right", no_wrap=True)
    if report.virtual:
        table.add_column("true mWh", justify="right", no_wrap=True, style="dim")
    several = wording.repeated(report)
    for segment in phone.segments:
        name = wording.name_among(segment, several)
        marks = (" †" if segment.cut_short else "") + (" !" if segment.flags else "")
        table.add_row(*_cells(report, escape(name) + marks, segment.amount, segment))
    for name, amount, true_mwh in (
        ("[dim]untagged[/]", phone.untagged, phone.true_untagged_mwh),
        ("[bold]total[/]", phone.total, phone.true_total_mwh),
    ):
        cells = _cells(report, name, amount, None)
        if report.virtual:
            cells[-1] = wording.number(true_mwh, wording.digits_for(amount.u_mwh))
        table.add_row(*cells)
    return table


def _cells(
    report: EnergyReport, name: str, amount: Amount, segment: SegmentEnergy | None
) -> list[str]:
    cells = [
        name,
        wording.duration_text(amount.duration_s),
        wording.energy_text(amount),
        wording.interval_text(amount),
        wording.power_text(amount),
        wording.percent_text(segment) if segment else "",
        wording.number(segment.temperature_max_c) if segment else "",
    ]
    if report.virtual:
        true_mwh = segment.true_energy_mwh if segment else None
        digits = wording.digits_for(amount.u_mwh)
        cells.append(wording.number(true_mwh, digits) if segment else "")
    return cells


def _whole(report: EnergyReport) -> list[str]:
    lines = [printable(note, 300) for note in report.notes]
    if report.interrupted:
        lines.append("the run was interrupted: nobody ended it in order")
    return lines


def _said(
    report: EnergyReport, what: Callable[[EnergyReport, PhoneEnergy], list[str]]
) -> list[str]:
    """Lines about each phone, those about several of them once."""
    about: dict[str, list[str]] = {}
    for phone in report.phones:
        for line in what(report, phone):
            about.setdefault(line, []).append(phone.phone)
    return [f"{', '.join(phones)}: {printable(line, 300)}" for line, phones in about.items()]
