"""The lines of the battery service's dump: sections, keys, and how each value is read."""

import re
from datetime import date

from parsers import plausible
from parsers.keyed import (
    FLAGS,
    IGNORED,
    Rule,
    between,
    coded,
    flag,
    integer,
    raw,
    raw_not_zero,
    whole_codes,
)
from parsers.text import printable
from parsers.units import c_from_dc, ma_from_ua, mv_from_uv
from parsers.words import HEALTH, STATUS

_CHARGING_STATE = {1: "normal", 2: "too_cold", 3: "too_hot", 4: "long_life", 5: "adaptive"}
_CHARGING_POLICY = {1: "default", 2: "long_life", 3: "adaptive"}
_CAPACITY_LEVEL = {0: "unknown", 1: "critical", 2: "low", 3: "normal", 4: "high", 5: "full"}
_TECHNOLOGIES = frozenset({"Li-ion", "Li-poly", "LiFe", "LiMn", "NiMH", "NiCd"})
_LARGEST = 2**31 - 2
_DATE = re.compile("[0-9]{8}")


def _codes(field: str, codes: dict[int, str]) -> Rule:
    return Rule(field, coded(codes), whole_codes(codes))


def _unbracketed(text: str) -> str:
    return text.removeprefix("[").removesuffix("]").strip()


def _date(text: str) -> str | None:
    digits = _unbracketed(text)
    if not digits:
        return None
    if _DATE.fullmatch(digits) is None:
        raise ValueError(text)
    return date.fromisoformat(digits).isoformat()


def _health_pct(text: str) -> float | None:
    return between(1, 150, absent=0)(_unbracketed(text))  # type: ignore[no-any-return]


STANDARD = {
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
LEFT_OUT = (
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
LEFT_OUT_NAMES = re.compile(
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

HEADER = "Current Battery Service state:"
LOG = "log"
SECTIONS: dict[str, dict[str, Rule]] = {
    HEADER: STANDARD | _ADDED | dict.fromkeys(LEFT_OUT, IGNORED),
    "Current OPPO Battery Service state:": _OPLUS,
    "Current OPLUS Battery Service state:": _OPLUS,
    "MiuiBatteryService first usage time:": _MIUI,
}
LOG_HEADER = re.compile(r"\[\w{1,60}LogBuffer\]")
LOG_STAMP = re.compile(r"\b\d\d-\d\d[ T]\d\d:\d\d\b")
MARKER = "(UPDATES STOPPED"
