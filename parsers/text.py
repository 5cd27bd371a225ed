"""Phone text made safe: bytes to lines for the parsers, any string to something printable."""

import re
import unicodedata
from collections.abc import Iterator
from itertools import chain

_NOISE = re.compile(r"^\* daemon (not running|started)\b.*$")
_REFUSED = re.compile(
    r"^(?:.*?: )?(Can't find service: .*|Permission Denial: .*|Error dumping service info.*"
    r"|.*[Pp]ermission denied|.*: (?:inaccessible or )?not found|.*No such file or directory"
    r"|\*\*\* SERVICE '.*' DUMP TIMEOUT .*|Failure calling service .*"
    r"|.* does not exist, or no permission to connect\.?|error: (?:closed|device .*))$"
)
_LONGEST_REFUSAL = 500
_PIECE_CHARS = 1 << 14
"""Split at once: all lines of a long text together would need many times its size."""


def decode(body: bytes) -> str:
    """The text of a reply: UTF-8, a mark at each undecodable byte, no byte-order mark."""
    return body.decode("utf-8-sig", errors="replace")


def lines_of(text: str) -> list[tuple[int, str]]:
    """What `iter_lines` yields, as a list."""
    return list(iter_lines(text))


def iter_lines(text: str) -> Iterator[tuple[int, str]]:
    r"""Numbered lines (from 1) without line ends; blank lines and adb's own noise are left out.

    Only ``\n`` and ``\r\n`` end a line: form feeds and Unicode separators in a hostile string
    do not.
    """
    start = 1 if text.startswith("\ufeff") else 0
    if len(text) <= _PIECE_CHARS:
        return iter(_numbered(text[start:], 1)[0])
    return chain.from_iterable(_pieces(text, start))


def _pieces(text: str, start: int) -> Iterator[list[tuple[int, str]]]:
    number = 1
    while start <= len(text):
        end = text.find("\n", start + _PIECE_CHARS)
        end = len(text) if end == -1 else end
        found, n_lines = _numbered(text[start:end], number)
        yield found
        number += n_lines
        start = end + 1


def _numbered(piece: str, first: int) -> tuple[list[tuple[int, str]], int]:
    """The lines of a piece that count, with their numbers, and how many there are in all."""
    lines = piece.split("\n")
    if "\r" in piece or "* daemon" in piece:
        bare = (line.rstrip("\r") for line in lines)
        lines = ["" if _is_noise(line) else line for line in bare]
    found = [(n, line) for n, line in enumerate(lines, first) if line and not line.isspace()]
    return found, len(lines)


def _is_noise(line: str) -> bool:
    return line.startswith("* daemon") and _NOISE.match(line) is not None


def refusal(lines: list[tuple[int, str]]) -> str | None:
    """The phone's own words if a short reply is a refusal instead of a dump, else None."""
    for _, line in lines[:3]:
        if len(line) > _LONGEST_REFUSAL:  # the pattern's time grows with the square of the length
            continue
        if (found := _REFUSED.match(line.strip())) is not None:
            return printable(found.group(0))
    return None


def so_many(n: int, thing: str) -> str:
    """So many of a thing: `1 line`, `2 lines`."""
    return f"{n} {thing}" if n == 1 else f"{n} {thing}s"


def printable(text: str, limit: int = 80) -> str:
    r"""One line that is safe on a terminal and in a message, at most `limit` characters.

    Control, format (right-to-left marks, zero-width), surrogate, private and unassigned characters
    and line separators become ``\x..``, ``\u....`` escapes; a longer text ends in an ellipsis.
    """
    shown = "".join(_escaped(char) for char in text[: limit + 1])
    return shown if len(text) <= limit and len(shown) <= limit else shown[: limit - 1] + "…"


def _escaped(char: str) -> str:
    if unicodedata.category(char)[0] in "C" or unicodedata.category(char) in ("Zl", "Zp"):
        return char.encode("unicode_escape", errors="surrogatepass").decode("ascii")
    return char
