"""The commands `compare` and `outlook`."""

from pathlib import Path
from typing import Annotated

import typer

from analysis.console import RunArgument, chosen, print_json, wide_enough
from parsers.exits import ATTENTION, DONE, reported

app = typer.Typer()


@app.command()
def compare(
    runs: Annotated[
        list[Path] | None,
        typer.Argument(help="Run folders; left out: the newest in the current folder."),
    ] = None,
    pair: Annotated[
        list[str] | None,
        typer.Option(help="LABEL=LABEL, two labels of one phone, repeatable."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Say which phone or run drew less, or that nobody can tell.

    Example: rundown compare monday tuesday --pair alder-1=alder
    """
    with reported():
        same = [_pair(text) for text in pair or []]
        attention = show_compared(runs or [chosen(None)], same, as_json=as_json)
        raise typer.Exit(ATTENTION if attention else DONE)


@app.command()
def outlook(
    run: RunArgument = None,
    mix: Annotated[
        str | None, typer.Option(help="Activities and their times, such as call=30m,standby=8h.")
    ] = None,
    nominal_mv: Annotated[
        float | None,
        typer.Option(min=1000, max=20000, help="Nominal voltage, for the European index."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Say for how many hours each activity or a mix would last.

    Example: rundown outlook monday --mix "voice call=30m,standby=8h"
    """
    with reported():
        attention = show_outlook(chosen(run), mix, nominal_mv, as_json=as_json)
        raise typer.Exit(ATTENTION if attention else DONE)


def show_compared(runs: list[Path], same: list[tuple[str, str]], *, as_json: bool = False) -> bool:
    """Prints the verdicts on runs; says whether anything needs attention."""
    from analysis.accounting import energy as account
    from analysis.comparison.comparing import Measured, to_json
    from analysis.comparison.comparing import compare as judge
    from analysis.outputs import verdict_table
    from analysis.readings.run import load

    measured = []
    for path in runs:
        run = load(path)
        measured.append(Measured.of(run, account(run), str(path)))
    compared = judge(measured, same)
    if as_json:
        print_json(to_json(compared))
    else:
        verdict_table.show(compared, wide_enough(verdict_table.WIDTH))
    return compared.needs_attention


def show_outlook(
    path: Path, mix: str | None, nominal_mv: float | None, *, as_json: bool = False
) -> bool:
    """Prints how long things last; says whether anything needs attention."""
    from analysis.lasting.outlook import outlook as look
    from analysis.lasting.outlook import parse_mix, to_json
    from analysis.outputs import outlook_table
    from analysis.readings.run import load

    found = look(load(path), None if mix is None else parse_mix(mix), nominal_mv)
    if as_json:
        print_json(to_json(found))
    else:
        outlook_table.show(found, wide_enough(outlook_table.WIDTH))
    return found.needs_attention


def _pair(text: str) -> tuple[str, str]:
    one, equals, other = text.partition("=")
    if not (one and equals and other):
        raise typer.BadParameter("--pair needs LABEL=LABEL, such as alder-1=alder")
    return one, other
