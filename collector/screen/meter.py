"""A running estimate of power and energy for the live view; results come afterwards."""

from array import array
from bisect import bisect_right
from collections import deque
from dataclasses import dataclass

from parsers.gauge import GaugeDecision, GaugeSamples, decide
from parsers.schema import Reading

DECIDE_EVERY_S = 30.0
MOST_READINGS = 3600
STREAK_S = 15.0
"""Readings further apart are not joined by their current: the phone slept or was out of reach."""
NOW_S = 10.0
_S_PER_H = 3600.0


@dataclass(slots=True)
class _At:
    """The last values known, and when."""

    boot_id: str
    boot_s: float
    power_mw: float | None
    charge_mah: float | None
    voltage_mv: float | None


class Meter:
    """Follows one phone's readings.

    Args:
        capacity_mah: stated capacity, which helps to tell the gauge's unit.
    """

    def __init__(self, capacity_mah: float | None = None) -> None:
        self._capacity_mah = capacity_mah
        self._kept: deque[Reading] = deque(maxlen=MOST_READINGS)
        self._recent: deque[tuple[float, float]] = deque()
        self._gauge = GaugeDecision()
        self._decided_s = float("-inf")
        self._at: _At | None = None
        self._current_raw: int | None = None
        self._plugged: bool | None = None
        self._times_s, self._energies_mwh = array("d"), array("d")
        self.energy_mwh: float | None = None
        """Taken out since the first reading; None while the gauge's unit cannot be told."""

    @property
    def power_mw(self) -> float | None:
        """Mean of the last seconds; None where no current is known."""
        if not self._recent:
            return None
        return sum(power for _, power in self._recent) / len(self._recent)

    def since_mwh(self, host_s: float) -> float | None:
        """Taken out since a moment of the computer's clock, past or just now."""
        if self.energy_mwh is None or not self._times_s:
            return None
        after = bisect_right(self._times_s, host_s)
        if after == 0:
            return self.energy_mwh
        if after == len(self._times_s):
            return 0.0
        begin_s, end_s = self._times_s[after - 1 : after + 1]
        begin_mwh, end_mwh = self._energies_mwh[after - 1 : after + 1]
        share = (host_s - begin_s) / (end_s - begin_s)
        return self.energy_mwh - (begin_mwh + (end_mwh - begin_mwh) * share)

    def follow(self, reading: Reading) -> None:
        """Takes one reading in."""
        self._kept.append(reading)
        known = self._is_known()
        if reading.boot_s - self._decided_s >= DECIDE_EVERY_S and not known:
            self._decided_s = reading.boot_s
            samples = GaugeSamples.from_readings(self._kept, self._capacity_mah)
            self._gauge = decide(samples)
            if self._is_known():
                self.energy_mwh = 0.0
                for earlier in self._kept:
                    self._add(earlier)
        elif known:
            self._add(reading)
            self._kept.clear()

    def _is_known(self) -> bool:
        gauge = self._gauge
        return gauge.current_unit is not None or gauge.counter_unit is not None

    def _add(self, reading: Reading) -> None:
        before, now = self._at, self._look(reading)
        self._at = now
        if self.energy_mwh is None:
            return
        if before is not None and before.boot_id == now.boot_id:
            self.energy_mwh += _between(before, now)
        if not self._times_s or reading.host_s > self._times_s[-1]:
            self._times_s.append(reading.host_s)
            self._energies_mwh.append(self.energy_mwh)

    def _look(self, reading: Reading) -> _At:
        """What the reading adds to what was known: sources take turns."""
        last = self._at
        if reading.current_raw is not None:
            self._current_raw = reading.current_raw
        if reading.plugged is not None:
            self._plugged = reading.plugged
        current_ma = self._gauge.current_ma(self._current_raw, self._plugged)
        charge_mah = self._gauge.counter_mah(reading.charge_counter_raw)
        voltage_mv = reading.voltage_mv or (last.voltage_mv if last else None)
        power_mw = None
        if current_ma is not None and voltage_mv is not None:
            power_mw = -current_ma * voltage_mv / 1000.0
            self._recent.append((reading.boot_s, power_mw))
        while self._recent and reading.boot_s - self._recent[0][0] > NOW_S:
            self._recent.popleft()
        if charge_mah is None and last is not None and last.boot_id == reading.boot_id:
            charge_mah = last.charge_mah
        return _At(reading.boot_id, reading.boot_s, power_mw, charge_mah, voltage_mv)


def _between(before: _At, now: _At) -> float:
    """Taken out meanwhile, in mWh; 0 where nothing tells."""
    apart_s = now.boot_s - before.boot_s
    if before.power_mw is not None and now.power_mw is not None and apart_s <= STREAK_S:
        return (before.power_mw + now.power_mw) / 2 * apart_s / _S_PER_H
    if before.charge_mah is None or now.charge_mah is None or now.voltage_mv is None:
        return 0.0
    return (before.charge_mah - now.charge_mah) * now.voltage_mv / 1000.0
