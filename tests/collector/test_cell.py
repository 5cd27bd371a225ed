"""The cell against closed forms and an independent solver."""

from math import exp, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from collector.virtual.cell import Cell, CellSpec, longest_step_s

Floats = np.ndarray[tuple[int], np.dtype[np.float64]]
SPEC = CellSpec(capacity_mah=3800.0)
LOADS = ((2500.0, 40.0), (8.0, 60.0), (4300.0, 25.0), (600.0, 120.0), (3200.0, 90.0)) * 4


def run_down(spec: CellSpec, charge_ratio: float, finer: int = 1) -> Cell:
    cell = Cell(spec, charge_ratio=charge_ratio)
    for power_mw, duration_s in LOADS:
        cell.step(power_mw, duration_s, finer=finer)
    return cell


@pytest.mark.parametrize("charge_ratio", [1.0, 0.5, 0.12])
def test_half_the_step_changes_energy_by_less_than_a_millionth(charge_ratio: float) -> None:
    coarse, fine = run_down(SPEC, charge_ratio), run_down(SPEC, charge_ratio, finer=2)
    assert coarse.energy_mwh == pytest.approx(fine.energy_mwh, rel=1e-6)
    taken_mah = fine.taken_mah - (1 - charge_ratio) * SPEC.capacity_mah
    assert coarse.taken_mah - fine.taken_mah == pytest.approx(0.0, abs=5e-6 * taken_mah)


@pytest.mark.parametrize("charge_ratio", [1.0, 0.5, 0.12])
def test_energy_is_what_the_loads_asked_for(charge_ratio: float) -> None:
    asked_mwh = sum(power_mw * duration_s for power_mw, duration_s in LOADS) / 3600
    assert run_down(SPEC, charge_ratio).energy_mwh == pytest.approx(asked_mwh, rel=1e-6)


def constant_power(y: Floats, power_mw: float) -> tuple[float, float, float]:
    """Current, terminal voltage and growth of resistance at one instant."""
    ratio = 1 - float(y[0]) / SPEC.capacity_mah
    rise = SPEC.resistance_ratio(ratio)
    idle_mv = SPEC.ocv_mv(ratio) - float(y[1]) - float(y[2])
    terminal_mv = (idle_mv + sqrt(idle_mv**2 - 4 * SPEC.r0_mohm * rise * power_mw)) / 2
    return power_mw / terminal_mv * 1e3, terminal_mv, rise


@pytest.mark.parametrize("charge_ratio", [0.93, 0.5, 0.15])
def test_an_independent_solver_finds_the_same(charge_ratio: float) -> None:
    cell = run_down(SPEC, charge_ratio)
    state = [(1 - charge_ratio) * SPEC.capacity_mah, 0.0, 0.0, 0.0]
    voltage_mv = 0.0
    for power_mw, duration_s in LOADS:

        def slopes(_: float, y: Floats, power_mw: float = power_mw) -> list[float]:
            current_ma, terminal_mv, rise = constant_power(y, power_mw)
            rc = [
                (current_ma * r_mohm * rise / 1e3 - float(v_mv)) / tau_s
                for (r_mohm, tau_s), v_mv in zip(SPEC.rc, y[1:3], strict=True)
            ]
            return [current_ma / 3600, *rc, current_ma * terminal_mv / 3.6e6]

        solved = solve_ivp(slopes, (0.0, duration_s), state, rtol=1e-9, atol=1e-9, max_step=2.0)
        state = [float(value) for value in solved.y[:, -1]]
        voltage_mv = constant_power(solved.y[:, -1], power_mw)[1]
    assert cell.energy_mwh == pytest.approx(state[3], rel=1e-6)
    assert cell.taken_mah == pytest.approx(state[0], rel=1e-5)
    assert cell.voltage_mv == pytest.approx(voltage_mv, abs=1.0)


def test_without_a_load_the_voltage_relaxes_along_both_time_constants() -> None:
    spec = CellSpec(capacity_mah=4000.0, low_charge_rise_ratio=0.0)
    cell = Cell(spec, charge_ratio=0.7)
    current_ma = cell.draw(2000.0, 2.0)
    starts_mv = [current_ma * r / 1e3 * (1 - exp(-2.0 / tau)) for r, tau in spec.rc]
    cell.step(0.0, 30.0)
    left_mv = sum(v * exp(-30.0 / tau) for v, (_, tau) in zip(starts_mv, spec.rc, strict=True))
    assert cell.voltage_mv == pytest.approx(spec.ocv_mv(cell.charge_ratio) - left_mv, abs=1e-3)


