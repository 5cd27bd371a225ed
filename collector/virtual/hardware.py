"""Cell, supply, load and gauge of one virtual phone, led along a clock of their own."""

from collections.abc import Iterator
from math import ceil

from collector.virtual.cell import Cell, longest_step_s
from collector.virtual.framework import Framework
from collector.virtual.gauge import Gauge
from collector.virtual.profiles import GaugeProfile
from collector.virtual.schedule import Schedule
from collector.virtual.trace import Step, Trace

_AWAKE_RATIO = 0.4
_SUPPLY_MW = 7500.0
_FULL_MV = 4380.0
_SHORTEST_S = 1e-6
_OFF_STEP_S = 60.0


class Hardware:
    """What happens physically, and what gauge and platform make of it.

    Each step is drawn ahead of the clock and read from within, so that nothing depends on how
    often it is read. Only what is done to the phone (`replan`, `plug`) cuts a step short.

    Args:
        start_s: where the clock starts; it goes on through shut-off and reboot.

    Attributes:
        off_s: when the phone shut off; None while it runs.
        overhead_mw: taken while awake, beside what the schedule says.
        step: the running step; the clock is within it.
        trace: all steps before.
        context: of the running activity.
        brightness: of the last screen that was on, 0..255.
        framework: the platform's battery values, and the gauge, at the start of the step or later.
    """

    def __init__(
        self, cell: Cell, gauge: GaugeProfile, schedule: Schedule, *, seed: str, start_s: float
    ) -> None:
        self.now_s = start_s
        self.off_s: float | None = None
        self.plugged = False
        self.overhead_mw = 0.0
        self.schedule = schedule
        self.context = schedule.activity.context
        self.brightness = self.context.brightness
        awake_s = self.touched_s = start_s * _AWAKE_RATIO
        self.trace = Trace(start_s, cell.energy_mwh, awake_s)
        self._cell = cell
        self._undo = cell.save()
        self.step = self._begin_step(start_s, awake_s)
        capacity_mah = cell.spec.capacity_mah
        self.framework = Framework(
            Gauge(gauge, capacity_mah=capacity_mah, step=self.step, seed=seed), self.step
        )

    def advance_to(self, at_s: float) -> None:
        """Lives on until a time; earlier times change nothing."""
        while self.step.end_s <= at_s:
            self._finish_step()
            self._next_step()
        self.now_s = max(self.now_s, at_s)

    def platform_now(self) -> Framework:
        """Gauge and platform as they are now, to be read and thrown away."""
        twin = self.framework.twin()
        twin.follow(self.step, self.now_s)
        return twin

    def coming(self) -> Iterator[tuple[float, float, bool]]:
        """Start, end and awake of all that is to come, from the step on; knows no shut-off."""
        if self.off_s is None:
            for start_s, end_s, awake in self.schedule.coming(self.step.start_s):
                yield start_s, end_s, awake or self.plugged

    def energy_at(self, at_s: float) -> float:
        """True energy taken out by a time not after the running step, in mWh."""
        if at_s < self.step.start_s:
            return self.trace.energy_at(at_s)
        return self.step.energy_at(at_s)

    def replan(self, schedule: Schedule) -> None:
        """From now on the phone does something else."""
        self._cut_step()
        self.schedule = schedule
        self._next_step()

    def add_overhead(self, power_mw: float) -> None:
        """From now on, while awake, so much is taken beside what the schedule says."""
        self._cut_step()
        self.overhead_mw = power_mw
        self._next_step()

    def plug(self, *, connected: bool) -> None:
        """A supply is attached or taken away now."""
        self._cut_step()
        self.plugged = connected
        self._next_step()
        self.framework.set_plugged(self.step, self.step.start_s, plugged=connected)

    def reboot(self) -> None:
        """The platform starts anew now, and a phone that was off is on."""
        self._cut_step()
        self.off_s = None
        self._next_step()
        self.touched_s = self.step.awake_s
        self.framework.reset()
        self.framework.push(self.step, self.step.start_s)

    def _next_step(self) -> None:
        end_s = self.step.end_s
        self.step = self._begin_step(end_s, self.step.awake_at(end_s))

    def _begin_step(self, start_s: float, awake_s: float) -> Step:
        load_mw, left_s, awake = self._begin_load(start_s, awake_s)
        power_mw = self._pack_power_mw(load_mw) if self.plugged else load_mw
        duration_s = left_s / ceil(left_s / longest_step_s(power_mw))
        cell = self._cell
        self._undo = cell.save()
        taken_mah, energy_mwh = cell.taken_mah, cell.energy_mwh
        current_ma = cell.draw(power_mw, duration_s)
        return Step(
            start_s,
            start_s + duration_s,
            awake,
            current_ma,
            load_mw,
            taken_mah,
            (energy_mwh, cell.energy_mwh),
            (cell.began_mv, cell.voltage_mv),
            cell.temperature_c,
            awake_s,
        )

    def _begin_load(self, start_s: float, awake_s: float) -> tuple[float, float, bool]:
        """Power in mW, how long it goes on, and whether the processor is awake."""
        if self.off_s is not None:
            return 0.0, _OFF_STEP_S, False
        schedule = self.schedule
        if schedule.end_s - start_s < _SHORTEST_S:
            schedule.next_event(start_s)
        if schedule.activity.context is not self.context:
            self.context = schedule.activity.context
            self.touched_s = awake_s
            if self.context.screen_on:
                self.brightness = self.context.brightness
        awake = schedule.awake or self.plugged
        power_mw = schedule.power_mw + (self.overhead_mw if awake else 0.0)
        return power_mw, schedule.end_s - start_s, awake

    def _pack_power_mw(self, load_mw: float) -> float:
        """What the pack gives beside a supply; negative charges, first fast, then tapering."""
        room_mw = min(self._cell.power_to_hold_mw(_FULL_MV), 0.0)
        return max(load_mw - _SUPPLY_MW, room_mw)

    def _finish_step(self) -> None:
        step = self.step
        self.framework.follow(step, step.end_s)
        self.trace.append(step.end_s, step.energy_mwh[1], step.awake_at(step.end_s))
        if self.off_s is None and self._cell.cut_off and not self.plugged:
            self.off_s = step.end_s

    def _cut_step(self) -> None:
        """Ends the running step now, with the current it had."""
        step, cell = self.step, self._cell
        end_s = max(self.now_s, step.start_s + _SHORTEST_S)
        cell.restore(self._undo)
        cell.draw_current(step.current_ma, end_s - step.start_s)
        step.voltage_mv = (step.voltage_mv[0], step.voltage_at(end_s))
        step.energy_mwh = (step.energy_mwh[0], cell.energy_mwh)
        step.end_s = end_s
        self._finish_step()
