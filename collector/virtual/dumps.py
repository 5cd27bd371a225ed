"""What a virtual phone prints about its battery and its clocks, in the platform's own layout."""

from collector.virtual.framework import STATUS_CHARGING, STATUS_DISCHARGING, STATUS_FULL
from collector.virtual.state import PhoneState

LONG_MIN = -(2**63)
"""A battery property without a value (AOSP BatteryProperty.java)."""

_UNSUPPORTED = -1
_HEALTH_GOOD = 2
_STATUS_WORDS = {
    STATUS_CHARGING: "Charging",
    STATUS_DISCHARGING: "Discharging",
    STATUS_FULL: "Full",
}
_SUPPLY_UA, _SUPPLY_UV = 500_000, 5_000_000
_N_PROCESSORS = 8


def dumpsys_battery(state: PhoneState) -> str:
    """`dumpsys battery` as the phone's Android version lays it out."""
    shown, api = state.shown, state.spec.api
    supply_ua, supply_uv = (_SUPPLY_UA, _SUPPLY_UV) if shown.plugged else (0, 0)
    sent = duration_text(state.pushed_boot_s)
    broadcast = "was sent via battery changed broadcast"
    lines: list[tuple[int, str]] = [
        (0, "  AC powered: false"),
        (0, f"  USB powered: {word_of(truth=shown.plugged)}"),
        (0, "  Wireless powered: false"),
        (33, "  Dock powered: false"),
        (0, f"  Max charging current: {supply_ua}"),
        (
            36,
            f" Time when the latest updated value of the Max charging current {broadcast}: {sent}",
        ),
        (0, f"  Max charging voltage: {supply_uv}"),
        (0, f"  Charge counter: {shown.reading.counter_raw or 0}"),
        (0, f"  status: {shown.status}"),
        (0, f"  health: {_HEALTH_GOOD}"),
        (0, "  present: true"),
        (0, f"  level: {shown.reading.level_pct}"),
        (0, "  scale: 100"),
        (0, f"  voltage: {shown.voltage_mv}"),
        (36, f" Time when the latest updated value of the voltage {broadcast}: {sent}"),
        (
            36,
            " The last voltage value sent via the battery changed broadcast:"
            f" {shown.previous_voltage_mv}",
        ),
        (0, f"  temperature: {shown.reading.temperature_dc}"),
        (0, "  technology: Li-ion"),
        (35, "  Charging state: 1"),
        (35, "  Charging policy: 1"),
        (36, f"  Capacity level: {_capacity_level(shown.reading.level_pct, shown.status)}"),
    ]
    head = ["Current Battery Service state:"]
    if state.updates_stopped:
        head.append("  (UPDATES STOPPED -- use 'reset' to restart)")
    return text_of([*head, *(line for since_api, line in lines if api >= since_api)])


def uevent_battery(state: PhoneState) -> str | None:
    """`power_supply/battery/uevent`; None where the shell may not read it."""
    spec, live = state.spec, state.live
    if not spec.gauge.has_sysfs:
        return None
    full_uah = round(spec.cell.capacity_mah * (1.0 + spec.gauge.gain_ratio)) * 1000
    values: dict[str, str | int | None] = {
        "NAME": "battery",
        "TYPE": "Battery",
        "STATUS": _STATUS_WORDS[state.status],
        "HEALTH": "Good",
        "PRESENT": 1,
        "TECHNOLOGY": "Li-ion",
        "CAPACITY": live.level_pct,
        "VOLTAGE_NOW": live.voltage_uv,
        "CURRENT_NOW": live.current_raw,
        "TEMP": live.temperature_dc,
        "CHARGE_COUNTER": live.counter_raw,
        "CHARGE_FULL": full_uah,
        "CHARGE_FULL_DESIGN": round(spec.rated_capacity_mah) * 1000,
        "CYCLE_COUNT": spec.n_cycles,
    }
    return _uevent(values)


def uevent_usb(state: PhoneState) -> str | None:
    """`power_supply/usb/uevent`; None where the shell may not read it."""
    if not state.spec.gauge.has_sysfs:
        return None
    values: dict[str, str | int | None] = {
        "NAME": "usb",
        "TYPE": "USB",
        "USB_TYPE": "Unknown [SDP] CDP DCP" if state.plugged else "[Unknown] SDP CDP DCP",
        "ONLINE": int(state.plugged),
        "PRESENT": int(state.plugged),
        "CURRENT_MAX": _SUPPLY_UA if state.plugged else 0,
        "VOLTAGE_MAX": _SUPPLY_UV,
    }
    return _uevent(values)


