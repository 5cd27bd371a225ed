"""Debug dump of the Health HAL: text lines, then one structured line.

References:
    AOSP system/core/healthd/BatteryMonitor.cpp (dumpState);
    AOSP hardware/interfaces/health/utils/libhealth2impl/Health.cpp and health/aidl/default.
"""

import re
from dataclasses import dataclass
from typing import Any

from parsers import plausible
from parsers.dump import Dump
from parsers.keyed import Read, between, coded, count, integer, raw, raw_not_zero
from parsers.outcome import Parsed
from parsers.units import c_from_dc, ma_from_ua, mv_from_uv
from parsers.words import HEALTH, STATUS, word

KIND = "health"
COMMAND = "dumpsys android.hardware.health.IHealth/default"
"""From API 33. Before: `lshal debug android.hardware.health@2.0::IHealth/default` (or `@2.1`);
API 26 and 27: `dumpsys batteryproperties`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthRow:
    """What the HAL says. The structured line was refreshed last and wins over the text lines.

    Attributes:
        current_raw: the first `current now`, read at that instant; unit and sign as sent.
        current_average_raw: averaged by the hardware; unit and sign as sent.
        current_ma: positive into the battery; None unless this dump alone proves unit and sign.
        charge_counter_raw: the integer as sent.
        charge_counter_mah: None unless level and counter give a real pack.
        charge_time_to_full_s: the HAL's forecast.
    """

    ac_powered: bool | None = None
    usb_powered: bool | None = None
    wireless_powered: bool | None = None
    dock_powered: bool | None = None
    plugged: bool | None = None
    max_charging_current_ma: float | None = None
    max_charging_voltage_mv: float | None = None
    status: str | None = None
    health: str | None = None
    present: bool | None = None
    level_pct: int | None = None
    voltage_mv: float | None = None
    temperature_c: float | None = None
    technology: str | None = None
    current_raw: int | None = None
    current_average_raw: int | None = None
    current_ma: float | None = None
    charge_counter_raw: int | None = None
    charge_counter_mah: float | None = None
    charge_full_mah: float | None = None
    charge_full_design_mah: float | None = None
    cycle_count: int | None = None
    charge_time_to_full_s: int | None = None
    capacity_level: str | None = None
    charging_state: str | None = None
    charging_policy: str | None = None
    state_of_health_pct: int | None = None


_INT = r"(-?[0-9]{1,19})"
TEXT_LINES = tuple(
    (re.compile(pattern), names)
    for pattern, names in (
        (
            rf"ac: {_INT} usb: {_INT} wireless: {_INT}(?: dock: {_INT})?"
            rf" current_max: {_INT} voltage_max: {_INT}",
            (
                "ac_powered",
                "usb_powered",
                "wireless_powered",
                "dock_powered",
                "max_charging_current_ma",
                "max_charging_voltage_mv",
            ),
        ),
        (rf"status: {_INT} health: {_INT} present: {_INT}", ("status", "health", "present")),
        (
            rf"level: {_INT} voltage: {_INT} temp: {_INT}",
            ("level_pct", "voltage_mv", "temperature_c"),
        ),
        (rf"current now: {_INT}", ("current_raw",)),
        (rf"current avg: {_INT}", ("current_average_raw",)),
        (rf"charge counter: {_INT}", ("charge_counter_raw",)),
        (rf"cycle count: {_INT}", ("cycle_count",)),
        (rf"Full charge: {_INT}", ("charge_full_mah",)),
    )
)
_LIVE = frozenset({"current_raw", "current_average_raw", "charge_counter_raw"})
"""Read from the kernel while the text is printed: the text line wins over the structured one."""

_STRUCTURED = "getHealthInfo -> "
_FIELD = re.compile(r"\b([A-Za-z]\w{0,60})(?: = |: )([^,{}\[\]]*)")
FIELDS = {
    "chargerAcOnline": "ac_powered",
    "chargerUsbOnline": "usb_powered",
    "chargerWirelessOnline": "wireless_powered",
    "chargerDockOnline": "dock_powered",
    "maxChargingCurrent": "max_charging_current_ma",
    "maxChargingCurrentMicroamps": "max_charging_current_ma",
    "maxChargingVoltage": "max_charging_voltage_mv",
    "maxChargingVoltageMicrovolts": "max_charging_voltage_mv",
    "batteryStatus": "status",
    "batteryHealth": "health",
    "batteryPresent": "present",
    "batteryLevel": "level_pct",
    "batteryVoltage": "voltage_mv",
    "batteryVoltageMillivolts": "voltage_mv",
    "batteryTemperature": "temperature_c",
    "batteryTemperatureTenthsCelsius": "temperature_c",
    "batteryCurrent": "current_raw",
    "batteryCurrentMicroamps": "current_raw",
    "batteryCurrentAverage": "current_average_raw",
    "batteryCurrentAverageMicroamps": "current_average_raw",
    "batteryCycleCount": "cycle_count",
    "batteryFullCharge": "charge_full_mah",
    "batteryFullChargeUah": "charge_full_mah",
    "batteryChargeCounter": "charge_counter_raw",
    "batteryChargeCounterUah": "charge_counter_raw",
    "batteryFullChargeDesignCapacityUah": "charge_full_design_mah",
    "batteryChargeTimeToFullNowSeconds": "charge_time_to_full_s",
    "batteryTechnology": "technology",
    "batteryCapacityLevel": "capacity_level",
    "chargingState": "charging_state",
    "chargingPolicy": "charging_policy",
    "batteryStateOfHealth": "state_of_health_pct",
}
_FLAGS = {"true": True, "1": True, "false": False, "0": False}
_ABSENT = ("", "null", "(null)")
_ENUM = re.compile(r"[A-Z][A-Z_]{1,30}")
_TECHNOLOGY = re.compile(r"[A-Za-z][A-Za-z0-9 -]{0,20}")
_HIGHEST = 2**31 - 2


def _flag(text: str) -> bool:
    if text not in _FLAGS:
        raise ValueError(text)
    return _FLAGS[text]


def _technology(text: str) -> str | None:
    bare = text.strip('"')
    if bare and _TECHNOLOGY.fullmatch(bare) is None:
        raise ValueError(text)
    return bare or None


def _enum(codes: dict[int, str]) -> Read:
    """Reads a name of the structured line, or the code of a text line."""
    by_code = coded(codes)
    return lambda text: word(text) if _ENUM.fullmatch(text) else by_code(text)


def _pack_mah(text: str) -> float | None:
    return plausible.pack_mah(integer(text))


_READ: dict[str, Read] = {
    **dict.fromkeys(("ac_powered", "usb_powered", "wireless_powered", "dock_powered"), _flag),
    "present": _flag,
    "max_charging_current_ma": between(1, _HIGHEST, ma_from_ua, absent=0),
    "max_charging_voltage_mv": between(1, _HIGHEST, mv_from_uv, absent=0),
    "status": _enum(STATUS),
    "health": _enum(HEALTH),
    **dict.fromkeys(("capacity_level", "charging_state", "charging_policy"), _enum({})),
    "level_pct": between(0, 100, int),
    "voltage_mv": lambda text: plausible.pack_mv(integer(text)),
    "temperature_c": between(-600, 1500, c_from_dc),
    "technology": _technology,
    "current_raw": raw,
    "current_average_raw": raw_not_zero,
    "charge_counter_raw": raw_not_zero,
    "charge_full_mah": _pack_mah,
    "charge_full_design_mah": _pack_mah,
    "cycle_count": count,
    "charge_time_to_full_s": raw,
    "state_of_health_pct": between(1, 150, int, absent=0),
}


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the lines have the HAL's first line or its structured line."""
    first, _ = TEXT_LINES[0]
    return any(
        line.startswith(_STRUCTURED) or first.fullmatch(line.strip()) is not None
        for _, line in lines
    )


