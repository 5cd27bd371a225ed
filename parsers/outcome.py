"""What parsing a dump yields: typed rows, and every line that no rule understood."""

from dataclasses import dataclass
from typing import Generic, TypeVar

Row_co = TypeVar("Row_co", covariant=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """One line that is in no row.

    Attributes:
        line: number in the dump, from 1.
        text: the line as sent, without its line end.
    """

    line: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Parsed(Generic[Row_co]):
    """The rows of one dump and what is left over.

    Attributes:
        rows: typed rows, in the order of the dump; most sources give exactly one.
        unread: lines no rule understood, in order; their count reaches the report.
        trusted: False while the platform says that its values are simulated or frozen.
    """

    rows: tuple[Row_co, ...]
    unread: tuple[Unread, ...] = ()
    trusted: bool = True
