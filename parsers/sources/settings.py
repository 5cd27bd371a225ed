"""Settings that change what a phone uses: `name=value` lines, or the bare value of one.

References:
    AOSP frameworks/base/core/java/android/provider/Settings.java.
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump
from parsers.outcome import Parsed

KIND = "settings"

NAMES = {
    "low_power": "global",
    "low_power_sticky": "global",
    "stay_on_while_plugged_in": "global",
    "airplane_mode_on": "global",
    "wifi_on": "global",
    "bluetooth_on": "global",
    "mobile_data": "global",
    "screen_brightness": "system",
    "screen_brightness_mode": "system",
    "screen_brightness_float": "system",
    "screen_off_timeout": "system",
    "peak_refresh_rate": "system",
    "min_refresh_rate": "system",
    "location_mode": "secure",
}
"""The settings we read, with their namespaces."""

COMMAND = ";".join(
    f'echo "{name}=$(settings get {namespace} {name})"' for name, namespace in NAMES.items()
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingRow:
    """One setting.

    Attributes:
        name: as the platform calls it.
        value: a number, as text; None if the setting was never made.
    """

    name: str
    value: str | None


_LINE = re.compile(r"(\w[\w.:-]{0,200})=(.*)")
_NUMBER = re.compile(r"-?[0-9]{1,20}(?:\.[0-9]{1,20})?")
_UNSET = "null"


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether a line gives one of the settings we read."""
    starts = tuple(f"{name}=" for name in NAMES)
    return any(line.startswith(starts) for _, line in lines)


def parse(text: str) -> Parsed[SettingRow]:
    """The settings we read; other names are dropped, whatever their value.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    values: dict[str, str | None] = {}
    dump.read(lambda line: _take(line, values))
    rows = tuple(SettingRow(name=name, value=value) for name, value in values.items())
    return dump.parsed(*rows, found=bool(values), needs="setting that we read")


def parse_value(name: str, text: str) -> Parsed[SettingRow]:
    """The bare answer of `settings get` for one name.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    values: dict[str, str | None] = {}
    only = dump.head[0][1].strip() if len(dump.head) == 1 else ""
    found = _take(f"{name}={only}", values) and bool(values)
    rows = tuple(SettingRow(name=name, value=value) for value in values.values())
    return dump.parsed(*rows, found=found, needs="number")


def _take(line: str, values: dict[str, str | None]) -> bool:
    pair = _LINE.fullmatch(line)
    if pair is None or pair[1] not in NAMES:
        return pair is not None
    name, text = pair.groups()
    if text != _UNSET and not _NUMBER.fullmatch(text):
        return False
    values.setdefault(name, None if text == _UNSET else text)
    return True
