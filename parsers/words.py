"""The platform's codes and enumeration names as the lower-case words we store.

References:
    AOSP hardware/interfaces/health/aidl/android/hardware/health: BatteryStatus, BatteryHealth,
    BatteryCapacityLevel, BatteryChargingState, BatteryChargingPolicy; AOSP BatteryManager.java,
    Display.java, PowerManagerInternal.java.
"""

import re

STATUS = {1: "unknown", 2: "charging", 3: "discharging", 4: "not_charging", 5: "full"}
HEALTH = {
    1: "unknown",
    2: "good",
    3: "overheat",
    4: "dead",
    5: "over_voltage",
    6: "unspecified_failure",
    7: "cold",
    8: "fair",
    11: "not_available",
    12: "inconsistent",
}
PLUG = {0: "none", 1: "ac", 2: "usb", 4: "wireless", 8: "dock"}
CALL = {0: "idle", 1: "ringing", 2: "off_hook"}
WAKEFULNESS = {0: "asleep", 1: "awake", 2: "dreaming", 3: "dozing"}
SCREEN = frozenset({"unknown", "off", "on", "doze", "doze_suspend", "vr", "on_suspend"})

_BREAKS = re.compile(r"[^a-z0-9]+")


def word(name: str) -> str:
    """An enumeration name as we store it: `NOT_CHARGING`, `Not charging` give `not_charging`."""
    return _BREAKS.sub("_", name.lower().replace("+", "_plus")).strip("_")