def test_a_step_begins_under_its_own_current() -> None:
    cell = Cell(SPEC, charge_ratio=0.7)
    current_ma = cell.draw(3000.0, 1.0)
    assert cell.began_mv == pytest.approx(4030.0 - current_ma * SPEC.r0_mohm / 1e3, abs=0.01)
    assert cell.voltage_mv < cell.began_mv


def test_negative_power_charges() -> None:
    cell = Cell(SPEC, charge_ratio=0.5)
    assert cell.draw(-4000.0, 1.0) < 0
    assert cell.charge_ratio > 0.5
    assert cell.voltage_mv > SPEC.ocv_mv(0.5)
    assert cell.energy_mwh == pytest.approx(-4000.0 / 3600, rel=1e-9)


def test_power_to_hold_brings_the_terminals_there() -> None:
    cell = Cell(SPEC, charge_ratio=0.9)
    cell.step(1500.0, 60.0)
    cell.draw(cell.power_to_hold_mw(4380.0), 1e-6)
    assert cell.voltage_mv == pytest.approx(4380.0, abs=0.01)


def test_a_load_beyond_the_cell_gets_the_most_there_is_and_cuts_it_off() -> None:
    cell = Cell(SPEC, charge_ratio=0.5)
    current_ma = cell.draw(80_000.0, 0.01)
    assert current_ma == pytest.approx(3865.0 / (2 * SPEC.r0_mohm) * 1e3, rel=1e-2)
    assert cell.cut_off
    assert cell.energy_mwh < 80_000.0 * 0.01 / 3600


def test_an_empty_cell_is_cut_off_by_its_voltage() -> None:
    cell = Cell(SPEC, charge_ratio=0.2)
    cell.step(2000.0, 10.0)
    while not cell.cut_off:
        cell.step(2000.0, 10.0)
    assert 0.0 < cell.charge_ratio < 0.05
    assert cell.voltage_mv < SPEC.cutoff_mv < cell.spec.ocv_mv(cell.charge_ratio)


def test_restore_undoes_everything() -> None:
    cell = run_down(SPEC, 0.8)
    before = cell.save()
    first = cell.draw(2000.0, 1.0)
    after = cell.save()
    cell.restore(before)
    assert cell.save() == before
    assert cell.draw(2000.0, 1.0) == first
    assert cell.save() == after


def test_a_cut_step_keeps_the_current_it_had() -> None:
    whole, parts = Cell(SPEC, charge_ratio=0.6), Cell(SPEC, charge_ratio=0.6)
    current_ma = whole.draw(2500.0, 1.0)
    parts.draw_current(current_ma, 0.4)
    parts.draw_current(current_ma, 0.6)
    assert parts.taken_mah == pytest.approx(whole.taken_mah, rel=1e-12)
    assert parts.energy_mwh == pytest.approx(whole.energy_mwh, rel=1e-7)
    assert parts.voltage_mv == pytest.approx(whole.voltage_mv, abs=1e-6)


def test_temperature_settles_where_heat_and_air_balance() -> None:
    spec = CellSpec(capacity_mah=4000.0, load_heat_ratio=0.5)
    cell = Cell(spec, ambient_c=10.0)
    cell.step(2000.0, 4000.0)
    heat_w = 1.0 + (cell.spec.ocv_mv(cell.charge_ratio) - cell.voltage_mv) / cell.voltage_mv * 2.0
    settled_c = 10.0 + heat_w * spec.thermal_resistance_k_per_w
    assert cell.temperature_c == pytest.approx(settled_c, abs=0.5)
    cell.step(0.0, 60.0)
    assert cell.temperature_c < settled_c


@pytest.mark.parametrize(("power_mw", "longest_s"), [(0.0, 60.0), (8.0, 60.0), (2000.0, 2.5)])
def test_steps_are_short_where_power_is_high(power_mw: float, longest_s: float) -> None:
    assert longest_step_s(power_mw) == longest_s
    assert longest_step_s(-power_mw) == longest_s


def test_the_open_circuit_curve_passes_its_points_and_goes_on() -> None:
    assert [SPEC.ocv_mv(x) for x in (0.0, 0.5, 1.0)] == [3000.0, 3865.0, 4380.0]
    assert SPEC.ocv_mv(0.45) == pytest.approx(3840.0)
    assert SPEC.ocv_mv(-0.01) < 3000.0
    assert SPEC.ocv_mv(1.01) > 4380.0
