"""Battery history records of the check-in form of battery statistics: changes, put on a clock.

References:
    AOSP frameworks/base/core/java/android/os/BatteryStats.java (HistoryPrinter).
"""

import re

from parsers.dump import positive
from parsers.keyed import Read, between, integer
from parsers.sources.battery_history_points import PLUG, SCREEN, STATUS, History, Now, pack
from parsers.units import s_from_ms

_RECORD = re.compile(r"([0-9]{1,15})(?::(.*)|,(.*))?")
_TIME = re.compile(r"(RESET:)?TIME:([0-9]{1,15})")
_POOL = re.compile(r'([0-9]{1,9}),(-?[0-9]{1,10}),"(.*)"')
_PACKAGE = re.compile(r"[A-Za-z]\w{0,100}(?:\.\w{1,100}){1,20}")
_CODES = {
    "Bs": ("status", dict(zip("?cdnf", range(1, len(STATUS)), strict=True))),
    "Bp": ("plug", dict(zip("nauw", range(1, len(PLUG)), strict=True))),
}
_NUMBERS: dict[str, tuple[str, Read]] = {
    "Bl": ("level_pct", between(0, 100, int)),
    "Bv": ("voltage_mv", lambda text: positive(integer(text))),
    "Bt": ("temperature_dc", between(-600, 1500, int)),
    "Bcc": ("charge_mah", lambda text: positive(integer(text))),
}
_FLAGS = {"r": "running", "Pcl": "in_call", "ps": "battery_saver"}
_LIT = {"S": SCREEN.index("on"), "Sd": SCREEN.index("doze")}
_TOP_APP = "Etp"


class HistoryReader:
    """Follows the records in order.

    Attributes:
        overflowed: the platform's buffer was full, changes are missing.
    """

    def __init__(self) -> None:
        self.overflowed = False
        self._packed = bytearray()
        self._epoch_ms: int | None = None
        self._packages: list[str] = []
        self._package_of: dict[str, int] = {}  # number by index in the string pool
        # The printer takes every flag for off and prints what is on.
        self._now = Now()
        self._lit: set[str] = set()

    @property
    def history(self) -> History:
        """One point for each record that changed something we keep."""
        return History(bytes(self._packed), self._packages)

    def take_pool(self, text: str) -> bool:
        """One string of the pool, without `9,hsp,`; only names of packages are kept."""
        entry = _POOL.fullmatch(text)
        if entry is not None and _PACKAGE.fullmatch(entry[3]):
            self._packages.append(entry[3])
            self._package_of[entry[1]] = len(self._packages)
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
                self._forget()
            self._epoch_ms = int(time[2])
        elif command in ("START", "SHUTDOWN"):
            if command == "START":
                self._forget()
            self._epoch_ms = None
        elif command == "*OVERFLOW*":
            self.overflowed = True
        else:
            return False
        return True

    def _forget(self) -> None:
        """The printer starts anew, too: with every value, and the flags that are on."""
        self._now = Now()
        self._lit.clear()

    def _take_items(self, items: str) -> bool:
        before = pack(None, self._now)
        n_malformed = sum(not self._take_item(item) for item in items.split(","))
        if pack(None, self._now) != before:
            epoch_s = None if self._epoch_ms is None else s_from_ms(self._epoch_ms)
            self._packed += pack(epoch_s, self._now)
        return n_malformed == 0

    def _take_item(self, item: str) -> bool:
        """An item we do not keep counts as understood: there are dozens, and more each release."""
        ends = item.startswith("-")
        name, equals, text = item.lstrip("+-").partition("=")
        if name in _CODES or name in _NUMBERS:
            try:
                self._take_value(name, text)
            except ValueError:
                return False
        elif name in _FLAGS and not equals:
            setattr(self._now, _FLAGS[name], not ends)
        elif name in _LIT and not equals:
            (self._lit.discard if ends else self._lit.add)(name)
            self._now.screen = next((_LIT[s] for s in _LIT if s in self._lit), 0)
        elif name == _TOP_APP:
            self._now.package = 0 if ends else self._package_of.get(text, 0)
        return True

    def _take_value(self, name: str, text: str) -> None:
        """Raises ValueError if the text is no such value: it changed, nobody knows to what."""
        if name in _NUMBERS:
            field, read = _NUMBERS[name]
            setattr(self._now, field, None)
            setattr(self._now, field, read(text))
            return
        field, codes = _CODES[name]
        setattr(self._now, field, codes.get(text, 0))
        if text not in codes:
            raise ValueError(text)
