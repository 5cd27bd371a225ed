"""The platform's battery service: `dumpsys battery`, with what vendors add to it.

References:
    AOSP services/core/java/com/android/server/BatteryService.java (dump).
"""

import re
from dataclasses import dataclass
from typing import Any

from parsers import plausible
from parsers.dump import Dump
from parsers.keyed import with_line_end
from parsers.outcome import Parsed
from parsers.sources.battery_service_rules import (
    HEADER,
    LEFT_OUT_NAMES,
    LOG,
    LOG_HEADER,
    LOG_STAMP,
    MARKER,
    SECTIONS,
    STANDARD,
)

KIND = "battery"
COMMAND = "dumpsys battery"


@dataclass(frozen=True, kw_only=True)  # without slots, so that absent fields cost nothing
class BatteryServiceRow:
    """What the platform believes; its values may be a minute old, ten while suspended.

    Attributes:
        mod_powered: a battery snapped on to the phone feeds it.
        plugged: any of the `powered` flags; None if the dump does not show them all.
        current_raw: a vendor's addition; unit and sign as sent.
        current_ma: positive into the battery; None unless this dump alone proves unit and sign.
        charge_counter_mah: None unless level and counter give a real pack.
        updates_stopped: the values are simulated or frozen; None if the dump shows none at all.
        state_of_health_pct: as the vendor counts it.
        usage_raw: the vendor's discharge counter.
        highest_temperature_c: over the life of the pack, as are the two below.
        first_use_date: `yyyy-mm-dd`.
    """

    ac_powered: bool | None = None
    usb_powered: bool | None = None
    wireless_powered: bool | None = None
    dock_powered: bool | None = None
    mod_powered: bool | None = None
    plugged: bool | None = None
    max_charging_current_ma: float | None = None
    max_charging_voltage_mv: float | None = None
    charge_counter_raw: int | None = None
    charge_counter_mah: float | None = None
    status: str | None = None
    health: str | None = None
    present: bool | None = None
    level_pct: float | None = None
    voltage_mv: float | None = None
    temperature_c: float | None = None
    technology: str | None = None
    charging_state: str | None = None
    charging_policy: str | None = None
    capacity_level: str | None = None
    updates_stopped: bool | None = None
    current_raw: int | None = None
    current_ma: float | None = None
    charge_full_mah: float | None = None
    charge_full_design_mah: float | None = None
    state_of_health_pct: float | None = None
    usage_raw: int | None = None
    highest_temperature_c: float | None = None
    highest_current_ma: float | None = None
    first_use_date: str | None = None


_PLUGS = ("ac_powered", "usb_powered", "wireless_powered", "dock_powered", "mod_powered")
_AFTER_PLUGS = ("max_charging_current_ma", "charge_counter_raw", "status", "health", "level")


_Meaning = tuple[str, Any]
"""Field and value of one line; the field is empty for a documented line that is left out."""
_STRANGE: _Meaning = ("@strange", None)
_STOPPED = "@stopped"
_SPECIAL = frozenset({"@section", "@elsewhere", "@malformed", "@strange", "@current"})
_NO_VALUES = ("", *sorted(_SPECIAL))
_LEFT_OUT_LINE: _Meaning = ("", None)
_UNKNOWN_SECTION: _Meaning = ("@elsewhere", None)
_HEADING = re.compile("[^ \t:=]+ [^:=]*:")
"""Of whatever section: not indented, several words, no value."""


class _Meanings(dict[str, _Meaning]):
    """What each line of one section means, worked out once: a polled phone repeats most lines."""

    def __init__(self, section: str) -> None:
        super().__init__()
        self._section = section

    def __missing__(self, line: str) -> _Meaning:
        meaning = _meaning(self._section, line.rstrip())
        if len(self) >= _MOST_KEPT:
            self.clear()
        if len(line) <= _LONGEST_KEPT:
            self[line] = meaning
        return meaning


_MOST_KEPT, _LONGEST_KEPT = 2048, 120
_BEFORE = ""
_MEANINGS = {section: _Meanings(section) for section in (_BEFORE, LOG, *SECTIONS)}


def _meaning(section: str, line: str) -> _Meaning:
    text = line.lstrip()
    if text in SECTIONS:
        return "@section", text
    if LOG_HEADER.fullmatch(text) is not None:
        return "@section", LOG
    if section == LOG:
        return _LEFT_OUT_LINE if LOG_STAMP.search(text[:200]) is not None else _STRANGE
    if section == HEADER and text.startswith(MARKER):
        return _STOPPED, True
    meaning = _value_meaning(section, *_split(text))
    strange_heading = meaning is _STRANGE and _HEADING.fullmatch(line) is not None
    return _UNKNOWN_SECTION if strange_heading else meaning


