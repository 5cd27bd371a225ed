"""Battery statistics in the check-in form: comma-separated summary, string pool and history.

References:
    AOSP frameworks/base/core/java/android/os/BatteryStats.java (dumpCheckinLocked).
"""

import re
import sys
from collections.abc import Callable
from typing import Any

from parsers.dump import Dump, positive
from parsers.keyed import integer
from parsers.outcome import Parsed
from parsers.sources.battery_history import HistoryReader
from parsers.sources.battery_stats_rows import BatteryStatsRow, DischargeStep, PowerUse
from parsers.units import mah_from_uah, s_from_ms

KIND = "battery_stats"
COMMAND = "dumpsys batterystats -c"

_FORMAT = "9"
_HISTORY = "9,h,"
_POOL = "9,hsp,"
_VERSION = "9,0,i,vers,"
_NEXT = re.compile(r"NEXT: [0-9]{1,15}")
_NUMBER = re.compile(r"[0-9]{1,15}(?:\.[0-9]{1,15})?")
_NONE = ("", "N/A")

_Read = Callable[[str], Any]


def _number(text: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise ValueError(text)
    return float(text)


def _natural(text: str) -> int:
    value = integer(text)
    if value < 0:
        raise ValueError(text)
    return value


def _percent(text: str) -> int:
    value = _natural(text)
    if value > 100:
        raise ValueError(text)
    return value


def _seconds(text: str) -> float:
    return s_from_ms(_natural(text))


def _capacity_mah(text: str) -> float | None:
    return float(value) if (value := positive(integer(text))) else None


def _learned_mah(text: str) -> float | None:
    return mah_from_uah(value) if (value := positive(integer(text))) else None


_TABLES: dict[str, tuple[tuple[str, _Read], ...]] = {
    "bt": (
        ("n_starts", _natural),
        ("battery_realtime_s", _seconds),
        ("battery_uptime_s", _seconds),
        ("total_realtime_s", _seconds),
        ("total_uptime_s", _seconds),
        ("start_epoch_s", _seconds),
        ("screen_off_realtime_s", _seconds),
        ("screen_off_uptime_s", _seconds),
        ("estimated_capacity_mah", _capacity_mah),
        ("min_learned_capacity_mah", _learned_mah),
        ("max_learned_capacity_mah", _learned_mah),
        ("screen_doze_realtime_s", _seconds),
    ),
    "dc": (
        ("discharge_lower_pct", _natural),
        ("discharge_upper_pct", _natural),
        ("screen_on_discharge_pct", _natural),
        ("screen_off_discharge_pct", _natural),
        ("discharge_mah", _number),
        ("screen_off_discharge_mah", _number),
        ("screen_doze_discharge_pct", _natural),
        ("screen_doze_discharge_mah", _number),
        ("light_doze_discharge_mah", _number),
        ("deep_doze_discharge_mah", _number),
    ),
    "pws": (
        ("profile_capacity_mah", _number),
        ("modelled_drain_mah", _number),
        ("actual_drain_lo_mah", _number),
        ("actual_drain_hi_mah", _number),
    ),
    "dtr": (("time_remaining_s", _seconds),),
}
_SCREEN = {"+": "on", "-": "off", "d": "doze"}


class _Reader:
    def __init__(self) -> None:
        self.values: dict[str, Any] = {}
        self.power_use: list[PowerUse] = []
        self.steps: list[DischargeStep] = []
        self.history = HistoryReader()
        self.n_records = 0

    def take(self, line: str) -> bool:
        try:
            understood = self._take(line)
        except ValueError:
            return False
        self.n_records += understood
        return understood

    def _take(self, line: str) -> bool:
        """Raises ValueError for a malformed value."""
        if line.startswith(_HISTORY):
            return self.history.take(line.removeprefix(_HISTORY))
        if line.startswith(_POOL):
            return self.history.take_pool(line.removeprefix(_POOL))
        fields = line.split(",")
        if fields[0] != _FORMAT or len(fields) < 4:
            return _NEXT.fullmatch(line) is not None
        uid = integer(fields[1])
        return self._take_record(uid, fields[2], fields[3], fields[4:])

    def _take_record(self, uid: int, category: str, tag: str, fields: list[str]) -> bool:
        """Takes what is since the last charge, and general facts; single apps are left out."""
        match category, tag:
            case ("l", "bt" | "dc" | "pws") | ("i", "dtr") if uid == 0:
                self._take_table(_TABLES[tag], fields)
            case ("i", "dsd") if uid == 0:
                self._take_step(fields)
            case ("l", "pwi"):
                self._take_use(uid, fields)
            case _:
                pass
        return True

    def _take_table(self, table: tuple[tuple[str, _Read], ...], fields: list[str]) -> None:
        for (name, read), text in zip(table, fields, strict=False):
            if text not in _NONE:
                self.values.setdefault(name, read(text))

    def _take_step(self, fields: list[str]) -> None:
        duration_ms, level, screen, *_ = [*fields, "", "", ""]
        self.steps.append(
            DischargeStep(
                level_pct=_percent(level),
                duration_s=_seconds(duration_ms),
                screen=_SCREEN.get(screen),
            )
        )

    def _take_use(self, uid: int, fields: list[str]) -> None:
        label, mah, *_ = [*fields, "", ""]
        if not re.fullmatch(r"[a-z_]{1,30}", label):
            raise ValueError(label)
        self.power_use.append(
            PowerUse(
                consumer=sys.intern(label),
                uid=uid if label == "uid" else None,
                drain_mah=_number(mah),
            )
        )


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether a line states the version of the check-in form, or is one of its history."""
    return any(line.startswith((_VERSION, _HISTORY, _POOL)) for _, line in lines)


def parse(text: str) -> Parsed[BatteryStatsRow]:
    """Summary and history, in one pass.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    reader = _Reader()
    dump.read(reader.take)
    row = BatteryStatsRow(
        **reader.values,
        power_use=tuple(reader.power_use),
        steps=tuple(reader.steps),
        history=reader.history.history,
        history_overflowed=reader.history.overflowed,
    )
    return dump.parsed(row, found=reader.n_records > 0, needs="comma-separated record")
