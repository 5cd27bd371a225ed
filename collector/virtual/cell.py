"""A lithium-ion cell as an equivalent circuit: the source of a virtual phone's true energy."""

from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, exp, sqrt

INVENTED_OCV = (
    (0.0, 3000.0), (0.005, 3120.0), (0.01, 3230.0), (0.02, 3370.0), (0.03, 3450.0),
    (0.05, 3550.0), (0.08, 3620.0), (0.1, 3655.0), (0.15, 3700.0), (0.2, 3735.0),
    (0.3, 3780.0), (0.4, 3815.0), (0.5, 3865.0), (0.6, 3940.0), (0.7, 4030.0),
    (0.8, 4130.0), (0.9, 4240.0), (1.0, 4380.0),
)  # fmt: skip
"""State of charge to open-circuit mV: invented, in the shape of a 4.4 V phone cell."""

_N_GRID = 1000
_STEP_ENERGY_MWS = 5000.0
_STEP_LONGEST_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CellSpec:
    """What a cell is made of.

    Attributes:
        capacity_mah: charge between open-circuit voltages at state of charge 1 and 0.
        ocv_points: state of charge (0..1, rising) to open-circuit mV.
        r0_mohm: resistance without memory.
        rc: two pairs of resistance in mΩ and time constant in s.
        low_charge_rise_ratio: by how much all resistances grow at state of charge 0.
        low_charge_scale_ratio: state of charge over which that growth falls to 1/e.
        cutoff_mv: terminal voltage below which a phone switches itself off.
        heat_capacity_j_per_k: of the cell and what is thermally tied to it.
        thermal_resistance_k_per_w: from there to the air.
        load_heat_ratio: share of the load's heat that reaches the cell.
    """

    capacity_mah: float
    ocv_points: tuple[tuple[float, float], ...] = INVENTED_OCV
    r0_mohm: float = 75.0
    rc: tuple[tuple[float, float], tuple[float, float]] = ((18.0, 3.0), (30.0, 90.0))
    low_charge_rise_ratio: float = 1.5
    low_charge_scale_ratio: float = 0.04
    cutoff_mv: float = 3200.0
    heat_capacity_j_per_k: float = 110.0
    thermal_resistance_k_per_w: float = 8.0
    load_heat_ratio: float = 0.45

    def ocv_mv(self, charge_ratio: float) -> float:
        """Open-circuit voltage, linear between the points and beyond their ends."""
        points = self.ocv_points
        at = bisect_right(points, charge_ratio, key=lambda point: point[0])
        (x0, y0), (x1, y1) = points[min(max(at, 1), len(points) - 1) - 1 :][:2]
        return y0 + (charge_ratio - x0) * (y1 - y0) / (x1 - x0)

    def resistance_ratio(self, charge_ratio: float) -> float:
        """Growth of all resistances towards empty, 1 when far from it."""
        return 1.0 + self.low_charge_rise_ratio * exp(
            -max(charge_ratio, 0.0) / self.low_charge_scale_ratio
        )


CellState = tuple[float, float, float, float, float, float]
"""What `Cell.restore` needs to undo steps."""


