"""Power manager: wakefulness, screen, the awake clock and what it knows of the plug.

References:
    AOSP services/core/java/com/android/server/power/PowerManagerService.java (dump);
    AOSP core/java/android/util/TimeUtils.java (formatUptime).
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from parsers.dump import Dump, keyed, known
from parsers.outcome import Parsed
from parsers.units import s_from_ms
from parsers.words import PLUG, SCREEN, WAKEFULNESS, word

KIND = "power"
COMMAND = "dumpsys power"


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerRow:
    """What the power manager says.

    Attributes:
        wakefulness: `awake`, `asleep`, `dozing` or `dreaming`.
        screen: state asked of the default display: `on`, `off`, `doze`, `doze_suspend`, ...
        awake_s: the clock since boot that stops in suspend, at the moment of the dump.
        plugged: True while any supply is attached.
        plug: `none`, `ac`, `usb`, `wireless`, `dock`; None for a combination.
        powered: what the power manager takes for the plug state.
        stay_on: the screen is kept on, as by the setting for plugged phones.
        deep_idle: True while deep doze restrictions apply.
        light_idle: True while light doze restrictions apply.
    """

    wakefulness: str | None = None
    screen: str | None = None
    awake_s: float | None = None
    plugged: bool | None = None
    plug: str | None = None
    powered: bool | None = None
    stay_on: bool | None = None
    level_pct: int | None = None
    deep_idle: bool | None = None
    light_idle: bool | None = None


_SCREEN_KEY = "Display Power: state="
_CLOCK_KEY = "mLastUserActivityTime="
_KEYS = (
    "mWakefulness=",
    "mWakefulnessRaw=",
    _SCREEN_KEY,
    _CLOCK_KEY,
    "mIsPowered=",
    "mPlugType=",
    "mStayOn=",
    "mBatteryLevel=",
    "mDeviceIdleMode=",
    "mLightDeviceIdleMode=",
)
_TELL_TALES = ("POWER MANAGER (dumpsys power)", _SCREEN_KEY, _CLOCK_KEY, *_KEYS[:2])
_UPTIME = re.compile(r"([0-9]{1,15}) \((?:([0-9]{1,15}) ms ago|now|in ([0-9]{1,15}) ms)\)")
_WHOLE = re.compile(r"-?[0-9]{1,10}")
_FLAGS = {"true": True, "false": False}


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether a line is the service's own header, or wakefulness, screen or activity time."""
    return any(line.lstrip().startswith(_TELL_TALES) for _, line in lines)


def parse(text: str) -> Parsed[PowerRow]:
    """The power manager's state. Lines that begin with none of its keys are skipped.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    values: dict[str, Any] = {}
    dump.read(lambda line: _take(line.strip(), values), keyed(_KEYS))
    raw = values.pop("wakefulness_raw", None)
    row = PowerRow(**{"wakefulness": raw, **values})
    found = bool(values) or raw is not None
    return dump.parsed(row, found=found, needs="line of the power manager")


def _take(line: str, values: dict[str, Any]) -> bool:
    key, _, value = line.partition("=")
    found = _RULES[key + "="](value)
    if found is None:
        return False
    for name, converted in found.items():
        values.setdefault(name, converted)
    return True


_Found = dict[str, Any] | None
"""Values by field; None when the rule did not understand the text."""


def _wakefulness(field: str) -> Callable[[str], _Found]:
    def rule(text: str) -> _Found:
        name = WAKEFULNESS.get(int(text)) if _WHOLE.fullmatch(text) else word(text)
        return {field: name} if name in WAKEFULNESS.values() else None

    return rule


def _screen(text: str) -> _Found:
    name = word(text)
    return {"screen": name} if name in SCREEN else None


def _flag(field: str) -> Callable[[str], _Found]:
    return lambda text: {field: _FLAGS[text]} if text in _FLAGS else None


def _awake_clock(text: str) -> _Found:
    match = _UPTIME.fullmatch(text)
    if match is None:
        return None
    awake_ms = int(match[1]) + int(match[2] or 0) - int(match[3] or 0)
    return {"awake_s": s_from_ms(awake_ms)} if awake_ms >= 0 else None


def _plug(text: str) -> _Found:
    if not _WHOLE.fullmatch(text):
        return None
    bits = known(int(text))
    if bits is None:
        return {}
    return {"plugged": bits != 0, "plug": PLUG.get(bits)} if bits >= 0 else None


def _level(text: str) -> _Found:
    if not _WHOLE.fullmatch(text):
        return None
    return {"level_pct": int(text) if 0 <= int(text) <= 100 else None}


_RULES: dict[str, Callable[[str], _Found]] = {
    "mWakefulness=": _wakefulness("wakefulness"),
    "mWakefulnessRaw=": _wakefulness("wakefulness_raw"),
    _SCREEN_KEY: _screen,
    _CLOCK_KEY: _awake_clock,
    "mIsPowered=": _flag("powered"),
    "mPlugType=": _plug,
    "mStayOn=": _flag("stay_on"),
    "mBatteryLevel=": _level,
    "mDeviceIdleMode=": _flag("deep_idle"),
    "mLightDeviceIdleMode=": _flag("light_idle"),
}
