"""Lines of one key and one value, read by rules: exact keys, the first occurrence wins."""

import re
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

from parsers.dump import known, positive

Read = Callable[[str], Any]
"""Text of a value to the value; None for what the platform prints instead of one.

Raises ValueError for text that is not such a value.
"""

_INTEGER = re.compile(r"[+-]?[0-9]{1,19}")
_FLAGS = {"true": True, "false": False}


@dataclass(frozen=True, slots=True)
class Rule:
    """What to do with the value of one key.

    Attributes:
        field: name of the value; empty for a documented line that is deliberately left out.
        read: gives the value.
        whole: values that cannot be the beginning of a longer one, and so can be believed on a
            line that may be cut.
    """

    field: str
    read: Read
    whole: Collection[str] = ()


IGNORED = Rule("", lambda text: text)


class Fields:
    """Values collected line by line.

    Attributes:
        values: by field, sentinels left out.
        malformed: fields whose first line holds no such value.
    """

    def __init__(self) -> None:
        self.values: dict[str, Any] = {}
        self.malformed: set[str] = set()
        self._seen: set[str] = set()

    def take(self, rule: Rule | None, text: str) -> bool:
        """Whether the line is understood: by its rule, or as a repetition of an earlier one."""
        if rule is None:
            return False
        if not rule.field or rule.field in self._seen:
            return True
        self._seen.add(rule.field)
        try:
            value = rule.read(text)
        except ValueError:
            self.malformed.add(rule.field)
            return False
        if value is not None:
            self.values[rule.field] = value
        return True


def with_line_end(text: str, is_whole: Callable[[str], bool]) -> str:
    """The text, its last line ended if `is_whole` says that nothing can be missing from it."""
    if text.endswith("\n"):
        return text
    last = text.rpartition("\n")[2].strip()
    return f"{text}\n" if last and is_whole(last) else text


def integer(text: str) -> int:
    """A signed 64-bit integer in plain digits.

    Raises:
        ValueError: for anything else.
    """
    if _INTEGER.fullmatch(text) is None or not -(2**63) <= (value := int(text)) < 2**63:
        raise ValueError(text)
    return value


def raw(text: str) -> int | None:
    """An integer of the platform (32 bits) as sent, or None for a sentinel.

    Raises:
        ValueError: for anything else, a negative number printed without its sign included.
    """
    value = known(integer(text))
    if value is not None and not -(2**31) <= value < 2**31:
        raise ValueError(text)
    return value


def raw_not_zero(text: str) -> int | None:
    """The same, or None for zero too."""
    return raw(text) or None


def count(text: str) -> int | None:
    """A positive number of the platform, or None for a sentinel or zero.

    Raises:
        ValueError: for anything else.
    """
    value = raw_not_zero(text)
    if value is not None and value < 0:
        raise ValueError(text)
    return value


def flag(text: str) -> bool:
    """`true` or `false`.

    Raises:
        ValueError: for anything else.
    """
    if text not in _FLAGS:
        raise ValueError(text)
    return _FLAGS[text]


def coded(codes: dict[int, str]) -> Read:
    """Reads a platform code as its word; `code_9` for a number newer than the table."""

    def read(text: str) -> str | None:
        code = integer(text)
        return codes.get(code) or (f"code_{code}" if positive(code) else None)

    return read


def between(
    lowest: int, highest: int, convert: Callable[[float], float] = float, absent: int | None = None
) -> Read:
    """Reads an integer of a closed range; a sentinel outside it is None, anything else malformed.

    Args:
        lowest: end of the range.
        highest: other end of the range.
        convert: from the integer to the unit of the field.
        absent: one more value that stands for none, such as 0 where it is never real.
    """

    def read(text: str) -> float | None:
        value = integer(text)
        if value == absent:
            return None
        if lowest <= value <= highest:
            return convert(value)
        if known(value) is None:
            return None
        raise ValueError(text)

    return read


def whole_codes(codes: Collection[int]) -> frozenset[str]:
    """The codes that are not the beginning of another one, as text."""
    texts = {str(code) for code in codes}
    return frozenset(t for t in texts if sum(other.startswith(t) for other in texts) == 1)


FLAGS = frozenset(_FLAGS)
