"""Where the uncertainty of one segment comes from, as a table on a terminal."""

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from analysis.outputs import wording
from analysis.report import EnergyReport, SegmentEnergy
from parsers.text import printable

WIDTH = 110
"""Columns that the table needs."""


def show(report: EnergyReport, name: str, console: Console) -> None:
    """Prints the budget of every segment of a name."""
    found = [(p.phone, s) for p in report.phones for s in p.segments if s.segment == name]
    several = wording.repeated(report)
    for phone, segment in found:
        title = wording.segment_name(
            segment.segment, segment.occurrence, several=segment.segment in several
        )
        console.print(_table(f"{phone}, {title}", segment))
    console.print(
        "A: from the readings' own scatter; B: from anything else (JCGM 100:2008). Lines marked = "
        "are the same error in all segments of the phone and cancel in their ratios.",
        style="dim",
        highlight=False,
    )


def _table(title: str, segment: SegmentEnergy) -> Table:
    amount = segment.amount
    table = Table(title=escape(printable(title)), title_justify="left", box=None, pad_edge=False)
    table.add_column("source of doubt", ratio=2, overflow="fold", min_width=24)
    for column in ("u, mWh", "share"):
        table.add_column(column, justify="right", no_wrap=True)
    table.add_column("type", no_wrap=True)
    table.add_column("distribution", no_wrap=True)
    table.add_column("size from", ratio=2, overflow="fold", min_width=16)
    for line in amount.budget:
        share = (line.u_mwh / amount.u_mwh) ** 2 if amount.u_mwh > 0 else 0.0
        table.add_row(
            escape(line.name) + (" =" if line.shared else ""),
            f"{line.u_mwh:.3g}",
            f"{share:.0%}",
            line.kind,
            line.distribution,
            escape(line.source),
        )
    table.add_section()
    table.add_row(
        f"[bold]{wording.energy_text(amount)} mWh, {wording.interval_text(amount)}[/]",
        f"[bold]{amount.u_mwh:.3g}[/]",
        "",
        "",
        "",
        escape(f"by {segment.method}"),
    )
    return table
