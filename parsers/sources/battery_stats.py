"""Battery statistics since the last full charge, in the form for people.

References:
    AOSP frameworks/base/core/java/android/os/BatteryStats.java (dump).
"""

import re
from collections.abc import Callable
from typing import Any

from parsers.dump import Dump, indent_of
from parsers.outcome import Parsed
from parsers.sources.battery_stats_rows import BatteryStatsRow, DischargeStep, PowerUse
from parsers.units import s_from_ms
from parsers.words import word

KIND = "battery_stats"
COMMAND = "dumpsys batterystats --charged"


_DURATION = r"\+?((?:[0-9]{1,9}(?:ms|[dhms]) ?){1,5})"
_PART = re.compile(r"([0-9]{1,9})(ms|[dhms])")
_PART_S = {"d": 86_400.0, "h": 3600.0, "m": 60.0, "s": 1.0, "ms": s_from_ms(1)}
_SHARE = r"(?:\([^)]{1,20}\) ?)?"
_MAH = r"([0-9]{1,9}(?:\.[0-9]{1,12})?)"
_PCT = r"([0-9]{1,9})"

_STATISTICS = "Statistics since last charge:"
_STEPS = "Discharge step durations:"
_POWER_USE = "Estimated power use (mAh):"

_Convert = Callable[[str], Any]


def _seconds(text: str) -> float:
    return sum(int(count) * _PART_S[unit] for count, unit in _PART.findall(text))


def _capacity(text: str) -> float | None:
    return float(text) or None


def _clock(text: str) -> str:
    day, clock = text[:10], text[11:]
    return f"{day}T{clock.replace('-', ':')}"


def _two_times(realtime: str, uptime: str | None) -> tuple[str, tuple[tuple[str, _Convert], ...]]:
    pattern = rf"{_DURATION}{_SHARE}realtime(?:, {_DURATION}{_SHARE}uptime)?"
    return pattern, ((realtime, _seconds), (uptime or "", _seconds))


LINES: dict[str, tuple[re.Pattern[str], tuple[tuple[str, _Convert], ...]]] = {
    key: (re.compile(pattern), fields)
    for key, (pattern, fields) in {
        "System starts": (
            r"([0-9]{1,9}), currently on battery: (true|false)",
            (("n_starts", int), ("on_battery", "true".__eq__)),
        ),
        "Start clock time": (r"([0-9]{4}(?:-[0-9]{2}){5})", (("start_local", _clock),)),
        "Screen on": (
            rf"{_DURATION}{_SHARE}.{{0,20}}, Interactive: .{{1,80}}",
            (("screen_on_s", _seconds),),
        ),
        "Time on battery": _two_times("battery_realtime_s", "battery_uptime_s"),
        "Time on battery screen off": _two_times("screen_off_realtime_s", "screen_off_uptime_s"),
        "Time on battery screen doze": _two_times("screen_doze_realtime_s", None),
        "Total run time": _two_times("total_realtime_s", "total_uptime_s"),
        **{
            f"{which} battery capacity": (f"{_MAH} mAh", ((field, _capacity),))
            for which, field in (
                ("Estimated", "estimated_capacity_mah"),
                ("Last learned", "last_learned_capacity_mah"),
                ("Min learned", "min_learned_capacity_mah"),
                ("Max learned", "max_learned_capacity_mah"),
            )
        },
        **{
            key: (f"{_MAH} mAh", ((field, float),))
            for key, field in (
                ("Discharge", "discharge_mah"),
                ("Screen on discharge", "screen_on_discharge_mah"),
                ("Screen off discharge", "screen_off_discharge_mah"),
                ("Screen doze discharge", "screen_doze_discharge_mah"),
                ("Device light doze discharge", "light_doze_discharge_mah"),
                ("Device deep doze discharge", "deep_doze_discharge_mah"),
            )
        },
        **{
            f"Amount discharged {which}": (_PCT, ((field, int),))
            for which, field in (
                ("(lower bound)", "discharge_lower_pct"),
                ("(upper bound)", "discharge_upper_pct"),
                ("while screen on", "screen_on_discharge_pct"),
                ("while screen off", "screen_off_discharge_pct"),
                ("while screen doze", "screen_doze_discharge_pct"),
            )
        },
        "Estimated discharge time remaining": (_DURATION, (("time_remaining_s", _seconds),)),
    }.items()
}
_STEP = re.compile(rf"#[0-9]{{1,4}}: {_DURATION}to ([0-9]{{1,3}})(?: \(([a-z, -]{{1,80}})\))?")
_OTHER_FORECAST = re.compile(r"Estimated [a-z ]{1,60} time: .{1,60}")
_DRAIN = re.compile(rf"Capacity: {_MAH}, Computed drain: {_MAH}, actual drain: {_MAH}(?:-{_MAH})?")
_UID_USE = re.compile(
    rf"U(?:id|ID) (?:u([0-9]{{1,4}})([ais])([0-9]{{1,6}})|([0-9]{{1,9}})): {_MAH}(?: .*)?"
)
_USE = re.compile(rf"([A-Za-z][A-Za-z0-9 _-]{{0,40}}): {_MAH}(?:[ ,].*)?")
_FIRST_OF = {"a": 10_000, "i": 99_000, "s": 0}
"""First id of apps, of isolated processes and of the system, within a user's 100 000."""


