"""The platform's own copy of the battery values, pushed to it now and then.

References:
    AOSP hardware/interfaces/health/utils/libhealthloop/HealthLoop.cpp (when it is pushed) and
    frameworks/base BatteryService.java (what is frozen by a faked state).
"""

from copy import copy
from dataclasses import dataclass, replace
from math import inf

from collector.virtual.gauge import Gauge, GaugeReading
from collector.virtual.trace import Step

STATUS_CHARGING, STATUS_DISCHARGING, STATUS_FULL = 2, 3, 5
"""AOSP health AIDL BatteryStatus."""

_ALARM_S = 600.0
_FULL_PCT = 100
_TAPER_MA = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PushedBattery:
    """The values `dumpsys battery` shows.

    Attributes:
        pushed_s: when they were pushed, simulation time.
        previous_voltage_mv: of the push before.
    """

    reading: GaugeReading
    plugged: bool
    status: int
    pushed_s: float
    previous_voltage_mv: int

    @property
    def voltage_mv(self) -> int:
        """Whole millivolts, as the platform keeps it."""
        return self.reading.voltage_uv // 1000


class Framework:
    """Leads a gauge along the steps and takes its values over when the platform would.

    That is after every minute awake, at the latest 600 s after the last time (at the next moment
    awake), at plug and unplug and, on most phones, whenever the level changes.

    Attributes:
        shown: what the platform shows.
        updates_stopped: True while the shown state is faked; then `shown` is frozen.
    """

    def __init__(self, gauge: Gauge, step: Step) -> None:
        self.gauge = gauge
        self.updates_stopped = False
        self._plugged = False
        reading = gauge.reading()
        self.shown = self._latest = PushedBattery(
            reading=reading,
            plugged=False,
            status=STATUS_DISCHARGING,
            pushed_s=step.start_s,
            previous_voltage_mv=reading.voltage_uv // 1000,
        )
        self._due_awake_s = step.awake_s + gauge.profile.platform_refresh_s
        self._alarm_s = step.start_s + _ALARM_S

    def twin(self) -> "Framework":
        """An equal framework and gauge that can be led on without leading these."""
        twin = copy(self)
        twin.gauge = self.gauge.twin()
        return twin

    def follow(self, step: Step, until_s: float) -> None:
        """Leads gauge and platform on to a time within the step."""
        gauge, awake = self.gauge, step.awake
        change_s, due_s = gauge.level_change_s(step), self._due_s(step)
        while change_s <= until_s or due_s <= until_s:
            if change_s <= due_s:
                gauge.follow(step, change_s, awake=awake)
                gauge.change_level(step)
                if gauge.profile.push_on_level:
                    self._alarm_s = change_s
                change_s = gauge.level_change_s(step)
            else:
                gauge.follow(step, due_s, awake=awake)
                self.push(step, due_s)
            due_s = self._due_s(step)
        gauge.follow(step, until_s, awake=awake)

    def push(self, step: Step, at_s: float) -> None:
        """Takes the gauge's values over."""
        self._due_awake_s = step.awake_at(at_s) + self.gauge.profile.platform_refresh_s
        self._alarm_s = at_s + _ALARM_S
        self._latest = PushedBattery(
            reading=self.gauge.reading(),
            plugged=self._plugged,
            status=self.status(step),
            pushed_s=at_s,
            previous_voltage_mv=self._latest.voltage_mv,
        )
        if not self.updates_stopped:
            self.shown = self._latest

    def set_plugged(self, step: Step, at_s: float, *, plugged: bool) -> None:
        """A supply was attached or taken away."""
        self._plugged = plugged
        self.push(step, at_s)

    def fake_unplugged(self) -> None:
        """What `dumpsys battery unplug` does: the shown values freeze with all plugs off."""
        self.updates_stopped = True
        self.shown = replace(self.shown, plugged=False)

    def reset(self) -> None:
        """What `dumpsys battery reset` does: the truth is shown again."""
        self.updates_stopped = False
        self.shown = self._latest

    def status(self, step: Step) -> int:
        """The charge status the drivers would tell now."""
        if not self._plugged:
            return STATUS_DISCHARGING
        tapered = abs(step.current_ma) < _TAPER_MA
        full = self.gauge.level_pct == _FULL_PCT and tapered
        return STATUS_FULL if full else STATUS_CHARGING

    def _due_s(self, step: Step) -> float:
        if not step.awake:
            return inf
        minute_s = step.start_s + self._due_awake_s - step.awake_s
        return max(min(minute_s, self._alarm_s), step.start_s)
