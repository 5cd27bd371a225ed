"""The kernel's power supplies: one `uevent` file, or several after another.

References:
    Linux Documentation/ABI/testing/sysfs-class-power, include/linux/power_supply.h;
    AOSP system/core/healthd/BatteryMonitor.cpp (which supply counts as which plug).
"""

import re
from dataclasses import dataclass
from typing import Any

from parsers import plausible
from parsers.dump import Dump
from parsers.keyed import (
    IGNORED,
    Fields,
    Read,
    Rule,
    between,
    count,
    integer,
    raw,
    raw_not_zero,
    whole_codes,
    with_line_end,
)
from parsers.outcome import Parsed, Unread
from parsers.text import iter_lines, printable
from parsers.units import c_from_dc
from parsers.words import word

KIND = "power_supply"
COMMAND = "cat /sys/class/power_supply/*/uevent"


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerSupplyRow:
    """The main battery, and what the other supplies in the text say about plugs.

    Attributes:
        name: of the supply the values are from; None if none of them is a battery.
        plugged: None unless a supply is online, or none is and the battery is discharging.
        voltage_ocv_mv: the gauge's open-circuit estimate.
        current_raw: unit and sign as sent.
        current_average_raw: averaged by the hardware; unit and sign as sent.
        current_ma: positive into the battery; None unless this text alone proves unit and sign.
        charge_counter_mah: None unless level and counter give a real pack.
        charge_full_mah: None unless it is that of a phone, in mAh or µAh.
        charge_full_design_mah: the same, by the nameplate.
    """

    name: str | None = None
    ac_powered: bool | None = None
    usb_powered: bool | None = None
    wireless_powered: bool | None = None
    dock_powered: bool | None = None
    plugged: bool | None = None
    status: str | None = None
    health: str | None = None
    present: bool | None = None
    technology: str | None = None
    level_pct: float | None = None
    capacity_level: str | None = None
    charge_type: str | None = None
    voltage_mv: float | None = None
    voltage_ocv_mv: float | None = None
    current_raw: int | None = None
    current_average_raw: int | None = None
    current_ma: float | None = None
    temperature_c: float | None = None
    charge_counter_raw: int | None = None
    charge_counter_mah: float | None = None
    charge_full_mah: float | None = None
    charge_full_design_mah: float | None = None
    cycle_count: int | None = None


_STATUS = ("Unknown", "Charging", "Discharging", "Not charging", "Full")
_HEALTH = (
    *("Unknown", "Good", "Overheat", "Dead", "Over voltage", "Unspecified failure", "Cold"),
    *("Watchdog timer expire", "Safety timer expire", "Over current", "Calibration required"),
    *("Warm", "Cool", "Hot", "No battery"),
)
_CAPACITY_LEVELS = ("Unknown", "Critical", "Low", "Normal", "High", "Full")
_TECHNOLOGIES = ("Unknown", "NiMH", "Li-ion", "Li-poly", "LiFe", "NiCd", "LiMn")


def _one_of(names: tuple[str, ...]) -> Read:
    def read(text: str) -> str:
        if text not in names:
            raise ValueError(text)
        return word(text)

    return read


def _capacity_level(text: str) -> str | None:
    if text.isascii() and text.isdigit():
        return None  # some MediaTek gauges print a number without meaning
    return _one_of(_CAPACITY_LEVELS)(text)  # type: ignore[no-any-return]


def _pack_mv(text: str) -> float | None:
    return plausible.pack_mv(integer(text))


def _pack_mah(text: str) -> float | None:
    return plausible.pack_mah(integer(text))


