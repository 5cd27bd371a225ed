"""Where the uncertainty of one segment comes from, as tables on a terminal."""

from collections.abc import Sequence

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from analysis.outputs import wording
from analysis.outputs.budget import EXPLAINED, SCOPES, parted, share_of, together, u_text
from analysis.report import Amount, EnergyReport, SegmentEnergy
from parsers.text import printable, so_many

WIDTH = 80
"""Columns that the tables need; output that goes to a file or a pipe gets as many."""


def show(report: EnergyReport, name: str, console: Console) -> None:
    """Prints the budget of every segment of a name."""
    found = wording.named(report, name)
    sources = _numbered([segment.amount for _, segment in found])
    several = wording.repeated(report)
    for phone, segment in found:
        title = wording.name_among(segment, several)
        amount = segment.amount
        console.print(
            f"[bold]{escape(phone)}, {escape(title)}[/]: {wording.energy_text(amount)} mWh "
            f"({wording.interval_text(amount)}), {escape(segment.method)}",
            highlight=False,
        )
        console.print(_table(segment, sources))
    for source, number in sources.items():
        console.print(f"{number:>2}  {escape(printable(source))}", highlight=False)
    console.print(EXPLAINED, style="dim", highlight=False)


def _numbered(amounts: Sequence[Amount]) -> dict[str, int]:
    """Where sizes come from, each once with a number."""
    sources = dict.fromkeys(x.source for amount in amounts for x in parted(amount)[0])
    return {source: number for number, source in enumerate(sources, start=1)}


def _table(segment: SegmentEnergy, sources: dict[str, int]) -> Table:
    amount = segment.amount
    table = Table(box=None, pad_edge=False)
    table.add_column("source of doubt", overflow="fold", min_width=16)
    for column in ("u, mWh", "share"):
        table.add_column(column, justify="right", no_wrap=True)
    for column in ("type", "shape", "scope"):
        table.add_column(column, no_wrap=True)
    table.add_column("from", justify="right", no_wrap=True)
    large, small = parted(amount)
    for line in large:
        table.add_row(
            escape(printable(line.name)),
            u_text(line.u_mwh, amount),
            f"{100 * share_of(line, amount):.1f} %",
            line.kind,
            line.distribution,
            SCOPES[line.shared],
            str(sources[line.source]),
        )
    if small:
        u_mwh = together(small)
        row = (f"below 0.1 %: {so_many(len(small), 'line')}", u_text(u_mwh, amount))
        table.add_row(*row, f"{100 * (u_mwh / amount.u_mwh) ** 2:.1f} %", style="dim")
    for said, lines in (
        ("common to all segments", [line for line in amount.budget if line.shared]),
        ("its own", [line for line in amount.budget if not line.shared]),
    ):
        if lines:
            table.add_row(said, u_text(together(lines), amount), style="dim")
    table.add_row("[bold]together[/]", f"[bold]{u_text(amount.u_mwh, amount)}[/]", "100 %")
    table.add_row()
    return table
