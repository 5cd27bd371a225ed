"""Energy integrals against arithmetic, a laboratory instrument and a published test method."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from analysis import energy, load
from analysis.calibrating.closure import closure
from analysis.estimation.flow import flow
from analysis.estimators import charge_counter, level, power_integral
from analysis.lasting.outlook import outlook
from analysis.logs.gauge import gauge_of
from analysis.logs.importing import import_log
from analysis.readings.series import Series
from tests.analysis.rundowns import make, phone_cell

Floats = npt.NDArray[np.float64]
FIXTURES = Path(__file__).parents[2] / "fixtures" / "reference"
FILES = {
    "A": "cell_a_c10_discharge.csv",
    "B": "cell_b_c7_discharge.csv",
    "C": "cell_c_1p5c_discharge.csv",
}
SIGNS = {"A": -1, "B": 1, "C": 1}
"""1: the file's current is positive into the cell."""

ARITHMETIC = "arithmetic: 1 mW h = 3.6 J"
CELL_A = "jepegit/cellpy at c5d74b99 (MIT), instrument's own energy column"
CELL_B = "TRI-AMDD/beep at decb02d4 (Apache-2.0), instrument's own energy column"
CELL_C = "jepegit/cellpy at c5d74b99 (MIT), instrument's own energy column"
ALL_CELLS = f"{CELL_A}; {CELL_B}"


@dataclass(frozen=True)
class Cell:
    series: Series
    charge_mah: Floats
    energy_mwh: Floats

    def instrument_mwh(self, borders_s: Floats) -> Floats:
        return np.diff(np.interp(borders_s, self.series.t_s, self.energy_mwh))

    @property
    def ends_s(self) -> Floats:
        return self.series.t_s[[0, -1]]


def read_cell(name: str) -> Cell:
    table = np.genfromtxt(FIXTURES / FILES[name], delimiter=",", skip_header=1)
    t_s, current_a, voltage_v, charge_ah, energy_wh = table.T
    # A is logged positive out of the cell, B and C negative: which it is is found, not told.
    gauge = gauge_of(t_s, {"current_ma": 1000 * current_a}, None)
    assert gauge.facts.current_sign == SIGNS[name]
    series = Series.from_arrays(
        t_s=t_s,
        current_ma=gauge.current_ma,
        voltage_mv=1000 * voltage_v,
    )
    return Cell(series=series, charge_mah=1000 * charge_ah, energy_mwh=1000 * energy_wh)


@pytest.fixture(scope="module")
def cells() -> dict[str, Cell]:
    return {name: read_cell(name) for name in FILES}


def integral_mwh(series: Series, borders_s: npt.ArrayLike) -> Floats:
    borders = np.asarray(borders_s, dtype=np.float64)
    return power_integral.estimate(series, borders).energy_mwh


def line_series(
    t_s: Floats, current_a: tuple[float, float], voltage_v: tuple[float, float]
) -> Series:
    share = t_s / t_s[-1]
    return Series.from_arrays(
        t_s=t_s,
        current_ma=-1000 * (current_a[0] + share * (current_a[1] - current_a[0])),
        voltage_mv=1000 * (voltage_v[0] + share * (voltage_v[1] - voltage_v[0])),
        poll_s=float(np.diff(t_s).max()),
    )


@pytest.mark.reference(source=ARITHMETIC, locator="0.5 A x 4 V x 0.5 h = 1 W h")
@pytest.mark.parametrize("raw_ua", [-500_000, 500_000], ids=["into the battery", "out of it"])
def test_constant_current_and_voltage(tmp_path: Path, raw_ua: int) -> None:
    """Raw integers, unit and sign from evidence, tables, energies, in either sign convention."""
    log, segments, out = (tmp_path / name for name in ("log.csv", "segments.csv", "run"))
    # A gauge that never changes counts as frozen; a ripple of 1 uA adds up to nothing.
    rows = (f"{t_s},4000,{raw_ua + (0, 1, 0, -1)[t_s % 4]}\n" for t_s in range(1801))
    log.write_text("t_s,voltage_mv,current_raw\n" + "".join(rows))
    segments.write_text("segment,start_s,end_s\ncall,0,1800\n")
    import_log(log, segments, out, capacities_mah={})
    run = load(out)
    (phone,) = energy(run).phones
    (call,) = phone.segments
    assert phone.gauge["current_unit"] == "uA"
    for amount in (call.amount, phone.total):
        assert amount.energy_mwh == pytest.approx(1000.0, rel=1e-12)
        assert amount.energy_mwh * 3.6 == pytest.approx(3600.0, rel=1e-12)
        assert amount.mean_power_mw == pytest.approx(2000.0, rel=1e-12)
    series = run.recordings[0].series()
    assert series.current_ma[0] == -500.0, "positive into the battery"
    charge = flow(series).charge_mah(np.array([1800.0]))[0]
    assert charge == pytest.approx(250.0, rel=1e-12)