def _value_meaning(section: str, key: str, value: str) -> _Meaning:
    rule = SECTIONS.get(section, {}).get(key)
    if rule is None:
        left_out = section == HEADER and LEFT_OUT_NAMES.fullmatch(key) is not None
        return _LEFT_OUT_LINE if left_out else _STRANGE
    field = "@current" if rule.field == "current_raw" else rule.field
    try:
        return field, rule.read(value) if field else None
    except ValueError:
        return "@malformed", rule.field


class _Reader:
    """Collects values by field; None for one that is malformed or a sentinel."""

    def __init__(self) -> None:
        self.section = _BEFORE
        self.values: dict[str, Any] = dict.fromkeys(_NO_VALUES)
        self.malformed: set[str] = set()
        self.found = False
        self.current_is: tuple[str, int] = ("mA", 1)

    def read(self, dump: Dump) -> None:
        values, meanings = self.values, _MEANINGS[_BEFORE]
        for number, line in dump.lines():
            field, value = meanings[line]
            if field not in values:
                values[field] = value
            elif field in _SPECIAL:  # for any other field the first occurrence wins
                if not self._take_special(field, value):
                    dump.leave(number, line)
                meanings = _MEANINGS[self.section]

    def _take_special(self, field: str, value: Any) -> bool:
        match field:
            case "@section":
                self.section = value
                self.found = self.found or value == HEADER
                return True
            case "@malformed":
                repeated = value in self.values
                self.values.setdefault(value, None)
                if not repeated:
                    self.malformed.add(value)
                return repeated
            case "@current":
                if "current_raw" not in self.values:
                    self.current_is = self._current_as_documented()
                    self.values["current_raw"] = value
                return True
            case "@elsewhere":
                self.section = _BEFORE
                return False
            case _:
                return False

    def _current_as_documented(self) -> tuple[str, int]:
        """Unit and sign: OPLUS's own block; Android 4 and 5, before `temperature`; Samsung."""
        if self.section != HEADER:
            return "mA", -1
        return ("mA", 1) if "temperature_c" in self.values else ("uA", -1)

    def row(self, dump: Dump) -> BatteryServiceRow:
        values = self.values
        for name in _NO_VALUES:
            del values[name]
        level, scale = values.pop("level", None), values.pop("scale", None)
        if level is not None and scale is not None:
            if level <= scale:
                values["level_pct"] = 100 * level / scale
            else:
                _leave_level(dump, level)
        if values.pop(_STOPPED, False):
            values["updates_stopped"] = True
        elif values.get("updates_stopped") is None and not {None}.issuperset(values.values()):
            values["updates_stopped"] = False
        values["plugged"] = self._plugged()
        values["charge_counter_mah"] = plausible.counter_mah(
            values.get("charge_counter_raw"), values.get("level_pct")
        )
        if values.get("current_raw") and not values["updates_stopped"]:
            unit, sign = self.current_is
            values["current_ma"] = plausible.current_ma(
                values["current_raw"],
                unit=unit,
                sign=sign,
                plugged=values["plugged"],
                status=values.get("status"),
            )
        row = object.__new__(BatteryServiceRow)
        vars(row).update(values)  # the constructor would take as long as reading all lines does
        return row

    def _plugged(self) -> bool | None:
        values = self.values
        if True in map(values.get, _PLUGS):
            return True
        shown = None not in (values.get("ac_powered"), values.get("usb_powered"))
        whole = not values.keys().isdisjoint(_AFTER_PLUGS)
        return False if shown and whole and self.malformed.isdisjoint(_PLUGS) else None


def _leave_level(dump: Dump, level: int) -> None:
    """Counts its line as unread; looked for only now, because hardly any dump has such a level."""
    meant: _Meaning = ("level", level)
    dump.leave(*next(each for each in dump.lines() if _MEANINGS[HEADER][each[1]] == meant))
    dump.unread.sort(key=lambda unread: unread.line)


def _split(text: str) -> tuple[str, str]:
    cut = re.search("[:=]", text)
    return (text[: cut.start()].strip(), text[cut.end() :].strip()) if cut else (text, "")


def _is_whole(last: str) -> bool:
    key, value = _split(last)
    rule = STANDARD.get(key)
    return rule is not None and value in rule.whole


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the lines have the service's header."""
    return any(line.strip() == HEADER for _, line in lines)


def parse(text: str) -> Parsed[BatteryServiceRow]:
    """The platform's battery values; untrusted while they are simulated or frozen.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, with_line_end(text, _is_whole))
    reader = _Reader()
    reader.read(dump)
    row = reader.row(dump)
    return dump.parsed(
        row, found=reader.found, needs=f"line '{HEADER}'", trusted=not row.updates_stopped
    )