RULES = {
    "STATUS": Rule("status", _one_of(_STATUS), _STATUS),
    "HEALTH": Rule("health", _one_of(_HEALTH), _HEALTH),
    "PRESENT": Rule("present", lambda text: bool(between(0, 1)(text)), whole_codes((0, 1))),
    "TECHNOLOGY": Rule("technology", lambda text: printable(text) or None, _TECHNOLOGIES),
    "CAPACITY": Rule("level_pct", between(0, 100)),
    "CAPACITY_LEVEL": Rule("capacity_level", _capacity_level, _CAPACITY_LEVELS),
    "CHARGE_TYPE": Rule("charge_type", lambda text: word(text) or None),
    "VOLTAGE_NOW": Rule("voltage_mv", _pack_mv),
    "VOLTAGE_OCV": Rule("voltage_ocv_mv", _pack_mv),
    "CURRENT_NOW": Rule("current_raw", raw),
    "CURRENT_AVG": Rule("current_average_raw", raw),
    "TEMP": Rule("temperature_c", between(-600, 1500, c_from_dc)),
    "CHARGE_COUNTER": Rule("charge_counter_raw", raw_not_zero),
    "CHARGE_FULL": Rule("charge_full_mah", _pack_mah),
    "CHARGE_FULL_DESIGN": Rule("charge_full_design_mah", _pack_mah),
    "CYCLE_COUNT": Rule("cycle_count", count),
}
LEFT_OUT = re.compile(
    r"DEVTYPE|NAME|TYPE|SCOPE|ONLINE|AUTHENTIC|CALIBRATE|MODEL_NAME|MANUFACTURER|SERIAL_NUMBER"
    r"|MANUFACTURE_(?:YEAR|MONTH|DAY)|USB_TYPE|CHARGE_TYPES|CHARGE_BEHAVIOUR"
    r"|VOLTAGE_(?:(?:MAX|MIN)(?:_DESIGN)?|AVG|BOOT)|CURRENT_(?:MAX|BOOT)|POWER_(?:NOW|AVG)"
    r"|CHARGE_(?:EMPTY(?:_DESIGN)?|NOW|AVG)|ENERGY_(?:(?:FULL|EMPTY)(?:_DESIGN)?|NOW|AVG)"
    r"|CONSTANT_CHARGE_(?:CURRENT|VOLTAGE)(?:_MAX)?|CHARGE_CONTROL_LIMIT(?:_MAX)?"
    r"|CHARGE_CONTROL_(?:START|END)_THRESHOLD|INPUT_(?:CURRENT|VOLTAGE|POWER)_LIMIT"
    r"|CAPACITY_(?:ALERT_MIN|ALERT_MAX|ERROR_MARGIN|RAW)|TEMP_(?:MAX|MIN|AMBIENT)"
    r"|TEMP_(?:AMBIENT_)?ALERT_(?:MIN|MAX)|TIME_TO_(?:EMPTY|FULL)_(?:NOW|AVG)"
    r"|PRECHARGE_CURRENT|CHARGE_TERM_CURRENT|INTERNAL_RESISTANCE|STATE_OF_HEALTH"
)
"""The kernel's other properties (and Qualcomm's raw capacity): documented, of no use here."""

_PREFIX = "POWER_SUPPLY_"
_PROPERTY = re.compile(r"(?:DEVTYPE|POWER_SUPPLY_([A-Z0-9_]{1,80}))=(.*)")
NEW_FILE = re.compile(r"==> .{1,200} <==|/sys/.{1,200}/uevent:")
_DEVTYPE = "DEVTYPE"
"""Stands for every line that begins a supply's file."""
_PLUG_OF = {
    **dict.fromkeys(("mains", "ac", "ups", "usb_dcp", "usb_hvdcp", "usb_cdp"), "ac_powered"),
    **dict.fromkeys(("usb_aca", "usb_c", "usb_pd"), "ac_powered"),
    **dict.fromkeys(("usb", "usb_pd_drp"), "usb_powered"),
    "wireless": "wireless_powered",
    "dock": "dock_powered",
}
"""By type, or by name on kernels that leave the type out."""


