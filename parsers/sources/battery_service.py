"""The platform's battery service: `dumpsys battery`, with what vendors add to it.

References:
    AOSP services/core/java/com/android/server/BatteryService.java (dump).
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from parsers import plausible
from parsers.dump import Dump
from parsers.keyed import (
    FLAGS,
    IGNORED,
    Fields,
    Rule,
    between,
    coded,
    flag,
    integer,
    raw,
    raw_not_zero,
    whole_codes,
    with_line_end,
)
from parsers.outcome import Parsed
from parsers.text import printable
from parsers.units import c_from_dc, ma_from_ua, mv_from_uv
from parsers.words import HEALTH, STATUS

KIND = "battery"
COMMAND = "dumpsys battery"


@dataclass(frozen=True, slots=True, kw_only=True)
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


_CHARGING_STATE = {1: "normal", 2: "too_cold", 3: "too_hot", 4: "long_life", 5: "adaptive"}
_CHARGING_POLICY = {1: "default", 2: "long_life", 3: "adaptive"}
_CAPACITY_LEVEL = {0: "unknown", 1: "critical", 2: "low", 3: "normal", 4: "high", 5: "full"}
_TECHNOLOGIES = frozenset({"Li-ion", "Li-poly", "LiFe", "LiMn", "NiMH", "NiCd"})
_LARGEST = 2**31 - 2


def _codes(field: str, codes: dict[int, str]) -> Rule:
    return Rule(field, coded(codes), whole_codes(codes))


def _unbracketed(text: str) -> str:
    return text.removeprefix("[").removesuffix("]").strip()


def _date(text: str) -> str | None:
    digits = _unbracketed(text)
    if not digits:
        return None
    integer(digits)
    return datetime.strptime(digits, "%Y%m%d").replace(tzinfo=UTC).date().isoformat()


def _health_pct(text: str) -> float | None:
    return between(1, 150, absent=0)(_unbracketed(text))  # type: ignore[no-any-return]


_STANDARD = {
    "AC powered": Rule("ac_powered", flag, FLAGS),
    "USB powered": Rule("usb_powered", flag, FLAGS),
    "Wireless powered": Rule("wireless_powered", flag, FLAGS),
    "Dock powered": Rule("dock_powered", flag, FLAGS),
    "MOD powered": Rule("mod_powered", flag, FLAGS),
    "Max charging current": Rule(
        "max_charging_current_ma", between(1, _LARGEST, ma_from_ua, absent=0)
    ),
    "Max charging voltage": Rule(
        "max_charging_voltage_mv", between(1, _LARGEST, mv_from_uv, absent=0)
    ),
    "Charge counter": Rule("charge_counter_raw", raw_not_zero),
    "status": _codes("status", STATUS),
    "health": _codes("health", HEALTH),
    "present": Rule("present", flag, FLAGS),
    "level": Rule("level", between(0, _LARGEST)),
    "scale": Rule("scale", between(1, _LARGEST, absent=0)),
    "voltage": Rule("voltage_mv", lambda text: plausible.pack_mv(integer(text))),
    "temperature": Rule("temperature_c", between(-600, 1500, c_from_dc)),
    "technology": Rule("technology", lambda text: printable(text) or None, _TECHNOLOGIES),
    "Charging state": _codes("charging_state", _CHARGING_STATE),
    "Charging policy": _codes("charging_policy", _CHARGING_POLICY),
    "Capacity level": _codes("capacity_level", _CAPACITY_LEVEL),
}
_ADDED = {
    "current now": Rule("current_raw", raw),
    "charge counter": Rule("charge_counter_raw", raw_not_zero),
    "mSavedBatteryAsoc": Rule("state_of_health_pct", _health_pct),
    "mSavedBatteryUsage": Rule("usage_raw", lambda text: raw_not_zero(_unbracketed(text))),
    "mSavedBatteryMaxTemp": Rule(
        "highest_temperature_c", lambda text: between(-600, 1500, c_from_dc)(_unbracketed(text))
    ),
    "mSavedBatteryMaxCurrent": Rule(
        "highest_current_ma", lambda text: between(1, 60_000, absent=0)(_unbracketed(text))
    ),
    "battery FirstUseDate": Rule("first_use_date", _date),
    "Full capacity": Rule("charge_full_mah", lambda text: plausible.pack_mah(integer(text))),
    "Full design capacity": Rule(
        "charge_full_design_mah", lambda text: plausible.pack_mah(integer(text))
    ),
}
_LEFT_OUT = (
    "Time when the latest updated value of the Max charging current was sent via battery changed"
    " broadcast",
    "Time when the latest updated value of the voltage was sent via battery changed broadcast",
    "The last voltage value sent via the battery changed broadcast",
    *("mBootCompleted", "batterySWSelfDischarging", "batteryMiscEvent", "batteryCurrentEvent"),
    *("mSecPlugTypeSummary", "LED Charging", "LED Low Battery"),
    *("Adaptive Fast Charging Settings", "Super Fast Charging Settings"),
    *("USE_FAKE_BATTERY", "BatteryInfoBackUp", "mSavedBatteryBsoh", "mSavedFullStatusDuration"),
    *("mProtectBatteryMode", "mProtectionThreshold", "mMaximumProtectionThreshold"),
    *("mod level", "mod status", "mod flag", "mod type", "mod power source"),
    *("AdaptiveCharging", "vbus state", "lpd state", "cid state"),
    *("charge watt", "last charge watt"),
    *("engine", "soc decimal", "board temp status"),
)
"""Bookkeeping of the platform, then additions of Samsung, Motorola and vivo."""
_LEFT_OUT_NAMES = re.compile(
    r"SEC_FEATURE_\w{1,80}|FEATURE_\w{1,80}|LLB (?:CAL|MAN|CURRENT|DIFF)|mLtc\w{1,80}"
)
_OPLUS = {
    "Battery current": Rule("current_raw", raw),
    "UpdatesStopped": Rule("updates_stopped", flag, FLAGS),
    **dict.fromkeys(
        ("Charger voltage", "ChargerTechnology", "ChargeFastCharger", "PlugType", "PhoneTemp"),
        IGNORED,
    ),
    **dict.fromkeys(("ThermalFeatureOn", "Accessory present"), IGNORED),
}
_MIUI = dict.fromkeys(("mSetBatteryUsageTimeCount", "mNtpTime", "mParseNtpTime"), IGNORED)

_HEADER = "Current Battery Service state:"
_LOG = "log"
_SECTIONS: dict[str, dict[str, Rule]] = {
    _HEADER: _STANDARD | _ADDED | dict.fromkeys(_LEFT_OUT, IGNORED),
    "Current OPPO Battery Service state:": _OPLUS,
    "Current OPLUS Battery Service state:": _OPLUS,
    "MiuiBatteryService first usage time:": _MIUI,
}
_LOG_HEADER = re.compile(r"\[\w{1,60}LogBuffer\]")
_LOG_STAMP = re.compile(r"\b\d\d-\d\d[ T]\d\d:\d\d\b")
_MARKER = "(UPDATES STOPPED"
_PLUGS = ("ac_powered", "usb_powered", "wireless_powered", "dock_powered", "mod_powered")
_AFTER_PLUGS = ("max_charging_current_ma", "charge_counter_raw", "status", "health", "level")


class _Reader:
    def __init__(self) -> None:
        self.section: str | None = None
        self.fields = Fields()
        self.stopped = False
        self.found = False
        self.current_is: tuple[str, int] = ("mA", 1)

    def take(self, line: str) -> bool:
        text = line.strip()
        if text in _SECTIONS or _LOG_HEADER.fullmatch(text) is not None:
            self.section = text if text in _SECTIONS else _LOG
            self.found = self.found or text == _HEADER
            return True
        if self.section == _LOG:
            return _LOG_STAMP.search(text[:200]) is not None
        if text.startswith(_MARKER) and self.section == _HEADER:
            self.stopped = True
            return True
        return self.section is not None and self._take_value(self.section, text)

    def _take_value(self, section: str, text: str) -> bool:
        key, value = _split(text)
        if section == _HEADER and _LEFT_OUT_NAMES.fullmatch(key) is not None:
            return True
        rule = _SECTIONS[section].get(key)
        if rule is not None and rule.field == "current_raw" and "current_raw" not in self.fields:
            self.current_is = self._current_as_documented(section)
        return self.fields.take(rule, value)

    def _current_as_documented(self, section: str) -> tuple[str, int]:
        """Unit and sign: OPLUS's own block; Android 4 and 5, before `temperature`; Samsung."""
        if section != _HEADER:
            return "mA", -1
        return ("mA", 1) if "temperature_c" in self.fields else ("uA", -1)

    def row(self) -> BatteryServiceRow:
        values: dict[str, Any] = dict(self.fields.values)
        level, scale = values.pop("level", None), values.pop("scale", None)
        if level is not None and scale is not None and level <= scale:
            values["level_pct"] = 100 * level / scale
        if self.stopped:
            values["updates_stopped"] = True
        elif values:
            values.setdefault("updates_stopped", False)
        values["plugged"] = self._plugged()
        values["charge_counter_mah"] = plausible.counter_mah(
            values.get("charge_counter_raw"), values.get("level_pct")
        )
        if not values.get("updates_stopped"):
            unit, sign = self.current_is
            values["current_ma"] = plausible.current_ma(
                values.get("current_raw"),
                unit=unit,
                sign=sign,
                plugged=values["plugged"],
                status=values.get("status"),
            )
        return BatteryServiceRow(**values)

    def _plugged(self) -> bool | None:
        if any(self.fields.values.get(plug) for plug in _PLUGS):
            return True
        shown = all(plug in self.fields.values for plug in ("ac_powered", "usb_powered"))
        whole = any(field in self.fields for field in _AFTER_PLUGS)
        return False if shown and whole and not self.fields.malformed & set(_PLUGS) else None


def _split(text: str) -> tuple[str, str]:
    cut = re.search("[:=]", text)
    return (text[: cut.start()].strip(), text[cut.end() :].strip()) if cut else (text, "")


def _is_whole(last: str) -> bool:
    key, value = _split(last)
    rule = _STANDARD.get(key)
    return rule is not None and value in rule.whole


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the lines have the service's header."""
    return any(line.strip() == _HEADER for _, line in lines)


def parse(text: str) -> Parsed[BatteryServiceRow]:
    """The platform's battery values; untrusted while they are simulated or frozen.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, with_line_end(text, _is_whole))
    reader = _Reader()
    dump.read(reader.take)
    row = reader.row()
    return dump.parsed(
        row, found=reader.found, needs=f"line '{_HEADER}'", trusted=not row.updates_stopped
    )
