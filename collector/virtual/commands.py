"""The shell commands a virtual phone knows."""

import re
from collections.abc import Callable

from collector.virtual import dumps, dumps_context
from collector.virtual.state import PhoneState

Answer = Callable[[PhoneState, re.Match[str]], str | None]

_ANSWERS: tuple[tuple[re.Pattern[str], Answer], ...] = tuple(
    (re.compile(pattern), answer)
    for pattern, answer in (
        (r"dumpsys battery", lambda s, _: dumps.dumpsys_battery(s)),
        (r"dumpsys power", lambda s, _: dumps_context.dumpsys_power(s)),
        (r"dumpsys activity activities", lambda s, _: dumps_context.dumpsys_activities(s)),
        (r"dumpsys thermalservice", lambda s, _: dumps_context.dumpsys_thermal(s)),
        (r"dumpsys display", lambda s, _: dumps_context.dumpsys_display(s)),
        (r"dumpsys telephony\.registry", lambda s, _: dumps_context.dumpsys_telephony(s)),
        (
            r"service call batteryproperties 1 i32 (\d{1,3})",
            lambda s, m: dumps.service_call_property(s, int(m[1])),
        ),
        (r"cat /sys/class/power_supply/battery/uevent", lambda s, _: dumps.uevent_battery(s)),
        (r"cat /sys/class/power_supply/usb/uevent", lambda s, _: dumps.uevent_usb(s)),
        (r"cat /sys/class/power_supply/\*/uevent", lambda s, _: dumps.uevents(s)),
        (r"cmd battery get (\w+)", lambda s, m: dumps.cmd_battery_get(s, m[1])),
        (r"cmd wifi status", lambda s, _: dumps_context.cmd_wifi_status(s)),
        (r"dumpsys deviceidle", lambda s, _: dumps_context.dumpsys_deviceidle(s)),
        (
            r"dumpsys (android\.hardware\.health\.IHealth/default|batteryproperties)",
            lambda _, m: f"Error dumping service info: (Unknown error -2147483647) {m[1]}\n",
        ),
        (
            r"dumpsys (android\.hardware\.power\.stats\.IPowerStats/default)",
            lambda _, m: f"Can't find service: {m[1]}\n",
        ),
        (
            r"cat /proc/uptime /proc/sys/kernel/random/boot_id",
            lambda s, _: dumps.proc_uptime(s) + dumps.boot_id_file(s),
        ),
        (r"cat /proc/uptime", lambda s, _: dumps.proc_uptime(s)),
        (r"cat /proc/sys/kernel/random/boot_id", lambda s, _: dumps.boot_id_file(s)),
        (
            r"settings get (system|global|secure) (\w+)",
            lambda s, m: dumps_context.settings_get(s, m[1], m[2]),
        ),
        (r"getprop(?: ([\w.]+))?", lambda s, m: dumps_context.getprop(s, m[1])),
    )
)


def answer_to(command: str, state: PhoneState) -> str | None:
    """What the command prints.

    None if the phone does not know it, or is not allowed to answer: the kernel file of a
    supply that the vendor hides gives nothing here, as on such a phone.
    """
    for pattern, answer in _ANSWERS:
        if (match := pattern.fullmatch(command)) is not None:
            return answer(state, match)
    return None