@pytest.mark.reference(source=ARITHMETIC, locator="0.4 A x (4.35 + 3.45) V / 2 x 10 h = 15.6 W h")
@pytest.mark.parametrize("n_points", [2, 3, 17, 3601])
def test_falling_voltage_is_exact_at_any_spacing(n_points: int) -> None:
    even = np.linspace(0.0, 36000.0, n_points)
    uneven = 36000.0 * (even / 36000.0) ** 1.7
    for t_s in (even, uneven):
        series = line_series(t_s, (0.4, 0.4), (4.35, 3.45))
        assert integral_mwh(series, [0, 36000])[0] == pytest.approx(15600.0, rel=1e-9)
        assert flow(series).charge_mah(t_s[-1:])[0] == pytest.approx(4000.0, rel=1e-9)


@pytest.mark.reference(
    source="arithmetic: integral of two straight lines",
    locator="T/6 (2 I0 V0 + I0 V1 + I1 V0 + 2 I1 V1)",
)
@pytest.mark.parametrize(
    ("n_points", "mwh"), [(2, 1500.0), (3, 1530.0), (5, 1537.5), (11, 1539.6), (61, 1539.9889)]
)
def test_trapezoid_is_of_the_product(n_points: int, mwh: float) -> None:
    exact = 1000 / 6 * (2 * 0.2 * 4.2 + 0.2 * 3.6 + 0.6 * 4.2 + 2 * 0.6 * 3.6)
    assert exact == pytest.approx(1540.0, rel=1e-12)
    series = line_series(np.linspace(0.0, 3600.0, n_points), (0.2, 0.6), (4.2, 3.6))
    assert integral_mwh(series, [0, 3600])[0] == pytest.approx(mwh, abs=1e-4)
    # The trapezoid of a product of lines falls short by dI dV T / (6 (n - 1)^2).
    assert exact - mwh == pytest.approx(40 / (n_points - 1) ** 2, abs=1e-4)
    mean_v_times_charge = float(np.mean(series.voltage_mv)) * 0.4
    assert mean_v_times_charge == pytest.approx(1560.0, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "n_rows", "instrument_wh", "charge_ah", "trapezoid_wh", "within_ratio"),
    [
        pytest.param(
            "A", 1169, 16.56367, 4.54402, 16.563479, 2e-4,
            marks=pytest.mark.reference(source=CELL_A, locator="blob 6844b895, cycle 0 step 7"),
        ),
        pytest.param(
            "B", 1451, 17.256044, 4.714754, 17.255878, 2e-4,
            marks=pytest.mark.reference(source=CELL_B, locator="blob 8cd6c5ca, cycle 0 step 6"),
        ),
        pytest.param(
            "C", 89, 1.34319, 0.33067, 1.343474, 5e-4,
            marks=pytest.mark.reference(source=CELL_C, locator="blob 7ad5cd7a, step number 4"),
        ),
    ],
)  # fmt: skip
def test_against_the_instrument(
    cells: dict[str, Cell],
    name: str,
    n_rows: int,
    instrument_wh: float,
    charge_ah: float,
    trapezoid_wh: float,
    within_ratio: float,
) -> None:
    cell = cells[name]
    assert len(cell.series.t_s) == n_rows
    counted = cell.instrument_mwh(cell.ends_s)[0]
    assert counted == pytest.approx(1000 * instrument_wh, abs=1e-3)
    assert cell.charge_mah[-1] - cell.charge_mah[0] == pytest.approx(1000 * charge_ah, abs=5e-3)
    ours = power_integral.estimate(cell.series, cell.ends_s)
    assert ours.energy_mwh[0] == pytest.approx(counted, rel=within_ratio)
    assert ours.energy_mwh[0] == pytest.approx(1000 * trapezoid_wh, abs=1e-3)
    assert ours.covered_ratio[0] == pytest.approx(1.0)
    assert abs(ours.energy_mwh[0] - counted) < 0.05 * ours.u_mwh[0] + 2 * ours.own_u_mwh[0]


