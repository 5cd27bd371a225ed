"""Doze: states of the light and the deep idle machine.

References:
    AOSP apex/jobscheduler/service/java/com/android/server/DeviceIdleController.java (dump).
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump, keyed
from parsers.outcome import Parsed
from parsers.words import word

KIND = "idle"
COMMAND = "dumpsys deviceidle"
"""The bare word of `dumpsys deviceidle get light` (or `deep`) is understood as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleRow:
    """Where doze is.

    Attributes:
        light_idle: `active`, `inactive`, `pre_idle`, `idle`, `waiting_for_network`,
            `idle_maintenance` or `override`.
        deep_idle: `active`, `inactive`, `idle_pending`, `sensing`, `locating`, `idle`,
            `idle_maintenance` or `quick_doze_delay`.
        forced_idle: doze was forced by a command.
        state: of the one machine asked for, where the reply is its bare word.
    """

    light_idle: str | None = None
    deep_idle: str | None = None
    charging: bool | None = None
    screen_on: bool | None = None
    forced_idle: bool | None = None
    state: str | None = None


_STATES = {"mState": "deep_idle", "mLightState": "light_idle"}
_IN_BOTH = frozenset({"ACTIVE", "INACTIVE", "IDLE", "IDLE_MAINTENANCE"})
WORDS = {
    "mState": _IN_BOTH | {"IDLE_PENDING", "SENSING", "LOCATING", "QUICK_DOZE_DELAY"},
    "mLightState": _IN_BOTH | {"PRE_IDLE", "WAITING_FOR_NETWORK", "OVERRIDE"},
}
FLAGS = {"mCharging": "charging", "mScreenOn": "screen_on", "mForceIdle": "forced_idle"}
_KEYS = tuple(f"{key}=" for key in (*_STATES, *FLAGS))
_PAIR = re.compile(r"(\w{1,40})=(\w{1,40})")
_TELL_TALE = re.compile(r"(?:mState=\w{1,40}\s{1,4})?mLightState=\w{1,40}")


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether a line states the light idle machine, or all of it is the word of one machine."""
    return _bare_state(lines) is not None or any(
        _TELL_TALE.fullmatch(line.strip()) is not None for _, line in lines
    )


def parse(text: str) -> Parsed[IdleRow]:
    """Doze states. Lines that begin with none of its keys (lists of apps) are skipped.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    state = _bare_state(dump.head)
    if state is not None:
        return Parsed(rows=(IdleRow(state=state),))
    values: dict[str, str | bool] = {}
    dump.read(lambda line: _take(line, values), keyed(_KEYS))
    states = {field: str(values[field]) for field in _STATES.values() if field in values}
    flags = {field: bool(values[field]) for field in FLAGS.values() if field in values}
    row = IdleRow(
        light_idle=states.get("light_idle"),
        deep_idle=states.get("deep_idle"),
        charging=flags.get("charging"),
        screen_on=flags.get("screen_on"),
        forced_idle=flags.get("forced_idle"),
    )
    return dump.parsed(row, found=bool(states), needs="'mState=' or 'mLightState=' line")


def _bare_state(lines: list[tuple[int, str]]) -> str | None:
    only = lines[0][1].strip() if len(lines) == 1 else ""
    return word(only) if any(only in words for words in WORDS.values()) else None


def _take(line: str, values: dict[str, str | bool]) -> bool:
    understood = True  # each pair on the line
    for part in line.split():
        pair = _PAIR.fullmatch(part)
        key, text = (pair[1], pair[2]) if pair is not None else ("", "")
        if text in WORDS.get(key, ()):
            values.setdefault(_STATES[key], word(text))
        elif key in FLAGS and text in ("true", "false"):
            values.setdefault(FLAGS[key], text == "true")
        else:
            understood = False
    return understood