def uevents(state: PhoneState) -> str | None:
    """`power_supply/*/uevent`, one supply after another; None where the shell may not read it."""
    battery, usb = uevent_battery(state), uevent_usb(state)
    return None if battery is None or usb is None else battery + usb


def cmd_battery_get(state: PhoneState, option: str) -> str:
    """`cmd battery get OPTION`, there from API 31 on, with the current from API 36 on."""
    values: dict[str, tuple[int, object]] = {
        "level": (31, state.shown.reading.level_pct),
        "counter": (31, state.shown.reading.counter_raw or 0),
        "status": (31, state.shown.status),
        "usb": (31, word_of(truth=state.shown.plugged)),
        "current_now": (36, state.live.current_raw or 0),
    }
    if state.spec.api < 31:
        return "Unknown command: get\n"
    since_api, value = values.get(option, (99, ""))
    return f"{value}\n" if state.spec.api >= since_api else f"Unknown get option: {option}\n"


def service_call_property(state: PhoneState, property_id: int) -> str:
    """Reply to `service call batteryproperties 1 i32 ID`; ids of AOSP BatteryManager.java."""
    value = {
        1: state.live.counter_raw,
        2: state.live.current_raw,
        4: state.live.level_pct,
        6: state.status,
    }.get(property_id)
    low, high = _words64(LONG_MIN if value is None else value)
    words = [0, _UNSUPPORTED & 0xFFFFFFFF if value is None else 0, 1, low, high]
    if state.spec.api >= 35:
        words.append(0xFFFFFFFF)  # the property's text, null
    return parcel_text(words)


def proc_uptime(state: PhoneState) -> str:
    """`/proc/uptime`: boot clock, and the idle time of all processors together."""
    return f"{state.boot_s:.2f} {state.awake_s * _N_PROCESSORS * 0.8:.2f}\n"


def boot_id_file(state: PhoneState) -> str:
    """`/proc/sys/kernel/random/boot_id`."""
    return f"{state.boot_id}\n"


def parcel_text(words: list[int]) -> str:
    """A reply as the `service` command prints it (AOSP libs/binder/Parcel.cpp, hex dump)."""
    rows = []
    for start in range(0, len(words), 4):
        row = words[start : start + 4]
        data = b"".join(word.to_bytes(4, "little") for word in row)
        shown = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in data)
        hexed = " ".join(f"{word:08x}" for word in row)
        rows.append(f"  0x{start * 4:08x}: {hexed:<35} '{shown:<16}'")
    return "Result: Parcel(\n" + "\n".join(rows) + ")\n"


def duration_text(duration_s: float) -> str:
    """A duration as the platform prints it: `+1h43m48s458ms`, or `0`."""
    total_ms = round(duration_s * 1000.0)
    if total_ms == 0:
        return "0"
    seconds, ms = divmod(total_ms, 1000)
    minutes, s = divmod(seconds, 60)
    hours, m = divmod(minutes, 60)
    d, h = divmod(hours, 24)
    larger = [(d, "d"), (h, "h"), (m, "m"), (s, "s")]
    first = next((i for i, (amount, _) in enumerate(larger) if amount), len(larger))
    head = "".join(f"{amount}{unit}" for amount, unit in larger[first:])
    return f"+{head}{ms:03d}ms" if head else f"+{ms}ms"


def text_of(lines: list[str]) -> str:
    """Lines with an end each."""
    return "".join(f"{line}\n" for line in lines)


def word_of(*, truth: bool) -> str:
    """A truth value as Java prints it."""
    return "true" if truth else "false"


def _uevent(values: dict[str, str | int | None]) -> str:
    return text_of(
        [f"POWER_SUPPLY_{name}={value}" for name, value in values.items() if value is not None]
    )


def _words64(value: int) -> tuple[int, int]:
    bits = value & 0xFFFFFFFFFFFFFFFF
    return bits & 0xFFFFFFFF, bits >> 32


def _capacity_level(level_pct: int, status: int) -> int:
    """As AOSP BatteryCapacityLevel.aidl: 1 critical, 2 low, 3 normal, 5 full."""
    if status == STATUS_FULL:
        return 5
    return 1 if level_pct <= 5 else 2 if level_pct <= 15 else 3
