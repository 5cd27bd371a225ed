"""The front door: mounts the three command files and is the script entry `rundown`."""

import sys

import typer

import analysis.cli
import collector.cli
import parsers.cli

app = typer.Typer(
    name="rundown",
    help="Run phones down side by side: energy per activity in mWh, with an honest uncertainty.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for module in (collector.cli, analysis.cli, parsers.cli):
    app.add_typer(module.app)


def main() -> None:
    """Runs the command line; broken pipes end it quietly."""
    try:
        app()
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)


if __name__ == "__main__":
    main()
