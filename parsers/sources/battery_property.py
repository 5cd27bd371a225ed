"""Reply of the `batteryproperties` service: one live value, as a parcel in hexadecimal words.

References:
    AOSP core/java/android/os/IBatteryPropertiesRegistrar.aidl, BatteryProperty.java.
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump, known
from parsers.errors import SourceRefusedError
from parsers.outcome import Parsed
from parsers.text import printable

KIND = "battery_property"
COMMAND = "service call batteryproperties 1 i32 {property_id}"
"""From API 28. Property ids: BatteryManager.java, 1 charge counter, 2 current now, ..."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryPropertyRow:
    """One property; which one was asked for is not in the reply.

    Attributes:
        value: the integer as sent; None if the phone has none.
        return_code: 0, or a negative error number where the property is not supported.
    """

    value: int | None
    return_code: int


_OPENING = "Result: Parcel("
_WORDS = re.compile(r"(?:0x[0-9a-f]{8}: ?)?((?: *[0-9a-f]{8}){1,64}) *'.*'\)?")
_FAILED = re.compile(r"Result: Parcel\((?:Error: .*|NULL)\)?|service: .{1,80} does not exist")


class _Reader:
    def __init__(self) -> None:
        self.words: list[int] = []
        self.found = False
        self.failure: str | None = None

    def take(self, line: str) -> bool:
        text = line.strip()
        if self.failure is None and _FAILED.fullmatch(text) is not None:
            self.failure = text
            return True
        if text.startswith(_OPENING) and not self.found:
            self.found = True
            text = text.removeprefix(_OPENING)
        words = _WORDS.fullmatch(text) if self.found else None
        if words is not None:
            self.words += [int(word, 16) for word in words[1].split()]
        return words is not None or text in ("", ")")


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the first line opens a parcel, or says why there is none."""
    first = lines[0][1].strip() if lines else ""
    return first.startswith(_OPENING) or _FAILED.fullmatch(first) is not None


def parse(text: str) -> Parsed[BatteryPropertyRow]:
    """The value in the parcel.

    Raises:
        SourceRefusedError: if there is no such service, or the call ended in an exception.
        NotThisDumpError: if the text is something else, or cut before the return code.
    """
    dump = Dump(KIND, text)
    reader = _Reader()
    dump.read(reader.take)
    if reader.failure is not None:
        raise SourceRefusedError(KIND, printable(reader.failure))
    words = reader.words
    if words and words[0] != 0:
        raise SourceRefusedError(KIND, f"the call ended in exception {_signed(words[0], 32)}")
    row = BatteryPropertyRow(
        value=known(_signed(words[4] << 32 | words[3], 64)) if _has_value(words) else None,
        return_code=_signed(words[1], 32) if len(words) > 1 else 0,
    )
    return dump.parsed(row, found=len(words) > 1, needs="parcel with a return code")


def _has_value(words: list[int]) -> bool:
    """After the exception and the return code: a mark that an object follows, two halves."""
    return len(words) > 4 and words[1] == 0 and words[2] == 1


def _signed(value: int, n_bits: int) -> int:
    return value - (1 << n_bits) if value >> (n_bits - 1) else value