class _Reader:
    """Reads two sections, and within the first the block of power use."""

    def __init__(self) -> None:
        self.values: dict[str, Any] = {}
        self.power_use: list[PowerUse] = []
        self.steps: list[DischargeStep] = []
        self.found = False
        self._section = ""
        self._passed: set[str] = set()
        self._power_indent: int | None = None

    def wants(self, line: str) -> bool:
        text, indent = line.strip(), indent_of(line)
        if indent == 0 and text.endswith(":"):
            self._section, self._power_indent = "" if text in self._passed else text, None
            self._passed.add(text)
        if self._power_indent is not None and 0 < indent <= self._power_indent:
            self._power_indent = None
        if self._section == _STEPS or self._power_indent is not None:
            return True
        return self._section == _STATISTICS and (
            text in (_STATISTICS, _POWER_USE) or text.partition(":")[0] in LINES
        )

    def take(self, line: str) -> bool:
        text = line.strip()
        if text in (_STATISTICS, _STEPS):
            self.found = True
            return True
        if self._power_indent is not None:
            return self._take_power(text)
        if text == _POWER_USE:
            self._power_indent = indent_of(line)
            return True
        return self._take_step(text) or self._take_line(text)

    def _take_line(self, text: str) -> bool:
        key, _, rest = text.partition(":")
        if key not in LINES:
            return _OTHER_FORECAST.fullmatch(text) is not None
        pattern, fields = LINES[key]
        match = pattern.fullmatch(rest.strip())
        if match is None:
            return False
        for (name, convert), value in zip(fields, match.groups(), strict=False):
            if name and value is not None:
                self.values.setdefault(name, convert(value))
        return True

    def _take_step(self, text: str) -> bool:
        match = _STEP.fullmatch(text)
        if match is None:
            return False
        notes = (match[3] or "").split(", ")
        screens = [note.removeprefix("screen-") for note in notes if note.startswith("screen-")]
        self.steps.append(
            DischargeStep(
                level_pct=int(match[2]),
                duration_s=_seconds(match[1]),
                screen=screens[0] if screens else None,
            )
        )
        return True

    def _take_power(self, text: str) -> bool:
        if (drain := _DRAIN.fullmatch(text)) is not None:
            names = ("profile_capacity_mah", "modelled_drain_mah", "actual_drain_lo_mah")
            for name, value in zip(names, drain.groups(), strict=False):
                self.values.setdefault(name, float(value))
            self.values.setdefault("actual_drain_hi_mah", float(drain[4] or drain[3]))
            return True
        if (app := _UID_USE.fullmatch(text)) is not None:
            user, letter, number, plain, mah = app.groups()
            uid = int(plain) if plain else int(user) * 100_000 + _FIRST_OF[letter] + int(number)
            self.power_use.append(PowerUse(consumer="uid", uid=uid, drain_mah=float(mah)))
            return True
        if (use := _USE.fullmatch(text)) is not None:
            self.power_use.append(
                PowerUse(consumer=word(use[1]), uid=None, drain_mah=float(use[2]))
            )
            return True
        return text == "Global"


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the lines have one of the two sections we read."""
    return any(line.strip() in (_STATISTICS, _STEPS) for _, line in lines)


def parse(text: str) -> Parsed[BatteryStatsRow]:
    """The summary. Skipped: history, daily statistics, and what is said of single apps.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    reader = _Reader()
    dump.read(reader.take, reader.wants)
    row = BatteryStatsRow(
        **reader.values, power_use=tuple(reader.power_use), steps=tuple(reader.steps)
    )
    return dump.parsed(row, found=reader.found, needs=f"'{_STATISTICS}' section")
