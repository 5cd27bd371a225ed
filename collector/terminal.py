"""What every command needs from the terminal: a console to print on, and which run is meant."""

from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from parsers.runfolder import RunFolder


def new_console(*, stderr: bool = False) -> "Console":
    """A console that colours nothing by itself."""
    from rich.console import Console  # noqa: PLC0415 - help must start without it

    return Console(stderr=stderr, highlight=False)


def run_or_newest(path: Path | None) -> "RunFolder":
    """The run named, or the newest one in the current folder, which is then named to the user.

    Raises:
        RunFolderError: if there is none.
    """
    from parsers.runfolder import RunFolder, newest_run  # noqa: PLC0415

    if path is not None:
        return RunFolder(path)
    run = newest_run(Path())
    typer.echo(f"run: {run.path}", err=True)
    return run


def label_values(
    given: list[str] | None, option: str, *, number: bool = False
) -> list[tuple[str, str]]:
    """What a repeatable option of the form LABEL=VALUE says.

    Raises:
        typer.BadParameter: if one is not of that form, or its value no number where it must be.
    """
    pairs = [item.partition("=") for item in given or []]
    for left, equals, right in pairs:
        if not (left and equals and right):
            raise typer.BadParameter(f"{option} needs LABEL=VALUE, such as alder-1=4000")
        if number and not right.replace(".", "", 1).isdecimal():
            raise typer.BadParameter(f"{option}: '{right}' is not a number")
    return [(left, right) for left, _, right in pairs]
