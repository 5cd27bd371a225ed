"""Exit codes, and how an error becomes one sentence and one of them; for the command files."""

from collections.abc import Iterator
from contextlib import contextmanager

import typer

from parsers.errors import RundownError
from parsers.text import printable

DONE, ATTENTION, WRONG_USE, LINK, DAMAGED = range(5)


@contextmanager
def reported() -> Iterator[None]:
    """Ends the command with a sentence on standard error and its exit code on an error of ours."""
    try:
        yield
    except RundownError as exc:
        code, said = exc.exit_code, str(exc)
    except ValueError as exc:
        code, said = WRONG_USE, str(exc)
    except BrokenPipeError:
        raise
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError) as exc:
        code, said = WRONG_USE, f"{_which(exc)}; name a file that is there"
    except OSError as exc:
        code, said = DAMAGED, _which(exc)
    else:
        return
    typer.echo(f"rundown: {printable(said, 1000)}", err=True)
    raise typer.Exit(code)


def _which(exc: OSError) -> str:
    return f"{exc.filename or 'file'}: {exc.strerror or exc}"
