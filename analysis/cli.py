"""Commands on a recorded run: energy, publish."""

from pathlib import Path
from typing import Annotated

import typer

from parsers.exits import ATTENTION, DONE, reported

app = typer.Typer()

RunArgument = Annotated[
    Path | None, typer.Argument(help="Run folder; left out: the newest in the current folder.")
]


@app.command()
def energy(
    run: RunArgument = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Energy, power, level and temperature per segment and phone, with 95 % intervals.

    Example: rundown energy monday-shift
    """
    with reported():
        attention = show_energy(_chosen(run), as_json=as_json)
        raise typer.Exit(ATTENTION if attention else DONE)


@app.command()
def publish(run: RunArgument = None) -> None:
    """Writes the report, tables and machine-readable results of a run into its folder.

    Example: rundown publish monday-shift
    """
    with reported():
        attention = show_published(_chosen(run))
        raise typer.Exit(ATTENTION if attention else DONE)


def show_energy(run: Path, *, as_json: bool = False) -> bool:
    """Prints the energies of a run; says whether anything needs attention."""
    import json

    from rich.console import Console

    from analysis.accounting import energy as account
    from analysis.outputs import terminal
    from analysis.recording import load
    from analysis.report import to_json

    report = account(load(run))
    if as_json:
        typer.echo(json.dumps(to_json(report), indent=2, allow_nan=False, ensure_ascii=False))
    else:
        console = Console()
        piped = not console.is_terminal
        terminal.show(report, Console(width=terminal.WIDTH) if piped else console)
    return report.needs_attention


def show_published(run: Path) -> bool:
    """Publishes a run and prints the files; says whether anything needs attention."""
    from analysis.accounting import energy as account
    from analysis.publishing import publish as write
    from analysis.recording import load

    report = account(load(run))
    for file in write(report, run):
        typer.echo(file)
    return report.needs_attention


def _chosen(run: Path | None) -> Path:
    """The run given, or the newest one here, named on standard error."""
    from parsers.runfolder import newest_run

    if run is not None:
        return run
    newest = newest_run(Path()).path
    typer.echo(f"run {newest}", err=True)
    return newest