@pytest.mark.reference(source=CELL_C, locator="blob 7ad5cd7a, step number 4, first row")
def test_cell_c_begins_with_the_set_current(cells: dict[str, Cell]) -> None:
    cell = cells["C"]
    counted_ma = np.diff(cell.charge_mah[:2])[0] / 30 * 3600
    assert cell.series.current_ma[0] == -500.0
    assert counted_ma == pytest.approx(474.34, abs=0.01)
    first = integral_mwh(cell.series, [0, 30])[0] - cell.instrument_mwh(np.array([0, 30]))[0]
    whole = integral_mwh(cell.series, cell.ends_s)[0] - cell.instrument_mwh(cell.ends_s)[0]
    assert (first, whole) == (pytest.approx(0.535, abs=0.001), pytest.approx(0.284, abs=0.001))


@pytest.mark.parametrize(
    ("name", "unweighted_wh", "unweighted_pct", "left_wh", "right_wh"),
    [
        pytest.param(
            "A", 16.318, -1.48, 16.566046, 16.560912,
            marks=pytest.mark.reference(source=CELL_A, locator="rows, and last row's charge"),
        ),
        pytest.param(
            "B", 16.208, -6.08, 17.258279, 17.253478,
            marks=pytest.mark.reference(source=CELL_B, locator="rows, and last row's charge"),
        ),
        pytest.param(
            "C", 1.344, 0.03, 1.344777, 1.342171,
            marks=pytest.mark.reference(source=CELL_C, locator="rows, and last row's charge"),
        ),
    ],
)  # fmt: skip
def test_wrong_methods_are_wrong(
    cells: dict[str, Cell],
    name: str,
    unweighted_wh: float,
    unweighted_pct: float,
    left_wh: float,
    right_wh: float,
) -> None:
    cell = cells[name]
    counted = cell.instrument_mwh(cell.ends_s)[0]
    charge = cell.charge_mah[-1] - cell.charge_mah[0]
    unweighted = float(np.mean(cell.series.voltage_mv)) / 1000 * charge
    assert unweighted == pytest.approx(1000 * unweighted_wh, abs=0.6)
    assert 100 * (unweighted / counted - 1) == pytest.approx(unweighted_pct, abs=0.006)
    power = -cell.series.current_ma * cell.series.voltage_mv / 1000
    hours = np.diff(cell.series.t_s) / 3600
    left, right = float(power[:-1] @ hours), float(power[1:] @ hours)
    assert left == pytest.approx(1000 * left_wh, abs=1e-3)
    assert right == pytest.approx(1000 * right_wh, abs=1e-3)
    ours = integral_mwh(cell.series, cell.ends_s)[0]
    assert abs(ours - counted) < min(abs(left - counted), abs(right - counted))
    assert abs(ours - counted) < abs(unweighted - counted)


def pieces(name: str) -> tuple[list[float], list[float], list[float]]:
    """Borders, our figures and the instrument's."""
    if name == "A":
        borders = [1000.0, 2500.0, 3600.0, 10800.0, 20000.0, 32716.42]
        return (
            borders,
            [838.934, 3913.152, 4700.985, 5933.509],
            [838.969, 3913.223, 4701.024, 5933.515],
        )
    borders = [1000.0, 2500.0, 3600.0, 10800.0, 20000.0]
    return borders, [1174.904, 5398.833, 6340.963], [1174.794, 5398.935, 6341.073]


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("A", marks=pytest.mark.reference(source=CELL_A, locator="energy column")),
        pytest.param("B", marks=pytest.mark.reference(source=CELL_B, locator="energy column")),
    ],
)
def test_segments_between_samples(cells: dict[str, Cell], name: str) -> None:
    cell = cells[name]
    borders, ours_mwh, instrument_mwh = pieces(name)
    tagged = [k for k in range(len(borders) - 1) if k != 1]
    ours = integral_mwh(cell.series, borders)[tagged]
    counted = cell.instrument_mwh(np.array(borders))[tagged]
    assert ours == pytest.approx(ours_mwh, abs=6e-4)
    assert counted == pytest.approx(instrument_mwh, abs=6e-4)
    assert ours == pytest.approx(counted, rel=2e-4)


@pytest.mark.reference(source="identity", locator="an integral over adjoining intervals")
@pytest.mark.parametrize("name", ["A", "B", "C"])
def test_adjoining_segments_add_up(cells: dict[str, Cell], name: str) -> None:
    cell = cells[name]
    inner = np.random.default_rng(5).uniform(cell.ends_s[0], cell.ends_s[1], 40)
    borders = np.unique(np.concatenate([cell.ends_s, inner]))
    whole = integral_mwh(cell.series, cell.ends_s)[0]
    assert integral_mwh(cell.series, borders).sum() == pytest.approx(whole, rel=1e-12)


