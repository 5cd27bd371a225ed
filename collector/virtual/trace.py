"""What truly happened to a virtual phone: one step at a time, and the whole run."""

from array import array
from bisect import bisect_right
from dataclasses import dataclass


@dataclass(slots=True)
class Step:
    """A stretch of time with one constant current; everything else is linear in between.

    Attributes:
        start_s: simulation time, as all times here.
        awake: False while the phone is suspended or off.
        current_ma: out of the battery; negative charges.
        load_mw: what the phone uses, wherever it comes from.
        taken_mah: charge taken out since full, at the start.
        energy_mwh: energy taken out at the terminals, at the start and at the end.
        voltage_mv: terminal voltage, the same.
        temperature_c: of the cell, at the end.
        awake_s: awake clock at the start.
    """

    start_s: float
    end_s: float
    awake: bool
    current_ma: float
    load_mw: float
    taken_mah: float
    energy_mwh: tuple[float, float]
    voltage_mv: tuple[float, float]
    temperature_c: float
    awake_s: float

    def taken_at(self, at_s: float) -> float:
        """Charge taken out since full, in mAh."""
        return self.taken_mah + self.current_ma * (at_s - self.start_s) / 3600.0

    def awake_at(self, at_s: float) -> float:
        """The awake clock, in s."""
        return self.awake_s + (at_s - self.start_s if self.awake else 0.0)

    def energy_at(self, at_s: float) -> float:
        """Energy taken out so far, in mWh."""
        return self._between(self.energy_mwh, at_s)

    def voltage_at(self, at_s: float) -> float:
        """Terminal voltage in mV."""
        return self._between(self.voltage_mv, at_s)

    def _between(self, ends: tuple[float, float], at_s: float) -> float:
        before, after = ends
        return before + (after - before) * (at_s - self.start_s) / (self.end_s - self.start_s)


class Trace:
    """Cumulative energy and awake time at the end of every step; in between they are linear."""

    def __init__(self, at_s: float, energy_mwh: float, awake_s: float) -> None:
        self._at_s = array("d", [at_s])
        self._energy_mwh = array("d", [energy_mwh])
        self._awake_s = array("d", [awake_s])

    def append(self, at_s: float, energy_mwh: float, awake_s: float) -> None:
        """Adds the end of a step."""
        self._at_s.append(at_s)
        self._energy_mwh.append(energy_mwh)
        self._awake_s.append(awake_s)

    def energy_at(self, at_s: float) -> float:
        """Energy taken out by a time within the trace, in mWh; held beyond its ends."""
        return self._interpolated(self._energy_mwh, at_s)

    def awake_at(self, at_s: float) -> float:
        """The awake clock at a time within the trace, in s; held beyond its ends."""
        return self._interpolated(self._awake_s, at_s)

    def thinned(self, from_s: float, spacing_s: float) -> tuple[list[float], list[float]]:
        """Times and energies (s, mWh) from a time on, at least `spacing_s` apart, and the last."""
        kept: list[int] = []
        for i in range(bisect_right(self._at_s, from_s) - 1, len(self._at_s)):
            if i >= 0 and (not kept or self._at_s[i] - self._at_s[kept[-1]] >= spacing_s):
                kept.append(i)
        if kept and kept[-1] != len(self._at_s) - 1:
            kept.append(len(self._at_s) - 1)
        return [self._at_s[i] for i in kept], [self._energy_mwh[i] for i in kept]

    def _interpolated(self, column: "array[float]", at_s: float) -> float:
        after = bisect_right(self._at_s, at_s)
        if after == 0:
            return column[0]
        if after == len(column):
            return column[-1]
        before_s, after_s = self._at_s[after - 1], self._at_s[after]
        share = (at_s - before_s) / (after_s - before_s)
        return column[after - 1] + (column[after] - column[after - 1]) * share
