"""A fuel gauge in front of the cell: what the phone can know of its battery at any moment."""

import random
from copy import copy
from dataclasses import dataclass
from math import exp, floor, inf, sqrt

from collector.virtual.profiles import (
    CounterKind,
    CounterUnit,
    CurrentMode,
    CurrentSign,
    GaugeProfile,
)
from collector.virtual.trace import Step

_DRIFT_SPAN_S = 1200.0
_DRIFT_RATIO = 0.08
_DRIFT_RETURN_S = 5400.0
_JUMP_LEAST_RATIO, _JUMP_MOST_RATIO = 0.004, 0.015
_LEAST_POINT = 0.2


_COUNTS_PER_MAH = {CounterUnit.UAH: 1000, CounterUnit.MAH: 1, CounterUnit.TENTH: 100}


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeReading:
    """What the phone's drivers would answer now; None where there is nothing to answer."""

    level_pct: int
    voltage_uv: int
    temperature_dc: int
    current_raw: int | None
    counter_raw: int | None


class Gauge:
    """Follows the true steps of a cell and publishes what its profile makes of them.

    Nothing it publishes depends on when it is asked.

    Attributes:
        level_pct: whole percent shown, from the true state of charge.
    """

    def __init__(
        self, profile: GaugeProfile, *, capacity_mah: float, step: Step, seed: str
    ) -> None:
        self.profile = profile
        self._capacity_mah = capacity_mah
        self._seed = seed
        self._due_s = self._counter_due_s = step.start_s
        self._start_s = self._counter_s = step.start_s
        self._start_taken_mah = self._window_mah = step.taken_mah
        self._full_mah = capacity_mah * (1.0 + profile.gain_ratio)
        self._start_mah = self._full_mah - step.taken_mah * (1.0 + profile.gain_ratio)
        self._modelled_mah = self._exact_mah = self._start_mah
        self._jumps_mah = 0.0
        self._jump_index = -1
        self._jump_s, self._jump_mah = step.start_s, 0.0
        self._voltage_uv, self._temperature_dc = 0, 0
        self._current_raw: int | None = None
        self._counter_raw: int | None = None
        self._edges_mah = self._level_edges_mah()
        self.level_pct = sum(step.taken_mah < edge_mah for edge_mah in self._edges_mah)
        self.follow(step, step.start_s, awake=True)

    def twin(self) -> "Gauge":
        """An equal gauge that can be led on without leading this one."""
        return copy(self)

    def reading(self) -> GaugeReading:
        """What is published now."""
        return GaugeReading(
            level_pct=self.level_pct,
            voltage_uv=self._voltage_uv,
            temperature_dc=self._temperature_dc,
            current_raw=self._current_raw,
            counter_raw=self._counter_raw,
        )

    def follow(self, step: Step, until_s: float, *, awake: bool) -> None:
        """Leads the gauge on to a time within the step."""
        publish = awake or not self.profile.cached
        if until_s >= self._due_s:
            self._refresh(step, until_s, publish=publish)
        if until_s >= self._counter_due_s:
            self._refresh_counter(step, until_s, publish=publish)

    def level_change_s(self, step: Step) -> float:
        """When the level changes if the step's current goes on; infinite if it does not."""
        discharging = step.current_ma > 0.0
        edge_pct = self.level_pct - 1 if discharging else self.level_pct
        if step.current_ma == 0.0 or not 0 <= edge_pct < 100:
            return inf
        away_mah = self._edges_mah[edge_pct] - step.taken_mah
        change_s = step.start_s + away_mah * 3600.0 / step.current_ma
        return max(change_s, step.start_s)

    def change_level(self, step: Step) -> None:
        """The level moves by one percent, the way the step's current goes."""
        self.level_pct += -1 if step.current_ma > 0.0 else 1

    def _level_edges_mah(self) -> list[float]:
        """Charge taken out at which the level falls to 0, 1, ... 99."""
        usable_mah = self._capacity_mah * (1.0 - self.profile.reserve_ratio)
        wander_pct = [0.0] * 100
        for size_pct, reach_pct in self.profile.level_wander:
            dice = self._dice("level", round(reach_pct))
            keeps = exp(-1.0 / reach_pct) if reach_pct else 0.0
            error_pct = dice.gauss(0.0, size_pct)
            for pct in range(100):
                wander_pct[pct] += error_pct
                error_pct = keeps * error_pct + dice.gauss(0.0, size_pct * sqrt(1.0 - keeps**2))
        edges_mah, last_mah = [], inf
        for pct, error_pct in enumerate(wander_pct):
            last_mah = min(
                (100.0 - pct + error_pct) * usable_mah / 100.0,
                last_mah - _LEAST_POINT * usable_mah / 100.0,
            )
            edges_mah.append(last_mah)
        return edges_mah

    def _refresh(self, step: Step, until_s: float, *, publish: bool) -> None:
        profile = self.profile
        at_s, self._due_s, passed = _grid(self._due_s, profile.refresh_s, until_s)
        taken_mah = step.taken_at(at_s)
        current_ma = step.current_ma
        if profile.current is CurrentMode.WINDOWED and not passed and at_s > self._start_s:
            current_ma = (taken_mah - self._window_mah) * 3600.0 / profile.refresh_s
        self._window_mah = taken_mah
        if not publish:
            return
        voltage_mv = step.voltage_at(at_s) * (1.0 + profile.voltage_gain_ratio)
        self._voltage_uv = round(
            _whole(voltage_mv, profile.voltage_resolution_mv) * profile.voltage_resolution_mv * 1e3
        )
        self._temperature_dc = round(step.temperature_c * 10.0)
        if profile.current is not CurrentMode.NONE:
            self._current_raw = self._raw_current(current_ma)

    def _raw_current(self, out_ma: float) -> int:
        profile = self.profile
        measured_ma = profile.offset_ma - out_ma * (1.0 + profile.gain_ratio)
        counted_ma = (
            _whole(measured_ma, profile.current_resolution_ma) * profile.current_resolution_ma
        )
        raw = round(counted_ma if profile.current_in_ma else counted_ma * 1e3)
        match profile.current_sign:
            case CurrentSign.DOCUMENTED:
                return raw
            case CurrentSign.INVERTED:
                return -raw
            case CurrentSign.ABSOLUTE:
                return abs(raw)

    def _refresh_counter(self, step: Step, until_s: float, *, publish: bool) -> None:
        profile = self.profile
        at_s, self._counter_due_s, _ = _grid(
            self._counter_due_s, profile.counter_refresh_s, until_s
        )
        measured_mah = (step.taken_at(at_s) - self._start_taken_mah) * (1.0 + profile.gain_ratio)
        drifted_mah = profile.offset_ma * (at_s - self._start_s) / 3600.0
        exact_mah = self._start_mah - measured_mah + drifted_mah
        if profile.counter is CounterKind.SMOOTHED:
            self._drift(at_s, exact_mah)
        if profile.recalibration_s is not None:
            self._recalibrate(at_s, profile.recalibration_s)
        self._exact_mah, self._counter_s = exact_mah, at_s
        if publish:
            self._counter_raw = self._raw_counter()

    def _raw_counter(self) -> int | None:
        counts_per_mah = _COUNTS_PER_MAH[self.profile.counter_unit]
        lsb_mah = self.profile.counter_lsb_mah
        shown_mah = self._shown_mah()
        if shown_mah is None:
            return None
        return round(floor(shown_mah / lsb_mah) * lsb_mah * counts_per_mah)

    def _shown_mah(self) -> float | None:
        match self.profile.counter:
            case CounterKind.NONE:
                return None
            case CounterKind.CUMULATIVE:
                return self._exact_mah + self._jumps_mah
            case CounterKind.TICK:
                return self._full_mah * self.level_pct / 100.0
            case CounterKind.STUCK:
                return self._start_mah
            case CounterKind.SMOOTHED:
                return self._modelled_mah

    def _drift(self, at_s: float, exact_mah: float) -> None:
        """The model counts some per cent wrong for a while and is pulled back to the truth."""
        span = int((at_s - self._start_s) / _DRIFT_SPAN_S)
        wrong_ratio = self._dice("drift", span).uniform(-_DRIFT_RATIO, _DRIFT_RATIO)
        self._modelled_mah += (exact_mah - self._exact_mah) * (1.0 + wrong_ratio)
        back_ratio = min((at_s - self._counter_s) / _DRIFT_RETURN_S, 1.0)
        self._modelled_mah += (exact_mah - self._modelled_mah) * back_ratio

    def _recalibrate(self, at_s: float, spacing_s: float) -> None:
        while at_s >= self._jump_s:
            self._jumps_mah += self._jump_mah
            self._jump_index += 1
            dice = self._dice("jump", self._jump_index)
            begin_s = self._start_s + self._jump_index * spacing_s
            self._jump_s = begin_s + dice.uniform(0.1, 1.0) * spacing_s
            size_ratio = dice.uniform(_JUMP_LEAST_RATIO, _JUMP_MOST_RATIO)
            self._jump_mah = dice.choice((-1, 1)) * size_ratio * self._capacity_mah

    def _dice(self, what: str, index: int) -> random.Random:
        # Drawn anew each time: a twin led ahead must not use up this gauge's numbers.
        return random.Random(f"{self._seed}/{what}/{index}")  # noqa: S311 - repeatable, no secret


def _grid(due_s: float, period_s: float, until_s: float) -> tuple[float, float, int]:
    """The last instant of a periodic timer up to a time, the next, and how many were passed."""
    passed = int((until_s - due_s) / period_s)
    at_s = due_s + passed * period_s
    return at_s, at_s + period_s, passed


def _whole(value: float, resolution: float) -> int:
    return round(value / resolution)
