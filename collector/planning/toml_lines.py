"""On which line of a TOML text each key stands, for messages; the text is known to be TOML."""

import re
from collections import Counter

Path = tuple[str | int, ...]

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]")
_KEY = re.compile(r"""\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*[\w-]+)*)\s*=""")
_QUOTES = ('"' * 3, "'" * 3)


class TomlLines:
    """Lines, from 1, of tables and keys.

    Keys inside inline tables and arrays are not told apart: they are on the line of their value.
    """

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {(): 1}
        counts: Counter[Path] = Counter()
        table: Path = ()
        within = ""
        for number, line in enumerate(text.split("\n"), start=1):
            if within:
                within = "" if line.count(within) % 2 else within
                continue
            within = next((quotes for quotes in _QUOTES if line.count(quotes) % 2), "")
            if (header := _HEADER.match(line)) is not None:
                table = self._numbered(header[2], counts, is_array=header[1] == "[[")
                self._lines.setdefault(table, number)
            elif (key := _KEY.match(line)) is not None:
                self._lines.setdefault((*table, *_steps(key[1])), number)

    def line_of(self, path: Path) -> int:
        """The line of a key, or of the innermost table that would hold it."""
        for end in range(len(path), -1, -1):
            if path[:end] in self._lines:
                return self._lines[path[:end]]
        return 1

    @staticmethod
    def _numbered(name: str, counts: Counter[Path], *, is_array: bool) -> Path:
        """The path of a table, with the running number after each array on the way."""
        path: Path = ()
        steps = _steps(name)
        for depth, step in enumerate(steps, start=1):
            path = (*path, step)
            if is_array and depth == len(steps):
                counts[path] += 1
            if counts[path]:
                path = (*path, counts[path] - 1)
        return path


def _steps(name: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in name.split("."))
