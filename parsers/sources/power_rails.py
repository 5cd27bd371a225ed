"""Energy meters of single supply rails: text of the power statistics HAL, or a meter's own file.

References:
    AOSP hardware/google/pixel/powerstats: PowerStatsAidl.cpp, IioEnergyMeterDataProvider.cpp.
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump
from parsers.errors import NotThisDumpError
from parsers.outcome import Parsed
from parsers.units import mwh_from_mws, mwh_from_uws, s_from_ms

KIND = "power_rails"
HAL_COMMAND = "dumpsys android.hardware.power.stats.IPowerStats/default"
FILE_COMMAND = "cat /sys/bus/iio/devices/iio:device*/energy_value"
COMMAND = f"{HAL_COMMAND}; {FILE_COMMAND}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """One rail's meter.

    Attributes:
        rail: name as printed between brackets.
        energy_mwh: cumulative since boot.
    """

    rail: str
    energy_mwh: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerRailsRow:
    """All rails of a dump. They do not add up to the battery's power: not all rails are metered.

    Attributes:
        rails: first occurrence of each name, in the order of the dump.
        boot_s: clock since boot (suspend included) of the meter's own file.
    """

    rails: tuple[Rail, ...]
    boot_s: float | None = None


_TITLE = re.compile(r"=+ (.{1,100}?) =+")
_END = "End of "
_METER = "energy meter"
_OTHER_BLOCKS = ("state residencies", "energy consumers")
_RULER = re.compile(r"[=-]{5,}")
_METER_HEADER = re.compile(r"Channel Cumulative Energy.{0,100}|Elapsed time: .{1,40}")
_METER_ROW = re.compile(
    r"\[([^\]]{1,80})\]:(?:.{0,80} )?([0-9]{1,18}(?:\.[0-9]{1,6})?) mWs"
    r"(?: \(? ?-?[0-9]{1,18}(?:\.[0-9]{1,6})?(?: mWs)? ?\)?)?"
)
_NAMES_ALONE = re.compile(r"ChannelId: [0-9]{1,9}, ChannelName: .{1,100}")
"""The framework's own `dumpsys powerstats`; its energies come as protobuf only."""
_FILE_TIME = re.compile(r"t=([0-9]{1,18})")
_FILE_ROW = re.compile(r"CH[0-9]{1,3}\(T=[0-9]{1,18}\)\[([^\]]{1,80})\], ([0-9]{1,19})")
_FILE_NAMES = re.compile(r"CH[0-9]{1,3}\[[^\]]{1,80}\]:.{0,80}")


class _Reader:
    def __init__(self) -> None:
        self.block: str | None = None
        self.saw_meter = False
        self.rails: dict[str, float] = {}
        self.boot_s: float | None = None

    def wants(self, line: str) -> bool:
        """Skips what is inside the blocks of residencies and consumers, up to the next title."""
        return self.block not in _OTHER_BLOCKS or _TITLE.fullmatch(line.strip()) is not None

    def take(self, line: str) -> bool:
        text = " ".join(line.split())
        title = _TITLE.fullmatch(text)
        if title is not None:
            return self._take_title(title[1])
        if self.block == _METER:
            return self._take_meter(text)
        return self._take_file(text) or _RULER.fullmatch(text) is not None

    def _take_title(self, title: str) -> bool:
        ending = next((name for name in (_METER, *_OTHER_BLOCKS) if title.endswith(name)), None)
        self.block = None if title.startswith(_END) else ending
        self.saw_meter = self.saw_meter or ending == _METER
        return ending is not None

    def _take_meter(self, text: str) -> bool:
        row = _METER_ROW.fullmatch(text)
        if row is not None:
            self.rails.setdefault(row[1], mwh_from_mws(float(row[2])))
            return True
        return (_METER_HEADER.fullmatch(text) or _RULER.fullmatch(text)) is not None

    def _take_file(self, text: str) -> bool:
        if (time := _FILE_TIME.fullmatch(text)) is not None:
            self.boot_s = s_from_ms(int(time[1])) if self.boot_s is None else self.boot_s
            return True
        if (row := _FILE_ROW.fullmatch(text)) is not None:
            self.rails.setdefault(row[1], mwh_from_uws(int(row[2])))
            return True
        return _FILE_NAMES.fullmatch(text) is not None


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the lines have a meter's channel, the HAL's energy meter block, or rails' names."""
    return any(
        _FILE_ROW.fullmatch(text) is not None
        or _NAMES_ALONE.fullmatch(text) is not None
        or _is_meter_title(text)
        for text in (line.strip() for _, line in lines)
    )


def _is_meter_title(text: str) -> bool:
    title = _TITLE.fullmatch(text)
    return title is not None and title[1].endswith(_METER)


def parse(text: str) -> Parsed[PowerRailsRow]:
    """Cumulative energy per rail.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else, or names rails without their energies.
    """
    dump = Dump(KIND, text)
    reader = _Reader()
    dump.read(reader.take, reader.wants)
    row = PowerRailsRow(
        rails=tuple(Rail(rail=name, energy_mwh=mwh) for name, mwh in reader.rails.items()),
        boot_s=reader.boot_s,
    )
    found = bool(reader.rails) or reader.saw_meter
    if not found and any(_NAMES_ALONE.fullmatch(u.text.strip()) for u in dump.unread):
        raise NotThisDumpError(KIND, "it names rails without their energies")
    return dump.parsed(row, found=found, needs="energy meter block and no channel line")