def parse(text: str) -> Parsed[HealthRow]:
    """The HAL's values.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    printed: dict[str, Any] = {}
    structured: dict[str, Any] = {}
    dump.read(lambda line: _take(line.strip(), printed, structured))
    live = {name: value for name, value in printed.items() if name in _LIVE}
    refreshed = {name: value for name, value in structured.items() if value is not None}
    values = {**printed, **refreshed, **live}
    plugs = [value for name, value in values.items() if name.endswith("_powered")]
    values["plugged"] = True if any(plugs) else (False if plugs and None not in plugs else None)
    values["charge_counter_mah"] = plausible.counter_mah(
        values.get("charge_counter_raw"), values.get("level_pct")
    )
    values["current_ma"] = plausible.current_ma(
        values.get("current_raw"),
        unit="uA",
        sign=1,
        plugged=values["plugged"],
        status=values.get("status"),
    )
    row = HealthRow(**values)
    return dump.parsed(row, found=bool(printed or structured), needs="line of the Health HAL")


def _take(line: str, printed: dict[str, Any], structured: dict[str, Any]) -> bool:
    if line.startswith(_STRUCTURED):
        return _take_structured(line, structured)
    for pattern, names in TEXT_LINES:
        match = pattern.fullmatch(line)
        if match is not None:
            found = zip(names, match.groups(), strict=True)
            kept = [_keep(printed, name, text) for name, text in found if text is not None]
            return all(kept)
    return False


def _keep(values: dict[str, Any], field: str, text: str) -> bool:
    """Whether the text is such a value, or none. The first occurrence counts."""
    try:
        value = None if text in _ABSENT else _READ[field](text)
    except ValueError:
        values.setdefault(field, None)
        return False
    values.setdefault(field, value)
    return True


def _take_structured(line: str, structured: dict[str, Any]) -> bool:
    fields = [(FIELDS[name], text) for name, text in _FIELD.findall(line) if name in FIELDS]
    kept = [_keep(structured, field, text.strip()) for field, text in fields]
    return bool(kept) and all(kept)
