"""Reply of `cmd battery get`: one bare value.

References:
    AOSP services/core/java/com/android/server/BatteryService.java (shell commands).
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump
from parsers.errors import SourceRefusedError
from parsers.keyed import FLAGS, flag, raw
from parsers.outcome import Parsed
from parsers.text import printable

KIND = "battery_get"
COMMAND = "cmd battery get {option}"
"""From API 31; `current_now` and `current_average` from API 36."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryGetRow:
    """One value; which one was asked for is not in the reply.

    Attributes:
        value: a flag, or the integer as sent; None for a sentinel.
    """

    value: bool | int | None


_VALUE = re.compile(r"true|false|-?[0-9]{1,19}")
_REFUSED = re.compile(
    r"(?:Unknown get option|Unknown command|No property specified|Battery service \(battery\)"
    r"|cmd: Can't find service).*"
)


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the text is one bare value, or this command's own refusal."""
    first = lines[0][1].strip() if lines else ""
    alone = len(lines) == 1 and _VALUE.fullmatch(first) is not None
    return alone or _REFUSED.fullmatch(first) is not None


def parse(text: str) -> Parsed[BatteryGetRow]:
    """The value; a reply so short comes in one piece, so a missing line end is no sign of a cut.

    Raises:
        SourceRefusedError: if the phone does not know the option, or prints nothing.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, f"{text}\n")
    first = dump.head[0][1].strip()
    if _REFUSED.fullmatch(first) is not None:
        raise SourceRefusedError(KIND, printable(first))
    found: list[bool | int | None] = []
    dump.read(lambda line: _take(line.strip(), found))
    row = BatteryGetRow(value=found[0] if found else None)
    return dump.parsed(row, found=bool(found), needs="bare value")


def _take(text: str, found: list[bool | int | None]) -> bool:
    if found:
        return False
    try:
        found.append(flag(text) if text in FLAGS else raw(text))
    except ValueError:
        return False
    return True
