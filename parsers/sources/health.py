"""Debug dump of the Health HAL: text lines, then one structured line.

References:
    AOSP system/core/healthd/BatteryMonitor.cpp (dumpState);
    AOSP hardware/interfaces/health/utils/libhealth2impl/Health.cpp and health/aidl/default.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from parsers import plausible
from parsers.dump import Dump, known, positive
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
_ENUM = re.compile(r"[A-Z][A-Z_]{1,30}")
_TECHNOLOGY = re.compile(r"[A-Za-z][A-Za-z0-9 -]{0,20}")
_WHOLE = re.compile(_INT)
_Number = Callable[[int], float | None]


def _scaled(convert: Callable[[float], float], lowest: int, highest: int) -> _Number:
    return lambda value: convert(value) if lowest <= value <= highest else None


_HIGHEST = 2**31 - 2
_NUMBERS: dict[str, _Number] = {
    "max_charging_current_ma": _scaled(ma_from_ua, 1, _HIGHEST),
    "max_charging_voltage_mv": _scaled(mv_from_uv, 1, _HIGHEST),
    "charge_full_mah": plausible.pack_mah,
    "charge_full_design_mah": plausible.pack_mah,
    "temperature_c": _scaled(c_from_dc, -2731, 2000),
    "level_pct": lambda value: value if 0 <= value <= 100 else None,
    "voltage_mv": plausible.pack_mv,
    "state_of_health_pct": positive,
    "charge_counter_raw": lambda value: known(value) or None,
    "current_average_raw": lambda value: known(value) or None,
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
    plugs = [v for name, v in values.items() if name.endswith("_powered") and v is not None]
    values["plugged"] = any(plugs) if plugs else None
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
    """The first occurrence; None for a value that cannot be."""
    try:
        value = _converted(field, text)
    except ValueError:
        values.setdefault(field, None)
        return False
    values.setdefault(field, value)
    return True


def _take_structured(line: str, structured: dict[str, Any]) -> bool:
    fields = _FIELD.findall(line)
    for name, value in fields:
        if name in FIELDS:
            field = FIELDS[name]
            unset = field == "cycle_count" and value.strip() == "0"
            _keep(structured, field, "-1" if unset else value.strip())
    return any(name in FIELDS for name, _ in fields)


def _converted(field: str, text: str) -> Any:
    if field in ("technology", "status", "health") or field.startswith(("capacity_", "charging_")):
        return _as_word(field, text.strip('"'))
    if field.endswith("_powered") or field == "present":
        return _FLAGS.get(text)
    return _as_number(field, int(text)) if _WHOLE.fullmatch(text) else None


def _as_word(field: str, text: str) -> str | None:
    if field == "technology":
        return text if _TECHNOLOGY.fullmatch(text) else None
    if _ENUM.fullmatch(text):
        return word(text)
    codes = {"status": STATUS, "health": HEALTH}.get(field, {})
    return codes.get(int(text)) if _WHOLE.fullmatch(text) else None


def _as_number(field: str, value: int) -> float | None:
    return _NUMBERS.get(field, known)(value)