class _Supply:
    """The properties of one supply: number of the line, line, property, value."""

    def __init__(self) -> None:
        self.lines: list[tuple[int, str, str, str]] = []
        self._first: dict[str, str] = {}

    def add(self, number: int, line: str, key: str, value: str) -> None:
        self.lines.append((number, line, key, value))
        self._first.setdefault(key, value)

    def get(self, key: str) -> str:
        return self._first.get(key, "")

    def is_battery(self) -> bool:
        if self.get("SCOPE") == "Device":
            return False
        if self.get("TYPE") in ("", "Unknown", "BMS"):
            return bool(self.get("CAPACITY") or self.get("TECHNOLOGY"))
        return self.get("TYPE") == "Battery"

    def has(self, key: str) -> bool:
        """Whether it gives a value for the property, not only an errno in its place."""
        try:
            return RULES[key].read(self.get(key)) is not None
        except ValueError:
            return False

    def rank(self) -> tuple[bool, bool, bool, bool]:
        """Smaller is better; equals keep their order."""
        absent = self.get("PRESENT") == "0"
        live = self.has("VOLTAGE_NOW") and self.has("CURRENT_NOW")
        main = self.get("NAME").lower() in ("battery", "mainbattery")
        return self.get("TYPE") != "Battery", absent, not live, not main

    def plug(self) -> tuple[str, bool] | None:
        """Field of its plug flag, and whether it is online."""
        flag = _PLUG_OF.get((self.get("TYPE") or self.get("NAME")).lower())
        online = self.get("ONLINE")
        if flag is None or self.get("SCOPE") == "Device" or online not in ("0", "1", "2"):
            return None
        return flag, online != "0"


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the lines have a property of a supply."""
    return any(_PROPERTY.fullmatch(line.strip()) is not None for _, line in lines)


def parse(text: str) -> Parsed[PowerSupplyRow]:
    """The main battery's values, and the plugs.

    Raises:
        SourceRefusedError: if the phone does not let the files be read.
        NotThisDumpError: if the text is something else.
    """
    text = with_line_end(text, _is_whole)
    dump = Dump(KIND, text)
    dump.read(lambda _: True)  # leaves a cut line unread
    cut = {unread.line for unread in dump.unread}
    supplies, strays = _split([each for each in iter_lines(text) if each[0] not in cut])
    batteries = sorted((s for s in supplies if s.is_battery()), key=_Supply.rank)
    main = batteries[0] if batteries else _Supply()
    fields = Fields()
    strays += [
        (number, line)
        for supply in supplies
        for number, line, key, value in supply.lines
        if not fields.take(_rule(key, of_main=supply is main), value)
    ]
    dump.unread.extend(Unread(line=number, text=line) for number, line in strays)
    dump.unread.sort(key=lambda unread: unread.line)
    found = any(supply.lines for supply in supplies)
    return dump.parsed(_row(main, supplies, fields), found=found, needs=f"line of {_PREFIX}...")


def _is_whole(last: str) -> bool:
    found = _PROPERTY.fullmatch(last)
    return found is not None and found[1] in RULES and found[2] in RULES[found[1]].whole


def _split(lines: list[tuple[int, str]]) -> tuple[list[_Supply], list[tuple[int, str]]]:
    """The lines by supply, and those that are no property of one."""
    supplies = [_Supply()]
    strays = []
    for number, line in lines:
        text = line.strip()
        found = _PROPERTY.fullmatch(text)
        if found is None and NEW_FILE.fullmatch(text) is None:
            strays.append((number, line))
            continue
        key, value = (found[1] or _DEVTYPE, found[2].strip()) if found else (_DEVTYPE, "")
        current = supplies[-1]
        other_name = key == "NAME" and current.get("NAME") not in ("", value)
        if other_name or (key == _DEVTYPE and current.lines):
            supplies.append(_Supply())
        supplies[-1].add(number, line, key, value)
    return supplies, strays


def _rule(key: str, *, of_main: bool) -> Rule | None:
    if LEFT_OUT.fullmatch(key) is not None or (key in RULES and not of_main):
        return IGNORED
    return RULES.get(key)


def _row(main: _Supply, supplies: list[_Supply], fields: Fields) -> PowerSupplyRow:
    values: dict[str, Any] = dict(fields.values)
    plugs: dict[str, bool] = {}
    for supply in supplies:
        if (plug := supply.plug()) is not None:
            plugs[plug[0]] = plugs.get(plug[0], False) or plug[1]
    drained = bool(plugs) and values.get("status") == "discharging"
    plugged = True if any(plugs.values()) else (False if drained else None)
    return PowerSupplyRow(
        name=printable(main.get("NAME")) or None,
        plugged=plugged,
        current_ma=plausible.current_ma(
            values.get("current_raw"),
            unit="uA",
            sign=1,
            plugged=plugged,
            status=values.get("status"),
        ),
        charge_counter_mah=plausible.counter_mah(
            values.get("charge_counter_raw"), values.get("level_pct")
        ),
        **(values | plugs),
    )
