"""Adding a line to a file that is only ever added to, safe against writers that were killed."""

import os
from pathlib import Path


def append_lines(path: Path, lines: list[str]) -> None:
    """Adds lines in one write and forces them to disk; hold the file's lock meanwhile."""
    with path.open("ab") as file:
        # A writer that was killed may have left half a line; it must not swallow this one.
        torn = file.tell() > 0 and _last_byte(path) != b"\n"
        file.write((b"\n" if torn else b"") + "".join(f"{line}\n" for line in lines).encode())
        file.flush()
        os.fsync(file.fileno())


def _last_byte(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1)
