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
) -> None:
    """How one dump is understood: values with units, and every line that is not.

    Example: adb shell dumpsys battery | rundown read -
    """
    from rich.console import Console

    from parsers.shown import needs_attention, print_dump, print_json, read_dump
    from parsers.text import decode

    with reported():
        body = sys.stdin.buffer.read() if str(file) == "-" else file.read_bytes()
        dump = read_dump(decode(body))
        show = print_json if as_json else print_dump
        show(dump, Console(highlight=False))
        raise typer.Exit(ATTENTION if needs_attention(dump) else DONE)
