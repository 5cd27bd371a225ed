"""Commands that need no phone and no run: read."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from parsers.exits import ATTENTION, DONE, reported

app = typer.Typer()


@app.command()
def read(
    file: Annotated[
        Path, typer.Argument(help="Text a phone printed; - for standard input.", allow_dash=True)
    ],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    redacted: Annotated[
        bool,
        typer.Option("--redact", help="Print the dump itself, all masked that may be private."),
    ] = False,
) -> None:
    """Show how one dump of a phone is understood, line by line.

    The text must have its last line end: a last line without one may be cut, and counts as not
    understood unless nothing can be missing. With --redact the text comes back fit for a bug
    report: the values that are read stay, the rest keeps its shape but no names and no digits.

    Example: adb shell dumpsys battery | rundown read -
    """
    from rich.console import Console

    from parsers.shown import needs_attention, print_dump, print_json, read_dump, redacted_dump
    from parsers.text import decode

    with reported():
        if as_json and redacted:
            raise typer.BadParameter("--json and --redact: choose one")
        text = decode(sys.stdin.buffer.read() if str(file) == "-" else file.read_bytes())
        if redacted:
            sys.stdout.write(redacted_dump(text))
            return
        dump = read_dump(text)
        show = print_json if as_json else print_dump
        show(dump, Console(highlight=False))
        raise typer.Exit(ATTENTION if needs_attention(dump) else DONE)
