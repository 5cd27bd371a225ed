"""What the on-phone recorder writes, told from a handset's state instead of run by a shell."""

import re
from math import inf

from collector.onphone import LoopSettings
from collector.virtual import dumps
from collector.virtual.dumps_context import (
    dumpsys_activities,
    dumpsys_power,
    dumpsys_telephony,
    dumpsys_thermal,
    settings_get,
)
from collector.virtual.state import PhoneState
from parsers.blocks import Block

_COUNTER_EVERY = 5
"""The loop asks for the charge counter beside the current at every fifth tick."""
_ROUNDING_S = 1e-6
"""The script counts hundredths in whole numbers; here times are binary fractions."""


class LoopTwin:
    """Block by block what `collector/onphone/recorder.sh` would write with these settings."""

    def __init__(self, settings: LoopSettings, first_seq: int = 0) -> None:
        self._settings = settings
        self._seq = first_seq
        self._next_s: float | None = None
        self._slow_s = self._context_s = -inf
        self._level: int | None = None

    def block(self, state: PhoneState) -> Block:
        """The next block."""
        parts = list(self._fast(state))
        if state.boot_s - self._slow_s >= self._settings.slow_s:
            self._slow_s = state.boot_s
            parts += [
                ("battery", dumps.dumpsys_battery(state)),
                ("power", _matching(dumpsys_power(state), _POWER_LINES)),
            ]
        if state.boot_s - self._context_s >= self._settings.context_s:
            self._context_s = state.boot_s
            parts += [
                (
                    "foreground",
                    _matching(dumpsys_activities(state), _FOREGROUND_LINES),
                ),
                ("thermal", dumpsys_thermal(state)),
                ("telephony", _matching(dumpsys_telephony(state), _TELEPHONY_LINES)),
                ("settings", _settings_text(state)),
            ]
        block = Block(
            seq=self._seq,
            boot_id=state.boot_id.split("-")[0],
            begin_boot_s=state.boot_s,
            boot_s=state.boot_s,
            phone_epoch_s=state.epoch_s,
            loop_cpu_ticks=None,
            parts=tuple((name, text.rstrip("\n").encode()) for name, text in parts),
        )
        self._seq += 1
        return block

    def wait_s(self, now_s: float) -> float:
        """Until the next deadline; one that has passed is given up, not caught up with."""
        tick_s = self._settings.tick_ms / 1000
        self._next_s = (now_s if self._next_s is None else self._next_s) + tick_s
        if not 0 < self._next_s - now_s <= tick_s + _ROUNDING_S:
            self._next_s = now_s + 0.01
        return self._next_s - now_s

    def _fast(self, state: PhoneState) -> list[tuple[str, str]]:
        match self._settings.fast:
            case "uevent":
                if self._level not in (None, state.live.level_pct):
                    self._slow_s = -inf
                self._level = state.live.level_pct
                return [("uevent", _matching(dumps.uevent_battery(state) or "", _UEVENT_LINES))]
            case "property":
                numbers = (2, 1) if self._seq % _COUNTER_EVERY == _COUNTER_EVERY - 1 else (2,)
                return [(f"property_{n}", dumps.service_call_property(state, n)) for n in numbers]
            case _:
                return []


_POWER_LINES = re.compile(
    r" *(mWakefulness=|mWakefulnessRaw=|mLastUserActivityTime=|Display Power: state=)"
)
_TELEPHONY_LINES = re.compile(
    r" *(Phone Id|mCallState|mDataConnectionState|mTelephonyDisplayInfo)="
)
_FOREGROUND_LINES = re.compile(r".*[rR]esumed(Activity)?[=:]")
_UEVENT_LINES = re.compile(
    r"POWER_SUPPLY_(NAME|TYPE|STATUS|HEALTH|PRESENT|CAPACITY|VOLTAGE_NOW|CURRENT_NOW|TEMP"
    r"|CHARGE_COUNTER)="
)


def _matching(text: str, wanted: re.Pattern[str]) -> str:
    return "\n".join(line for line in text.splitlines() if wanted.match(line))


def _settings_text(state: PhoneState) -> str:
    wanted = (
        ("system", "screen_brightness"),
        ("system", "screen_brightness_mode"),
        ("global", "low_power"),
    )
    return "\n".join(
        f"{key}={settings_get(state, namespace, key).strip()}" for namespace, key in wanted
    )
