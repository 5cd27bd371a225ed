"""Thermal service: throttling status and sensor temperatures.

References:
    AOSP services/core/java/com/android/server/power/ThermalManagerService.java (dump);
    AOSP hardware/interfaces/thermal/aidl: TemperatureType, ThrottlingSeverity.
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump
from parsers.outcome import Parsed

KIND = "thermal"
COMMAND = "dumpsys thermalservice"

BATTERY_TYPE = 2
SKIN_TYPE = 3
_NOT_DEGREES = frozenset({6, 7, 8})
"""Battery current limiter: voltage in mV, current in mA, percentage."""
_COLDEST_C, _HOTTEST_C = -273.15, 300.0
"""No sensor of a phone is beyond, nor one that counts in degrees."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature:
    """One sensor.

    Attributes:
        name: the vendor's choice; select by type.
        type: TemperatureType: 0 CPU, 1 GPU, 2 battery, 3 skin, 4 USB port, ...
        temperature_c: None if the sensor gave no number.
        status: throttling severity, 0 none to 6 shutdown.
    """

    name: str
    type: int
    temperature_c: float | None
    status: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalRow:
    """What the service says.

    Attributes:
        thermal_status: throttling severity of the phone, 0 none to 6 shutdown.
        temperatures: in the order of the dump; a second battery entry of exactly 0.0 is a
            placeholder and left out.
        from_cache: True when the dump has no live values and the temperatures are those of each
            sensor's last event, which may be hours old; None without temperatures.
    """

    thermal_status: int | None = None
    temperatures: tuple[Temperature, ...] = ()
    from_cache: bool | None = None


_STATUS = re.compile(r"Thermal Status: ([0-9]{1,3})")
_OVERRIDE = re.compile(r"IsStatusOverride: (true|false)")
_READING = re.compile(
    r"Temperature\{mValue=(NaN|-?Infinity|-?[0-9]{1,40}(?:\.[0-9]{1,40})?(?:E-?[0-9]{1,2})?),"
    r" mType=(-?[0-9]{1,4}), mName=(.{0,200}), mStatus=([0-9]{1,3})\}"
)
CACHED = "Cached temperatures:"
LIVE = "Current temperatures from HAL:"
_LISTENER = re.compile(r"(?:callbacks|killed|broadcasts count): \S{1,20}")
IGNORED = {
    "ThermalEventListeners:": _LISTENER,
    "ThermalStatusListeners:": _LISTENER,
    "ThermalHeadroomListeners:": _LISTENER,
    "HAL connection:": re.compile(r"ThermalHAL (?:AIDL +)?[0-9.]+ +connected: +(?:yes|no)"),
    "Current cooling devices from HAL:": re.compile(r"CoolingDevice\{.*\}"),
    "Temperature static thresholds from HAL:": re.compile(r"TemperatureThreshold\{.*\}"),
    "Temperature headroom thresholds:": re.compile(r"[\[\]{}=,.:\-+0-9EaNIfinty ]+"),
}
_HAL_READY = re.compile(r"HAL Ready: (?:true|false)")


class _Reader:
    def __init__(self) -> None:
        self.section = ""
        self.status: int | None = None
        self.overridden: bool | None = None
        self.sensors: dict[str, list[Temperature]] = {}

    def take(self, line: str) -> bool:
        text = line.strip()
        if text in IGNORED or text in (CACHED, LIVE):
            self.section = text
            if text in (CACHED, LIVE):
                self.sensors.setdefault(text, [])
            return True
        return self._take_fact(text) or self._take_entry(text)

    def _take_fact(self, text: str) -> bool:
        if (status := _STATUS.fullmatch(text)) is not None:
            self.status = int(status[1]) if self.status is None else self.status
            return True
        if (override := _OVERRIDE.fullmatch(text)) is not None:
            if self.overridden is None:
                self.overridden = override[1] == "true"
            return True
        return _HAL_READY.fullmatch(text) is not None

    def _take_entry(self, text: str) -> bool:
        if self.section in IGNORED:
            return IGNORED[self.section].fullmatch(text) is not None
        match = _READING.fullmatch(text) if self.section else None
        if match is None:
            return False
        value_c = float(match[1])
        real = _COLDEST_C < value_c < _HOTTEST_C
        sensor = Temperature(
            name=match[3],
            type=int(match[2]),
            temperature_c=value_c if real else None,
            status=int(match[4]),
        )
        if sensor.type not in _NOT_DEGREES:
            self.sensors[self.section].append(sensor)
        return True


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the lines have the service's status line or a block of its sensors."""
    return any(
        line.strip() in (CACHED, LIVE) or _STATUS.fullmatch(line.strip()) is not None
        for _, line in lines
    )


def parse(text: str) -> Parsed[ThermalRow]:
    """Status and temperatures; untrusted while the status is overridden.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    reader = _Reader()
    dump.read(reader.take)
    live = reader.sensors.get(LIVE, [])
    sensors = _without_placeholders(live or reader.sensors.get(CACHED, []))
    row = ThermalRow(
        thermal_status=reader.status,
        temperatures=sensors,
        from_cache=not live if sensors else None,
    )
    found = reader.status is not None or bool(reader.sensors)
    return dump.parsed(
        row,
        found=found,
        needs="'Thermal Status:' line and no block of temperatures",
        trusted=not reader.overridden,
    )


def _without_placeholders(sensors: list[Temperature]) -> tuple[Temperature, ...]:
    n_batteries = sum(sensor.type == BATTERY_TYPE for sensor in sensors)
    n_zero = sum(_is_zero_battery(sensor) for sensor in sensors)
    if not 0 < n_zero < n_batteries:
        return tuple(sensors)
    return tuple(sensor for sensor in sensors if not _is_zero_battery(sensor))


def _is_zero_battery(sensor: Temperature) -> bool:
    return sensor.type == BATTERY_TYPE and sensor.temperature_c == 0.0