class Cell:
    """One cell under constant-power loads.

    Within a step the current is constant, chosen such that the step takes exactly the demanded
    energy at the terminals; the resistor-capacitor voltages follow in closed form.

    Attributes:
        taken_mah: charge taken out since full.
        energy_mwh: true energy taken out at the terminals since the start (∫V·I dt, net).
        began_mv: terminal voltage at the beginning of the last step, under its current.
        voltage_mv: terminal voltage at its end.
        temperature_c: of the cell.

    References:
        Two-pair Thevenin model: Plett, "Battery Management Systems, Volume I", chapter 2.
    """

    __slots__ = (
        "_ocv", "_rise", "_slope", "_v1", "_v2", "ambient_c", "began_mv", "energy_mwh", "spec",
        "taken_mah", "temperature_c", "voltage_mv",
    )  # fmt: skip

    def __init__(
        self, spec: CellSpec, *, charge_ratio: float = 1.0, ambient_c: float = 22.0
    ) -> None:
        grid = [spec.ocv_mv(i / _N_GRID) for i in range(_N_GRID + 1)]
        self.spec = spec
        self.ambient_c = ambient_c
        self._ocv = grid
        self._slope = [after - before for before, after in pairwise(grid)]
        self._rise = [spec.resistance_ratio((i + 0.5) / _N_GRID) for i in range(_N_GRID)]
        self.taken_mah = (1.0 - charge_ratio) * spec.capacity_mah
        self._v1 = self._v2 = 0.0
        self.energy_mwh = 0.0
        self.began_mv = self.voltage_mv = spec.ocv_mv(charge_ratio)
        self.temperature_c = ambient_c

    @property
    def charge_ratio(self) -> float:
        """State of charge: 1 full, 0 empty."""
        return 1.0 - self.taken_mah / self.spec.capacity_mah

    @property
    def cut_off(self) -> bool:
        """True while the terminal voltage is below what a phone runs on."""
        return self.voltage_mv < self.spec.cutoff_mv

    def save(self) -> CellState:
        """The state now, for `restore`."""
        circuit = (self.taken_mah, self._v1, self._v2)
        return (*circuit, self.energy_mwh, self.voltage_mv, self.temperature_c)

    def restore(self, state: CellState) -> None:
        """Goes back to a saved state."""
        self.taken_mah, self._v1, self._v2 = state[:3]
        self.energy_mwh, self.voltage_mv, self.temperature_c = state[3:]

    def step(self, power_mw: float, duration_s: float, *, finer: int = 1) -> None:
        """Takes `power_mw` at the terminals (negative: charges) for `duration_s`.

        `finer` divides the step length that would be chosen: a way to see what it costs.
        """
        n_steps = ceil(duration_s / longest_step_s(power_mw)) * finer
        for _ in range(n_steps):
            self.draw(power_mw, duration_s / n_steps)

    def draw(self, power_mw: float, duration_s: float) -> float:
        """One step, not longer than `longest_step_s`; returns its constant current in mA.

        A load beyond what the cell can give gets the most it can give; the cell is then cut off.
        """
        return self._move(power_mw, None, duration_s)

    def draw_current(self, current_ma: float, duration_s: float) -> None:
        """One step at a given current; used to cut a step short without changing its current."""
        self._move(0.0, current_ma, duration_s)

    def power_to_hold_mw(self, voltage_mv: float) -> float:
        """The power that brings the terminals to a voltage at once; negative is into the cell."""
        ocv, _, rise = self._curve()
        current_ma = (ocv - self._v1 - self._v2 - voltage_mv) / (self.spec.r0_mohm * rise) * 1e3
        return voltage_mv * current_ma / 1e3

    def _curve(self) -> tuple[float, float, float]:
        place = (1.0 - self.taken_mah / self.spec.capacity_mah) * _N_GRID
        i = min(max(int(place), 0), _N_GRID - 1)
        slope = self._slope[i]
        return self._ocv[i] + (place - i) * slope, slope, self._rise[i]

    def _move(self, power_mw: float, current_ma: float | None, duration_s: float) -> float:
        spec = self.spec
        ocv, slope, rise = self._curve()
        (r1, tau1_s), (r2, tau2_s) = spec.rc
        r0, r1, r2 = spec.r0_mohm * rise, r1 * rise, r2 * rise
        left1, left2 = exp(-duration_s / tau1_s), exp(-duration_s / tau2_s)
        mean1 = (1.0 - left1) * tau1_s / duration_s
        mean2 = (1.0 - left2) * tau2_s / duration_s
        # Mean terminal voltage over the step = idle - current * drop, with the open-circuit
        # voltage falling by its slope: mV against mA through mΩ is a factor of 1000.
        relaxing_mv = self._v1 * mean1 + self._v2 * mean2
        polarising_mohm = r0 + r1 * (1.0 - mean1) + r2 * (1.0 - mean2)
        if current_ma is None:
            idle_mv = ocv - relaxing_mv
            falling_mohm = slope * _N_GRID / spec.capacity_mah * duration_s / 7.2
            drop_mohm = polarising_mohm + falling_mohm
            root = idle_mv * idle_mv - 4.0 * drop_mohm * power_mw
            current_ma = (
                2e3 * power_mw / (idle_mv + sqrt(root))
                if root > 0.0
                else 500.0 * idle_mv / drop_mohm
            )
        self.began_mv = ocv - self._v1 - self._v2 - current_ma * r0 / 1e3
        self.taken_mah += current_ma * duration_s / 3600.0
        self._v1 = self._v1 * left1 + current_ma * r1 * (1.0 - left1) / 1e3
        self._v2 = self._v2 * left2 + current_ma * r2 * (1.0 - left2) / 1e3
        ocv_after = self._curve()[0]
        lost_mv = relaxing_mv + current_ma * polarising_mohm / 1e3
        mean_mv = (ocv + ocv_after) / 2.0 - lost_mv
        self.energy_mwh += current_ma * mean_mv * duration_s / 3.6e6
        self.voltage_mv = ocv_after - self._v1 - self._v2 - current_ma * r0 / 1e3
        self._warm(current_ma, mean_mv, lost_mv, duration_s)
        return current_ma

    def _warm(self, current_ma: float, mean_mv: float, lost_mv: float, duration_s: float) -> None:
        spec = self.spec
        load_uw = max(current_ma * mean_mv, 0.0)
        heat_w = (current_ma * lost_mv + spec.load_heat_ratio * load_uw) / 1e6
        settled_c = self.ambient_c + heat_w * spec.thermal_resistance_k_per_w
        tau_s = spec.heat_capacity_j_per_k * spec.thermal_resistance_k_per_w
        self.temperature_c = settled_c + (self.temperature_c - settled_c) * exp(
            -duration_s / tau_s
        )


def longest_step_s(power_mw: float) -> float:
    """How long one `Cell.draw` may be: the more power, the shorter."""
    return min(_STEP_LONGEST_S, _STEP_ENERGY_MWS / max(abs(power_mw), 1.0))