@pytest.mark.reference(source=CELL_B, locator="rows, read off by straight lines from the first on")
@pytest.mark.parametrize(
    ("interval_s", "off_pct"),
    [(1, -0.0009), (30, 0.0001), (60, 0.0007), (300, 0.0098), (600, 0.0155), (900, 0.0259)],
)
def test_polling_interval(cells: dict[str, Cell], interval_s: int, off_pct: float) -> None:
    cell = cells["B"]
    first, last = cell.ends_s
    t_s = np.append(np.arange(first, last, interval_s), last)
    power = -cell.series.current_ma * cell.series.voltage_mv / 1000
    sampled_mw = np.interp(t_s, cell.series.t_s, power)
    voltage = np.interp(t_s, cell.series.t_s, cell.series.voltage_mv)
    series = Series.from_arrays(
        t_s=t_s, voltage_mv=voltage, current_ma=-1000 * sampled_mw / voltage, poll_s=interval_s
    )
    ours = integral_mwh(series, cell.ends_s)[0]
    counted = cell.instrument_mwh(cell.ends_s)[0]
    assert 100 * (ours / counted - 1) == pytest.approx(off_pct, abs=1e-4)


@pytest.mark.reference(source=ALL_CELLS, locator="energy column from 12000 to 12600 s")
@pytest.mark.parametrize(
    ("name", "across_wh", "gap_mwh"), [("A", 16.563469, 314.0), ("B", 17.255982, 428.1)]
)
def test_gap_is_bridged_and_told(
    cells: dict[str, Cell], name: str, across_wh: float, gap_mwh: float
) -> None:
    cell = cells[name]
    gap_s = np.array([12000.0, 12600.0])
    kept = (cell.series.t_s <= gap_s[0]) | (cell.series.t_s >= gap_s[1])
    series = Series.from_arrays(
        t_s=cell.series.t_s[kept],
        current_ma=cell.series.current_ma[kept],
        voltage_mv=cell.series.voltage_mv[kept],
    )
    found = power_integral.estimate(series, cell.ends_s)
    # Bridged between minute means, not single rows: alike to a few millionths.
    assert found.energy_mwh[0] == pytest.approx(1000 * across_wh, rel=1e-5)
    missing_s = float(np.diff(series.t_s).max())
    assert missing_s >= 600
    span_s = float(cell.ends_s[1] - cell.ends_s[0])
    assert found.covered_ratio[0] == pytest.approx(1 - missing_s / span_s, abs=1e-9)
    whole = power_integral.estimate(cell.series, cell.ends_s)
    assert found.own_u_mwh[0] > 10 * whole.own_u_mwh[0]
    inside = power_integral.estimate(series, gap_s)
    assert inside.covered_ratio[0] == pytest.approx(0.0, abs=0.01)
    counted = cell.instrument_mwh(gap_s)[0]
    assert counted == pytest.approx(gap_mwh, abs=0.06)
    assert inside.energy_mwh[0] == pytest.approx(counted, rel=1e-3)


@pytest.mark.reference(
    source=f"{CELL_A}; JCGM 100:2008",
    locator="charge and energy columns, 3600 to 5400 s; 4.3.7 and 4.3.9, two whole percents",
)
def test_level_alone_is_far_off_and_says_so(cells: dict[str, Cell]) -> None:
    cell = cells["A"]
    t_s = cell.series.t_s
    shown = np.floor(100 * (1 - cell.charge_mah / cell.charge_mah[-1]))
    borders = np.array([3600.0, 5400.0])
    counted = cell.instrument_mwh(borders)[0]
    fell_pct = -np.diff(
        np.floor(np.interp(borders, t_s, 100 * (1 - cell.charge_mah / cell.charge_mah[-1])))
    )[0]
    naive = fell_pct * cell.energy_mwh[-1] / 100
    assert (fell_pct, naive) == (5.0, pytest.approx(828.2, abs=0.05))
    assert counted == pytest.approx(997.5, abs=0.05)
    assert 100 * (naive / counted - 1) == pytest.approx(-17.0, abs=0.1)
    series = Series.from_arrays(
        t_s=t_s,
        voltage_mv=cell.series.voltage_mv,
        level_pct=shown,
        capacity_mah=float(cell.charge_mah[-1]),
    )
    found = level.estimate(series, borders)
    assert abs(found.energy_mwh[0] - counted) < abs(naive - counted) / 2
    reach = found.reach_mwh(np.ones(1))
    assert abs(found.energy_mwh[0] - counted) < reach, "the 95 % interval holds the truth"
    two_levels_u = cell.energy_mwh[-1] / 100 / np.sqrt(6)
    assert two_levels_u == pytest.approx(67.6, abs=0.05)
    assert reach > two_levels_u, "no level-only interval is narrower than whole percents leave"


