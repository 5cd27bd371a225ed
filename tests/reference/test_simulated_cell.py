"""A cell that somebody else simulates, read through our gauges and the whole pipeline."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from analysis.estimation.choose import best
from analysis.readings.series import Series
from collector.virtual.gauge import Gauge
from collector.virtual.profiles import (
    CACHED_HALF_MINUTE,
    LIVE_MICROAMP,
    MILLIAMP_INVERTED,
    PERCENT_PUSHED,
    STUCK_COUNTER,
    WINDOWED_HALF_MAH,
    GaugeProfile,
)
from collector.virtual.trace import Step
from parsers.gauge import GaugeSamples, decide
from parsers.schema import Reading

pytestmark = pytest.mark.timeout(120)
Floats = npt.NDArray[np.float64]
START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
PIECES = ((1800.0, 0.55, 0.5), (1800.0, 0.09, 0.2), (2700.0, 0.85, 0.9), (1800.0, 0.3, 0.4))
"""Length in s, current in A between bursts, and by how much more in a burst on the average."""

GRID_S = 0.5
RATED_MAH = 5000.0
SOURCE = "PyBaMM single particle model, parameter set Chen2020 (doi:10.1149/1945-7111/ab9050)"
LOCATOR = "its own variable 'Discharge energy [W.h]'"


@dataclass(frozen=True)
class Simulated:
    """What the simulator says at moments of a grid; charge and energy since the beginning."""

    t_s: Floats
    charge_mah: Floats
    energy_mwh: Floats
    voltage_mv: Floats

    @property
    def borders_s(self) -> Floats:
        return np.cumsum([0.0, *(length for length, _, _ in PIECES)])

    @property
    def pieces_mwh(self) -> Floats:
        return np.diff(np.interp(self.borders_s, self.t_s, self.energy_mwh))

    def steps(self) -> Iterator[Step]:
        drawn_ma = np.diff(self.charge_mah) / GRID_S * 3600
        for k, current_ma in enumerate(drawn_ma):
            ends = slice(k, k + 2)
            yield Step(
                start_s=float(self.t_s[k]),
                end_s=float(self.t_s[k + 1]),
                awake=True,
                current_ma=float(current_ma),
                load_mw=float(current_ma * self.voltage_mv[k] / 1000),
                taken_mah=float(self.charge_mah[k]),
                energy_mwh=tuple(self.energy_mwh[ends].tolist()),
                voltage_mv=tuple(self.voltage_mv[ends].tolist()),
                temperature_c=25.0,
                awake_s=float(self.t_s[k]),
            )


def drive() -> tuple[Floats, Floats]:
    """Current in A at whole seconds: a base per piece, and bursts of a second or more."""
    rng = np.random.default_rng(20)
    parts = []
    for length_s, base_a, burst_a in PIECES:
        part = np.full(int(length_s), base_a)
        at = 0
        while (at := at + 1 + int(rng.exponential(2.0))) < len(part):
            last = at + 1 + int(rng.exponential(1.5))
            part[at:last] += rng.gamma(2.0, burst_a / 2)
            at = last
        parts.append(part)
    current = np.concatenate([*parts, parts[-1][-1:]])
    return np.arange(len(current), dtype=np.float64), current


@pytest.fixture(scope="module")
def simulated() -> Simulated:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYBAMM_DISABLE_TELEMETRY", "true")
        import pybamm  # noqa: PLC0415 - slow to load, and only after the line above
    model: Any = pybamm.lithium_ion.SPM({"calculate discharge energy": "true"})
    parameters = pybamm.ParameterValues("Chen2020")
    t_s, current_a = drive()
    parameters["Current function [A]"] = pybamm.Interpolant(t_s, current_a, pybamm.t)
    simulation = pybamm.Simulation(
        model,
        parameter_values=parameters,
        solver=pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-6),
    )
    grid_s = np.arange(0.0, t_s[-1] + GRID_S / 2, GRID_S)
    solution: Any = simulation.solve([0.0, float(t_s[-1])], t_interp=grid_s)
    return Simulated(
        t_s=grid_s,
        charge_mah=1000 * solution["Discharge capacity [A.h]"](grid_s),
        energy_mwh=1000 * solution["Discharge energy [W.h]"](grid_s),
        voltage_mv=1000 * solution["Voltage [V]"](grid_s),
    )


def polled(simulated: Simulated, profile: GaugeProfile) -> Series:
    """The cell read once a second through a gauge; unit and sign are found from evidence."""
    rows: list[Reading] = []
    gauge: Gauge | None = None
    for step in simulated.steps():
        if gauge is None:
            gauge = Gauge(profile, capacity_mah=RATED_MAH, step=step, seed="cell")
        while gauge.level_change_s(step) <= step.end_s:
            gauge.change_level(step)
        for until_s in (step.start_s + GRID_S / 2, step.end_s):
            gauge.follow(step, until_s, awake=True)
        if step.end_s % 1.0 == 0.0:
            rows.append(_row(gauge, len(rows), step.end_s))
    decision = decide(GaugeSamples.from_readings(rows, RATED_MAH))

    def column(values: list[float | None]) -> Floats:
        return np.array([np.nan if value is None else value for value in values])

    return Series.from_arrays(
        t_s=column([row.boot_s for row in rows]),
        voltage_mv=column([row.voltage_mv for row in rows]),
        current_ma=column([decision.current_ma(row.current_raw, False) for row in rows]),
        counter_mah=column([decision.counter_mah(row.charge_counter_raw) for row in rows]),
        level_pct=column([row.level_pct for row in rows]),
        capacity_mah=RATED_MAH,
    )


def _row(gauge: Gauge, number: int, at_s: float) -> Reading:
    shown = gauge.reading()
    return Reading(
        phone="cedar-1",
        boot_id="1",
        seq=number,
        host_utc=START + timedelta(seconds=at_s),
        host_s=at_s,
        boot_s=at_s,
        awake_s=at_s,
        level_pct=shown.level_pct,
        voltage_mv=shown.voltage_uv / 1000,
        current_raw=shown.current_raw,
        charge_counter_raw=shown.counter_raw,
        temperature_c=shown.temperature_dc / 10,
        plugged=False,
    )


@pytest.mark.reference(source=SOURCE, locator=LOCATOR)
@pytest.mark.parametrize(
    ("profile", "widest_ratio"),
    [
        (LIVE_MICROAMP, 0.012),
        (WINDOWED_HALF_MAH, 0.012),
        (MILLIAMP_INVERTED, 0.016),
        (CACHED_HALF_MINUTE, 0.03),
        (STUCK_COUNTER, 0.02),
        (PERCENT_PUSHED, 0.3),
    ],
    ids=lambda value: value.name if isinstance(value, GaugeProfile) else "",
)
@pytest.mark.parametrize("gain_ratio", [-0.007, 0.007])
def test_each_piece_agrees_with_the_simulator_within_its_interval(
    simulated: Simulated, profile: GaugeProfile, gain_ratio: float, widest_ratio: float
) -> None:
    wrong = replace(profile, gain_ratio=gain_ratio, voltage_gain_ratio=0.001, offset_ma=-0.1)
    estimate = best(polled(simulated, wrong), simulated.borders_s)
    true_mwh = simulated.pieces_mwh
    for weight in (*np.eye(len(true_mwh)), np.ones(len(true_mwh))):
        reach_mwh = estimate.reach_mwh(weight)
        assert abs(weight @ (estimate.energy_mwh - true_mwh)) <= reach_mwh
        assert reach_mwh <= widest_ratio * (weight @ true_mwh), "an interval that says something"


@pytest.mark.reference(source=SOURCE, locator="its voltage, charge and energy against each other")
def test_the_simulator_is_consistent_with_itself(simulated: Simulated) -> None:
    """Its energy is the integral of its voltage over its charge."""
    mean_mv = (simulated.voltage_mv[1:] + simulated.voltage_mv[:-1]) / 2
    swept_mwh = np.concatenate([[0.0], np.cumsum(mean_mv * np.diff(simulated.charge_mah) / 1000)])
    np.testing.assert_allclose(swept_mwh, simulated.energy_mwh, rtol=5e-4, atol=0.05)
    t_s, current_a = drive()
    drawn_mah = np.trapezoid(current_a, t_s) / 3.6
    assert simulated.charge_mah[-1] == pytest.approx(drawn_mah, rel=1e-3)
