"""Commands on a recorded run: energy, publish; and those of the other command files."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from analysis import cli_compare, cli_import
from analysis.console import RunArgument, chosen, print_json, wide_enough
from parsers.exits import ATTENTION, DONE, reported

if TYPE_CHECKING:
    from analysis.publishing import Choices

app = typer.Typer()
for module in (cli_compare, cli_import):
    app.add_typer(module.app)


@app.command()
def energy(
    run: RunArgument = None,
    explain: Annotated[
        str | None,
        typer.Option(help="A segment as the table calls it: what its doubt is made of."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Print energy per segment and phone, with 95 % intervals.

    Example: rundown energy monday-shift --explain navigation
    """
    with reported():
        if explain is not None:
            show_explained(chosen(run), explain, as_json=as_json)
            raise typer.Exit(DONE)
        attention = show_energy(chosen(run), as_json=as_json)
        raise typer.Exit(ATTENTION if attention else DONE)


@app.command()
def publish(
    run: RunArgument = None,
    video_start: Annotated[
        str | None,
        typer.Option(help="When the camera started: 14:05:30, or a time with its UTC offset."),
    ] = None,
    clips: Annotated[
        Path | None, typer.Option(help="TOML file: what of the recording is in the video, where.")
    ] = None,
    every_s: Annotated[
        float | None, typer.Option(min=0.5, help="Time between readings in captions, overlay.")
    ] = None,
    overlay: Annotated[
        Literal["wide", "tall"] | None,
        typer.Option(help="Also transparent pictures for a video 1920 or 1080 wide."),
    ] = None,
    transparent: Annotated[
        bool, typer.Option("--transparent", help="Charts without paper behind them.")
    ] = False,
    font: Annotated[
        Path | None, typer.Option(help="Font for pictures, for scripts the built-in one lacks.")
    ] = None,
    author: Annotated[str | None, typer.Option(help="Who the data package is cited as.")] = None,
) -> None:
    """Write page, tables, charts and captions of a run into its folder.

    Without --video-start a note or segment called `sync` tells what the camera saw when: tag it
    with `rundown tag note "sync 0:12"` at the moment that is at 0:12 in its recording.

    Example: rundown publish monday-shift --video-start 14:05:30
    """
    with reported():
        from analysis.publishing import Choices

        choices = Choices(
            video_start=video_start,
            clips=clips,
            every_s=every_s,
            overlay=overlay,
            transparent=transparent,
            font=font,
            author=author,
        )
        attention = show_published(chosen(run), choices)
        raise typer.Exit(ATTENTION if attention else DONE)


def show_energy(run: Path, *, as_json: bool = False) -> bool:
    """Prints the energies of a run; says whether anything needs attention."""
    from analysis.accounting import energy as account
    from analysis.outputs import terminal
    from analysis.readings.run import load
    from analysis.report_json import to_json

    report = account(load(run))
    if as_json:
        print_json(to_json(report))
    else:
        terminal.show(report, wide_enough(terminal.WIDTH))
    return report.needs_attention


def show_explained(run: Path, name: str, *, as_json: bool = False) -> None:
    """Prints the uncertainty budgets of all segments of a name."""
    from analysis.accounting import energy as account
    from analysis.errors import NotEnoughError
    from analysis.outputs import budget_table, wording
    from analysis.readings.run import load
    from analysis.report_json import budget_json
    from parsers.text import printable

    report = account(load(run))
    if not wording.named(report, name):
        names = dict.fromkeys(s.segment for phone in report.phones for s in phone.segments)
        known = ", ".join(printable(each) for each in names) or "none: nothing is tagged in it"
        raise NotEnoughError(str(run), f"no segment '{printable(name)}'; there is {known}")
    if as_json:
        print_json(budget_json(report, name))
    else:
        budget_table.show(report, name, wide_enough(budget_table.WIDTH))


def show_published(run: Path, choices: "Choices | None" = None) -> bool:
    """Publishes a run and prints the files; says whether anything needs attention."""
    from analysis.accounting import energy as account
    from analysis.publishing import publish as write
    from analysis.readings.run import load

    found = load(run)
    report = account(found)
    n_pictures = 0
    for file in write(found, report, choices, lambda what: typer.echo(what, err=True)):
        if file.parent.name == "overlay" and (n_pictures := n_pictures + 1) > 1:
            continue
        typer.echo(file)
    if n_pictures > 1:
        typer.echo(f"and {n_pictures - 1} more pictures", err=True)
    return report.needs_attention
