"""Battery history records of the check-in form of battery statistics: changes, put on a clock.

References:
    AOSP frameworks/base/core/java/android/os/BatteryStats.java (HistoryPrinter).
"""

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from parsers.dump import positive
from parsers.keyed import integer
from parsers.units import c_from_dc, s_from_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryPoint:
    """The state after one change; unchanged values are carried on from before.

    Attributes:
        epoch_s: wall clock; None between a restart of the phone and the next time record.
        charge_mah: the charge counter as the platform divided it: its unit may be wrong.
        screen: `on`, `doze` or `off`.
        running: False while the phone is suspended.
        package: the app in front.
    """

    epoch_s: float | None
    level_pct: int | None
    status: str | None
    plug: str | None
    voltage_mv: int | None
    temperature_c: float | None
    charge_mah: int | None
    screen: str
    running: bool
    in_call: bool
    battery_saver: bool
    package: str | None


_RECORD = re.compile(r"([0-9]{1,15})(?::(.*)|,(.*))?")
_TIME = re.compile(r"(RESET:)?TIME:([0-9]{1,15})")
_POOL = re.compile(r'([0-9]{1,9}),(-?[0-9]{1,10}),"(.*)"')
_PACKAGE = re.compile(r"[A-Za-z]\w{0,100}(?:\.\w{1,100}){1,20}")
_STATUS = {
    "?": "unknown",
    "c": "charging",
    "d": "discharging",
    "n": "not_charging",
    "f": "full",
}
_PLUG = {"n": "none", "a": "ac", "u": "usb", "w": "wireless"}
_FLAGS = {"r": "running", "Pcl": "in_call", "ps": "battery_saver"}
_SCREEN = {"S": "on", "Sd": "doze"}
_TOP_APP = "Etp"
_START: dict[str, Any] = {
    **dict.fromkeys(("level_pct", "status", "plug", "voltage_mv", "temperature_c", "charge_mah")),
    **dict.fromkeys(_FLAGS.values(), False),
    "screen": "off",
    "package": None,
}
"""What the printer starts from: it takes every flag for off and prints what is on."""


_CODES = {"status": _STATUS, "plug": _PLUG}
_VALUES = {
    "Bl": "level_pct",
    "Bs": "status",
    "Bp": "plug",
    "Bv": "voltage_mv",
    "Bt": "temperature_c",
    "Bcc": "charge_mah",
}


@lru_cache(maxsize=4096)
def _value(name: str, text: str) -> Any:
    """Equal values share one object, so that a long history stays small.

    Raises:
        ValueError: if the text is no such value.
    """
    if name in _CODES:
        if text not in _CODES[name]:
            raise ValueError(text)
        return _CODES[name][text]
    value = integer(text)
    match name:
        case "level_pct":
            return value if 0 <= value <= 100 else None
        case "temperature_c":
            return c_from_dc(value) if -2731 < value < 2000 else None
        case _:
            return positive(value)


class HistoryReader:
    """Follows the records in order.

    Attributes:
        points: one per record that changed something we keep.
        overflowed: the platform's buffer was full, changes are missing.
    """

    def __init__(self) -> None:
        self.points: list[HistoryPoint] = []
        self.overflowed = False
        self._epoch_ms: int | None = None
        self._packages: dict[str, str] = {}
        self._now = dict(_START)
        self._lit: set[str] = set()

    def take_pool(self, text: str) -> bool:
        """One string of the pool, without `9,hsp,`; only names of packages are kept."""
        entry = _POOL.fullmatch(text)
        if entry is not None and _PACKAGE.fullmatch(entry[3]):
            self._packages[entry[1]] = entry[3]
        return entry is not None

    def take(self, text: str) -> bool:
        """One record, without `9,h,`; says whether all of it was understood."""
        record = _RECORD.fullmatch(text)
        if record is None:
            return False
        delta, command, items = record.groups()
        if self._epoch_ms is not None:
            self._epoch_ms += int(delta)
        if command is not None:
            return self._take_command(command)
        return items is None or self._take_items(items)

    def _take_command(self, command: str) -> bool:
        time = _TIME.fullmatch(command)
        if time is not None:
            if time[1]:
                self._now = dict(_START)
                self._lit.clear()
            self._epoch_ms = int(time[2])
        elif command in ("START", "SHUTDOWN"):
            self._epoch_ms = None
        elif command == "*OVERFLOW*":
            self.overflowed = True
        else:
            return False
        return True

    def _take_items(self, items: str) -> bool:
        before = dict(self._now)
        n_malformed = sum(not self._take_item(item) for item in items.split(","))
        if self._now != before:
            epoch_s = None if self._epoch_ms is None else s_from_ms(self._epoch_ms)
            self.points.append(HistoryPoint(epoch_s=epoch_s, **self._now))
        return n_malformed == 0

    def _take_item(self, item: str) -> bool:
        """An item we do not keep counts as understood: there are dozens, and more each release."""
        ends = item.startswith("-")
        name, equals, text = item.lstrip("+-").partition("=")
        if name in _VALUES:
            try:
                self._now[_VALUES[name]] = _value(_VALUES[name], text)
            except ValueError:
                return False
        elif name in _FLAGS and not equals:
            self._now[_FLAGS[name]] = not ends
        elif name in _SCREEN and not equals:
            (self._lit.discard if ends else self._lit.add)(name)
            self._now["screen"] = next((_SCREEN[s] for s in _SCREEN if s in self._lit), "off")
        elif name == _TOP_APP:
            self._now["package"] = None if ends else self._packages.get(text)
        return True
