"""A fairness check as the user sees it: what is wrong first, then what only a person can see."""

import json
from collections.abc import Sequence

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from collector.fairness.checking import Checked
from collector.fairness.items import Item
from parsers.text import printable

_WIDE = 22


def print_check(checked: Checked, console: Console, *, as_json: bool) -> None:
    """Prints a check, as a table or as JSON."""
    if as_json:
        document = {
            "schema": 1,
            "fair": not checked.wrong,
            "findings": [finding.model_dump(mode="json") for finding in checked.findings],
            "set_by_adb": checked.set_by_adb,
            "not_set": checked.not_set,
        }
        console.print_json(json.dumps(document))
        return
    for sentence in checked.set_by_adb:
        console.print(f"set: {printable(sentence, 200)}", markup=False, soft_wrap=True)
    for sentence in checked.not_set:
        console.print(f"NOT set: {printable(sentence, 200)}", markup=False, soft_wrap=True)
    wrong, asks, goods = (
        [item for item in checked.items if item.finding.outcome == outcome]
        for outcome in ("wrong", "ask", "good")
    )
    if wrong:
        console.print("[bold red]unequal or wrong[/]")
        console.print(_lines(wrong, "[bold red]![/]"))
    if asks:
        console.print("\n[bold yellow]look yourself[/], adb cannot tell")
        console.print(_lines(asks, "[yellow]?[/]"))
    if goods:
        console.print(
            f"\n[bold green]good[/]  {escape(', '.join(item.finding.item for item in goods))}"
        )
    console.print(f"\n{verdict(checked)}")


def verdict(checked: Checked) -> str:
    """The check in one line."""
    counts = {
        outcome: sum(f.outcome == outcome for f in checked.findings)
        for outcome in ("wrong", "ask", "good")
    }
    state = "not fair yet" if counts["wrong"] else "fair as far as adb can tell"
    return (
        f"{state}: {counts['wrong']} wrong, {counts['ask']} for you to look at, "
        f"{counts['good']} good"
    )


def _lines(items: Sequence[Item], mark: str) -> Table:
    table = Table.grid(padding=(0, 1))
    table.add_column()
    table.add_column(width=_WIDE, overflow="fold")
    table.add_column(overflow="fold")
    for item in items:
        finding = item.finding
        values = ", ".join(
            f"{label} {printable(value, 30)}" for label, value in finding.found.items()
        )
        said = [printable(finding.why, 160), values]
        if finding.outcome == "wrong" and finding.fix:
            by_adb = ", or --fix" if item.sets or item.unfreezes else ""
            said.append(f"do: {finding.fix}{by_adb}")
        table.add_row(mark, escape(finding.item), escape("\n".join(filter(None, said))))
    return table