@pytest.mark.reference(source="JCGM 100:2008", locator="4.3.7 and 4.3.9, triangular distribution")
def test_difference_of_two_levels_without_a_step_seen() -> None:
    """Two looks at a level, hours apart: 1 % of 19.25 W h, +- 192.5 mW h, triangular."""
    series = Series.from_arrays(
        t_s=[0.0, 36000.0],
        voltage_mv=[3850.0, 3850.0],
        level_pct=[80.0, 60.0],
        capacity_mah=5000.0,
        poll_s=36000.0,
    )
    found = level.estimate(series, np.array([0.0, 36000.0]))
    assert found.energy_mwh[0] == pytest.approx(20 * 192.5, rel=1e-6)
    quantisation = 192.5 / np.sqrt(6)
    assert quantisation == pytest.approx(78.6, abs=0.05)
    assert found.own_u_mwh[0] > quantisation
    map_mwh = 192.5 * np.sqrt(
        2 * (0.08**2 + 0.25**2 * (1 - np.exp(-4)) + 0.8**2 * (1 - np.exp(-0.5)))
    )
    assert found.own_u_mwh[0] == pytest.approx(np.hypot(quantisation, map_mwh), rel=0.02)


@pytest.mark.reference(source=ALL_CELLS, locator="charge and energy columns")
@pytest.mark.parametrize(("name", "pct"), [("A", 53.18), ("B", 53.78)])
def test_half_the_charge_is_more_than_half_the_energy(
    cells: dict[str, Cell], name: str, pct: float
) -> None:
    cell = cells[name]
    charge = flow(cell.series).charge_mah(cell.series.t_s)
    half_s = float(np.interp(charge[-1] / 2, charge, cell.series.t_s))
    first, second = integral_mwh(cell.series, [cell.ends_s[0], half_s, cell.ends_s[1]])
    assert 100 * first / (first + second) == pytest.approx(pct, abs=0.006)


@pytest.mark.reference(source="GSMA TS.09 v10.1", locator="section 19, effective capacity")
def test_capacity_of_a_constant_current_discharge() -> None:
    t_s = np.arange(0.0, 4.5 * 3600 + 1, 10.0)
    counter = 1000 - np.floor(200 * t_s / 3600)
    series = Series.from_arrays(t_s=t_s, voltage_mv=np.full(len(t_s), 1000.0), counter_mah=counter)
    found = charge_counter.estimate(series, t_s[[0, -1]])
    # At one volt a milliwatt-hour is a milliampere-hour.
    assert found.energy_mwh[0] == pytest.approx(900.0, abs=0.5)
    assert abs(found.energy_mwh[0] - 900.0) < 2 * found.own_u_mwh[0] + 1e-9


@pytest.mark.reference(source="GSMA TS.09 v10.1", locator="section 19, effective capacity")
def test_closure_finds_the_capacity_of_a_constant_current_discharge(tmp_path: Path) -> None:
    made = make(
        tmp_path / "run",
        (("discharge", 20_000.0, 200.0),),
        pack=phone_cell,
        charge_mah=900.0,
        noise_ratio=0.0,
    )
    found = closure(load(made.path).recordings[0])
    assert found.charge_mah == pytest.approx(900.0, rel=1e-3)
    assert found.rated_mah == 1000.0
    assert found.ratio.value == pytest.approx(0.9, rel=1e-3)


@pytest.mark.reference(source="GSMA TS.09 v10.1", locator="section 20, mean current of a record")
def test_life_from_a_mean_current(tmp_path: Path) -> None:
    """Ten minutes are 1/6 h; with the 0.1666 printed there, life would be 0.04 % short."""

    def ten_minutes(level_pct: Floats) -> npt.NDArray[np.bool_]:
        kept: npt.NDArray[np.bool_] = (level_pct > 48) & (level_pct <= 53)
        return kept

    made = make(
        tmp_path / "run",
        (("browsing", 20_000.0, 300.0),),
        pack=lambda charge_ratio: np.full(len(charge_ratio), 3800.0),
        kept=ten_minutes,
        capacity_mah=900.0,
        noise_ratio=0.0,
    )
    browsing = outlook(load(made.path)).phones[0].activities[0]
    assert browsing.power_mw.value == pytest.approx(300.0 * 3.8, rel=1e-4)
    assert browsing.hours.value == pytest.approx(900.0 / 300.0, rel=2e-4)
