"""The frame of a dump parser: whole lines in; a refusal, or a row and its leftovers, out."""

from collections.abc import Callable, Iterator
from itertools import islice
from typing import TypeVar

from parsers.errors import NotThisDumpError, SourceRefusedError
from parsers.outcome import Parsed, Unread
from parsers.text import iter_lines, refusal

Row = TypeVar("Row")

NO_VALUE = frozenset({-1, -22, -(2**31), 2**31 - 1, -(2**63), 2**63 - 1})
"""Printed instead of a value: -1, the errno -EINVAL, the ends of int and of long."""

_CLOSERS = (")", "]", "}", '"')


class Dump:
    """One dump on its way through a parser.

    A last line without line end may be cut (a number may lack digits), so it is unread, unless it
    ends in a closing bracket or quote. Text known to be whole must therefore end in a line end.

    Attributes:
        unread: wanted lines that no rule understood so far.
    """

    def __init__(self, kind: str, text: str) -> None:
        self._kind = kind
        self._text = text
        self.unread: list[Unread] = []
        whole = text.endswith("\n") or text.rstrip().endswith(_CLOSERS)
        self._cut_line = None if whole else text.count("\n") + 1

    @property
    def head(self) -> list[tuple[int, str]]:
        """The first three lines, numbered.

        Raises:
            SourceRefusedError: if there is no line.
        """
        head = list(islice(iter_lines(self._text), 3))
        if not head:
            raise SourceRefusedError(self._kind, "an empty answer")
        return head

    def lines(self, wants: Callable[[str], bool] | None = None) -> Iterator[tuple[int, str]]:
        """The wanted lines that are whole; a wanted one that may be cut is unread instead.

        Args:
            wants: sees every line first; a line it does not want is skipped deliberately. None
                wants all.
        """
        lines = iter_lines(self._text)
        wanted = lines if wants is None else (each for each in lines if wants(each[1]))
        return wanted if self._cut_line is None else self._whole(wanted)

    def _whole(self, wanted: Iterator[tuple[int, str]]) -> Iterator[tuple[int, str]]:
        for number, line in wanted:
            if number == self._cut_line:
                self.leave(number, line)
            else:
                yield number, line

    def leave(self, number: int, line: str) -> None:
        """Counts a line as unread."""
        self.unread.append(Unread(line=number, text=line))

    def read(
        self, take: Callable[[str], bool], wants: Callable[[str], bool] | None = None
    ) -> None:
        """Offer every wanted line to `take`; what it does not understand is unread.

        Args:
            take: consumes a line and says whether it understood it.
            wants: as for `lines`.
        """
        for number, line in self.lines(wants):
            if not take(line):
                self.leave(number, line)

    def parsed(self, *rows: Row, found: bool, needs: str, trusted: bool = True) -> Parsed[Row]:
        """The outcome.

        Args:
            rows: most sources give exactly one.
            found: whether anything of this kind was in the dump.
            needs: what a dump of this kind has, for the error message.
            trusted: False while the platform says that its values are frozen.

        Raises:
            SourceRefusedError: if nothing was found and the phone says why.
            NotThisDumpError: if nothing was found.
        """
        if found:
            return Parsed(rows=rows, unread=tuple(self.unread), trusted=trusted)
        answer = refusal(self.head)
        if answer is not None:
            raise SourceRefusedError(self._kind, answer)
        raise NotThisDumpError(self._kind, f"it has no {needs}")


def keyed(keys: tuple[str, ...]) -> Callable[[str], bool]:
    """A `wants` for large dumps: only lines that begin, after blanks, with one of the keys."""
    return lambda line: line.lstrip().startswith(keys)


def indent_of(line: str) -> int:
    """Number of blanks and tabs a line begins with."""
    return len(line) - len(line.lstrip())


def known(value: int) -> int | None:
    """The value, or None where the platform prints a sentinel."""
    return None if value in NO_VALUE else value


def positive(value: int) -> int | None:
    """The value, or None for a sentinel and for what is never real: zero or less."""
    return value if value > 0 and value not in NO_VALUE else None
