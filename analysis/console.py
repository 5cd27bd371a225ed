"""How the commands on runs take a run and print what they found."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

RunArgument = Annotated[
    Path | None, typer.Argument(help="Run folder; left out: the newest in the current folder.")
]


def chosen(run: Path | None) -> Path:
    """The run given, or the newest one here, named on standard error."""
    from parsers.runfolder import newest_run  # noqa: PLC0415 - loads what help does not need

    if run is not None:
        return run
    newest = newest_run(Path()).path
    typer.echo(f"run {newest}", err=True)
    return newest


def print_json(values: dict[str, Any]) -> None:
    """Values on standard output, nothing else."""
    import json  # noqa: PLC0415 - as above

    typer.echo(json.dumps(values, indent=2, allow_nan=False, ensure_ascii=False))


def wide_enough(width: int) -> "Console":
    """The terminal; into a file or a pipe, as many columns as the tables need."""
    from rich.console import Console  # noqa: PLC0415 - as above

    console = Console()
    return console if console.is_terminal else Console(width=width)
