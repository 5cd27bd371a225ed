"""Statistics and uncertainty against published values and independent implementations."""

import math
from pathlib import Path

import GTC
import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.power import TTestIndPower, TTestPower

from analysis import load
from analysis.accounting import amount
from analysis.comparison.contrast import Rate, apart, side_by_side
from analysis.estimation.borders import border_variance
from analysis.estimation.estimate import Cause, Component, Estimate
from analysis.estimation.flow import flow
from analysis.lasting.charge import Charge
from analysis.lasting.endurance import SEQUENCE
from analysis.outputs.budget import together
from analysis.readings.segments import Segment, Segments
from analysis.readings.series import Series
from analysis.statistics.inference import (
    allan_deviation,
    coverage_factor,
    holm,
    p_value,
    propagated,
    quotient,
    rectangular_u,
    runs_needed,
    sample,
    symmetric,
    welch_satterthwaite,
)
from analysis.statistics.line import fit_line
from analysis.statistics.pooling import dersimonian_laird, fixed, paule_mandel
from tests.analysis.rundowns import make

Floats = npt.NDArray[np.float64]
GUM = "JCGM 100:2008"
STRD = "NIST Statistical Reference Datasets"

NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3
449.1 448.6  778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0
448.9 447.5  10.8 11.6  557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3
0.6 0.3  557.6 556.8  339.3 339.1  888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3
228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""
"""Pairs of y and x."""

MICHELSO = """
850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960
960 940 960 940 880 800 850 880 900 840 830 790 810 880 880 830 800 790 760 800
880 880 880 860 720 720 620 860 970 950 880 910 850 870 840 840 850 840 840 840
890 810 810 820 800 770 760 740 750 760 910 920 890 860 880 720 840 850 850 780
890 840 780 810 760 810 790 810 820 850 870 870 810 740 810 940 950 800 810 870
"""
"""Thousandths above 299."""

MAVRO = """
180 170 180 190 180 170 150 140 150 150 170 180 180 190 190 210 200 160 140 130
130 150 150 160 150 140 130 140 150 140 150 160 150 160 190 200 200 210 220 230
240 250 270 260 260 260 270 260 250 240
"""
"""Hundred-thousandths above 2."""

SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)
LABORATORIES = np.array([61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90])
VARIANCES = np.array([0.2025, 1.21, 0.09, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225])
THERMOMETER = (
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511],
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160],
)


def numbers(text: str) -> Floats:
    return np.array([float(word) for word in text.split()])


@pytest.mark.reference(source=GUM, locator="H.1, gauge block: table H.1, H.1.6")
def test_effective_degrees_of_freedom_of_a_budget() -> None:
    u_nm, n_free = np.array([25.0, 9.7, 2.9, 16.6]), np.array([18.0, 25.6, 50.0, 2.0])
    combined = float(np.linalg.norm(u_nm))
    assert combined == pytest.approx(31.67, abs=0.05)
    assert welch_satterthwaite(u_nm, n_free) == 16
    oracle = GTC.result(
        sum(GTC.ureal(0, u, df) for u, df in zip(u_nm, n_free, strict=True)), label="length"
    )
    assert oracle.df == pytest.approx(16.75, abs=0.1)
    assert math.floor(oracle.df) == 16
    assert coverage_factor(16, 0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(16, 0.99) * combined == pytest.approx(93, abs=0.7)


@pytest.mark.reference(source=GUM, locator="H.2, resistance and reactance: tables H.2 to H.4")
def test_correlated_inputs_propagate_to_correlated_results() -> None:
    volt, ampere, phase = 4.999, 19.661e-3, 1.04446
    u = np.array([3.2e-3, 9.5e-6, 7.5e-4])
    r = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])
    z = volt / ampere
    both = np.array([z * np.cos(phase), z * np.sin(phase), z])
    by_phase = np.array([-both[1], both[0], 0.0])
    sensitivity = np.column_stack([both / volt, -both / ampere, by_phase])
    covariance = propagated(sensitivity, np.outer(u, u) * r)
    u_out = np.sqrt(np.diag(covariance))
    assert both == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    assert u_out == pytest.approx([0.070, 0.296, 0.237], abs=6e-4)
    assert u_out == pytest.approx([0.071, 0.295, 0.236], abs=1.6e-3), "as printed there"
    r_out = covariance / np.outer(u_out, u_out)
    assert [r_out[0, 1], r_out[0, 2], r_out[1, 2]] == pytest.approx(
        [-0.591, -0.491, 0.993], abs=6e-4
    )
    inputs = GTC.multiple_ureal([volt, ampere, phase], u.tolist(), 4)
    for a, b in ((0, 1), (0, 2), (1, 2)):
        GTC.set_correlation(float(r[a, b]), inputs[a], inputs[b])
    v, i, p = inputs
    oracle = [v / i * GTC.cos(p), v / i * GTC.sin(p), v / i]
    assert [x.u for x in oracle] == pytest.approx(u_out, rel=1e-9)


@pytest.mark.reference(source=GUM, locator="H.3, calibration of a thermometer: table H.6, H.3.3")
def test_a_calibration_line_with_covariance() -> None:
    t, b = (np.array(column) for column in THERMOMETER)
    line = fit_line(t - 20, b, np.zeros(len(t)), np.ones(len(t)))
    covariance = line.scatter_covariance
    u_offset, u_gain = np.sqrt(np.diag(covariance))
    assert (line.offset, u_offset) == pytest.approx((-0.1712, 0.0029), abs=6e-5)
    assert (line.gain, u_gain) == pytest.approx((0.00218, 0.00067), abs=6e-6)
    assert covariance[0, 1] / (u_offset * u_gain) == pytest.approx(-0.930, abs=6e-4)
    assert math.sqrt(line.scatter_ratio) == pytest.approx(0.0035, abs=6e-5)
    assert line.at(10.0, covariance) == pytest.approx((-0.1494, 0.0041), abs=6e-5)
    oracle = sm.OLS(b, sm.add_constant(t - 20)).fit()
    assert covariance == pytest.approx(oracle.cov_params(), rel=1e-9)


@pytest.mark.reference(source="NIST Technical Note 1297 (1994)", locator="table B.1, 95.45 %")
@pytest.mark.parametrize(
    ("n_free", "factor"),
    [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)],
)
def test_coverage_factors(n_free: int, factor: float) -> None:
    assert coverage_factor(n_free, 0.9545) == pytest.approx(factor, abs=0.005)


@pytest.mark.reference(source="JCGM 101:2008", locator="9.2.2 and 9.2.3, sums of four")
@pytest.mark.parametrize(("shape", "reach"), [("normal", 3.92), ("rectangular", 3.88)])
def test_the_sum_of_four_against_a_simulation(shape: str, reach: float) -> None:
    rng = np.random.default_rng(20)
    half_width = math.sqrt(3.0)
    draws = (
        rng.standard_normal((4, 500_000))
        if shape == "normal"
        else rng.uniform(-half_width, half_width, (4, 500_000))
    ).sum(axis=0)
    u = math.sqrt(propagated(np.ones((1, 4)), np.eye(4) * rectangular_u(half_width) ** 2)[0, 0])
    assert u == pytest.approx(2.0, rel=1e-12)
    assert np.std(draws) == pytest.approx(u, rel=3e-3)
    assert np.quantile(np.abs(draws), 0.95) == pytest.approx(reach, abs=0.012)
    # Our intervals take every sum for normal: of four rectangular parts they are 1 % too wide.
    assert coverage_factor() * u == pytest.approx(3.92, abs=5e-4)


@pytest.mark.reference(source=STRD, locator="Linear regression, Norris: certified values")
def test_a_straight_line() -> None:
    y, x = numbers(NORRIS).reshape(-1, 2).T
    line = fit_line(x, y, np.zeros(36), np.ones(36))
    assert line.offset == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.gain == pytest.approx(1.00211681802045, rel=1e-12)
    assert np.sqrt(np.diag(line.scatter_covariance)) == pytest.approx(
        [0.232818234301152, 0.429796848199937e-3], rel=1e-10
    )
    assert math.sqrt(line.scatter_ratio) == pytest.approx(0.884796396144373, rel=1e-11)
    left = float(np.sum(line.residual**2) / np.sum((y - y.mean()) ** 2))
    assert 1 - left == pytest.approx(0.999993745883712, rel=1e-14)


@pytest.mark.reference(
    source="York, Evensen, Lopez Martinez, De Basabe Delgado 2004, Am. J. Phys. 72, 367-375",
    locator="table I, Pearson's data with York's weights",
)
def test_a_line_through_points_in_doubt_both_ways() -> None:
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    weight_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    weight_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500.0])
    line = fit_line(x, y, weight_x**-0.5, weight_y**-0.5)
    assert (line.offset, line.gain) == pytest.approx((5.47991022, -0.480533407), rel=1e-8)
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.29497, 0.05799], abs=5e-4)


@pytest.mark.reference(source=STRD, locator="Univariate: Mavro, Michelso, NumAcc1, NumAcc4")
@pytest.mark.parametrize(
    ("values", "mean", "s", "r", "close"),
    [
        (2 + numbers(MAVRO) / 1e5, 2.001856, 0.000429123454003053, 0.937989183438248, 1e-9),
        (299 + numbers(MICHELSO) / 1000, 299.8524, 0.0790105478190518, 0.535199668621283, 1e-9),
        (np.array([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0, -0.5, 1e-12),
        (np.array([10000000.2, *[10000000.1, 10000000.3] * 500]), 10000000.2, 0.1, -0.999, 1e-8),
    ],
    ids=["Mavro", "Michelso", "NumAcc1", "NumAcc4"],
)
def test_mean_scatter_and_autocorrelation(
    values: Floats, mean: float, s: float, r: float, close: float
) -> None:
    found = sample(values)
    assert found.mean == pytest.approx(mean, rel=1e-14)
    assert found.s == pytest.approx(s, rel=close)
    assert found.autocorrelation == pytest.approx(r, rel=close)


@pytest.mark.reference(source=STRD, locator="Univariate, with n (1 - r) / (1 + r)")
def test_neighbours_that_resemble_each_other_tell_less() -> None:
    light = sample(299 + numbers(MICHELSO) / 1000)
    assert light.n_effective == pytest.approx(30.28, abs=0.005)
    filter_ = sample(2 + numbers(MAVRO) / 1e5)
    assert filter_.n_effective == pytest.approx(1.60, abs=0.005)
    assert filter_.s / math.sqrt(50) == pytest.approx(6.1e-5, abs=0.05e-5)
    assert filter_.mean_u == pytest.approx(3.4e-4, abs=0.05e-4)


@pytest.mark.reference(source="Student 1908, Biometrika 6, 1-25", locator="sleep data")
def test_runs_in_pairs_tell_more_than_runs_apart() -> None:
    """Powers far above zero whose differences are the sleep data; exact readings."""
    one, other = (
        [
            Rate(power_mw=100 + x, own_u_mw=1e-4, shared_mw=(0.0,), own_n_free=math.inf)
            for x in side
        ]
        for side in SLEEP
    )
    paired = side_by_side(list(zip(one, other, strict=True))).difference_mw
    assert paired.value == pytest.approx(-1.58, rel=1e-9)
    assert (paired.lo95, paired.hi95) == pytest.approx((-2.45989, -0.70011), abs=1e-5)
    paired_u = (paired.value - (paired.lo95 or 0)) / coverage_factor(9)
    found = paired.value / paired_u, p_value(paired.value, paired_u, 9)
    assert found == pytest.approx((-4.06213, 0.0028329), abs=1e-5)
    oracle = stats.ttest_rel(*SLEEP)
    assert found == pytest.approx((oracle.statistic, oracle.pvalue), rel=1e-6)

    loose = apart(one, other).difference_mw
    # We cut the degrees of freedom to 17, as JCGM 100:2008, G.4.1 has it.
    u_of_means = [sample(np.array(side)).s / math.sqrt(10) for side in SLEEP]
    assert welch_satterthwaite(u_of_means, [9, 9]) == math.floor(17.7765)
    loose_u = (loose.value - (loose.lo95 or 0)) / coverage_factor(17)
    assert loose_u == pytest.approx(math.hypot(*u_of_means), rel=1e-5)
    welch = loose.value / loose_u, p_value(loose.value, loose_u, 17.7765)
    assert welch == pytest.approx((-1.86081, 0.079394), abs=1e-5)
    assert p_value(loose.value, loose_u, 17) == pytest.approx(0.079394, abs=1e-3)
    oracle = stats.ttest_ind(*SLEEP, equal_var=False)
    assert oracle.df == pytest.approx(17.7765, abs=1e-4)
    assert welch == pytest.approx((oracle.statistic, oracle.pvalue), rel=1e-4)
    uncut = symmetric(loose.value, loose_u, 17.7765)
    assert (uncut.lo95, uncut.hi95) == pytest.approx((-3.36548, 0.20548), abs=2e-5)
    assert (loose.lo95, loose.hi95) == pytest.approx((-3.36548, 0.20548), abs=0.01)


@pytest.mark.reference(
    source="Kacker 2004, Metrologia 41, 132-136; reference results in statsmodels",
    locator="nine laboratories",
)
def test_runs_that_scatter_more_than_they_should() -> None:
    common = fixed(LABORATORIES, VARIANCES)
    assert (common.q, common.p_value) == pytest.approx((24.801898, 0.0016794), abs=1e-6)
    assert (common.mean, common.u) == pytest.approx((62.583397, 0.107846), abs=1e-6)
    moments = dersimonian_laird(LABORATORIES, VARIANCES)
    assert moments.tau2 == pytest.approx(0.288049, abs=1e-6)
    assert (moments.mean, moments.u) == pytest.approx((62.390139, 0.245750), abs=1e-6)
    normal = symmetric(moments.mean, moments.u)
    assert (normal.lo95, normal.hi95) == pytest.approx((61.9085, 62.8718), abs=5e-5)
    iterated = paule_mandel(LABORATORIES, VARIANCES)
    assert iterated.tau2 == pytest.approx(0.705395, abs=1e-6)
    assert (iterated.mean, iterated.u) == pytest.approx((62.407620, 0.338031), abs=1e-6)
    normal = symmetric(iterated.mean, iterated.u)
    assert (normal.lo95, normal.hi95) == pytest.approx((61.7451, 63.0701), abs=5e-5)
    for mine, method in ((moments, "chi2"), (iterated, "iterated")):
        oracle = combine_effects(LABORATORIES, VARIANCES, method_re=method, use_t=True)
        assert oracle.tau2 == pytest.approx(mine.tau2, rel=1e-5)
        low, high = oracle.conf_int()[3]  # Hartung and Knapp
        span = mine.interval()
        assert (span.lo95, span.hi95) == pytest.approx((low, high), rel=1e-6)


@pytest.mark.reference(source="NIST SP 1065 (2008)", locator="12.1, test suites of 9 and 1000")
def test_scatter_by_averaging_time() -> None:
    nine = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677.0])
    assert sample(nine).s == pytest.approx(100.9770, abs=5e-5)
    assert allan_deviation(nine, 1) == pytest.approx(91.22945, abs=5e-6)
    assert allan_deviation(nine, 2) == pytest.approx(115.8082, abs=5e-5)
    assert allan_deviation(nine, 2, overlapping=True) == pytest.approx(85.95287, abs=5e-6)
    numbers_, value = [], 1234567890
    for _ in range(1000):
        numbers_.append(value / 2147483647)
        value = 16807 * value % 2147483647
    thousand = np.array(numbers_)
    found = sample(thousand)
    assert (found.mean, found.s) == pytest.approx((0.4897745, 0.2884664), abs=5e-8)
    assert [allan_deviation(thousand, n) for n in (1, 10, 100)] == pytest.approx(
        [0.2922319, 0.09965736, 0.03897804], abs=5e-8
    )


@pytest.mark.reference(source=GUM, locator="4.3.7 and 4.3.9: difference of two rectangular")
def test_difference_of_two_whole_percents() -> None:
    point_mwh = 19_250 / 100
    two_levels = propagated(np.array([[1.0, -1.0]]), np.eye(2) * rectangular_u(point_mwh / 2) ** 2)
    assert math.sqrt(two_levels[0, 0]) == pytest.approx(point_mwh / math.sqrt(6))
    assert math.sqrt(two_levels[0, 0]) == pytest.approx(78.6, abs=0.05)


@pytest.mark.reference(source=GUM, locator="4.3.7, rectangular: a border within a poll of 5 s")
def test_a_border_that_is_not_known_to_the_second() -> None:
    t_s = np.arange(0.0, 3601.0, 5.0)
    wobble = np.where(np.arange(len(t_s)) % 2, 0.01, -0.01)
    series = Series.from_arrays(
        t_s=t_s,
        current_ma=-500.0 + wobble,
        voltage_mv=np.full(len(t_s), 4000.0),
        clock_u_s=rectangular_u(5.0 / 2),
    )
    variance = border_variance(series, flow(series), np.array([0.0, 1800.0, 3600.0]))
    assert math.sqrt(variance[1]) == pytest.approx(0.80, abs=0.005)
    assert math.sqrt(variance[1]) == pytest.approx(2000 * 5 / math.sqrt(12) / 3600, rel=1e-3)


@pytest.mark.reference(source=GUM, locator="4.3.7 and 5.1: a worked budget of 1000 mWh")
def test_a_worked_budget() -> None:
    """Two segments alike: a gain common to both cancels in their ratio."""
    energy_mwh = np.array([1000.0, 1000.0])
    estimate = Estimate(
        method=("made", "made"),
        energy_mwh=energy_mwh,
        components=(
            Component(
                name="border",
                kind="B",
                distribution="normal",
                source="a poll of 5 s at 2 W",
                covariance_mwh2=np.eye(2) * 0.80**2,
            ),
            Component.common(Cause.VOLTAGE_GAIN, rectangular_u(7.5 / 4000) * energy_mwh),
            Component.common(Cause.CURRENT_GAIN, rectangular_u(0.01) * energy_mwh),
        ),
        covered_ratio=np.ones(2),
        n_free=np.full(2, np.inf),
        flags=((), ()),
    )
    pieces = [
        Segment(name="call", occurrence=k + 1, start_s=1800.0 * k, end_s=1800.0 * (k + 1))
        for k in (0, 1)
    ]
    segments = Segments(pieces=tuple(pieces), borders_utc=(), border_u_s=0.0)
    found = amount(estimate, np.array([1.0, 0.0]), segments)
    assert [line.name for line in found.budget] == [
        "gain of the current",
        "gain and resolution of the voltage",
        "border",
    ]
    percents = [100 * line.u_mwh / found.energy_mwh for line in found.budget]
    assert percents == pytest.approx([0.577, 0.108, 0.080], abs=5e-4)
    assert 100 * found.u_mwh / found.energy_mwh == pytest.approx(0.593, abs=5e-4)
    assert together(found.budget) == pytest.approx(found.u_mwh, rel=1e-12)
    assert 2 * found.u_mwh == pytest.approx(11.9, abs=0.05)
    # Mostly one rectangular part: 95 % take less than the two standard uncertainties of k = 2.
    assert 1.65 * found.u_mwh < found.hi95_mwh - found.energy_mwh < 1.96 * found.u_mwh
    assert estimate.share_u_ratio(0) == pytest.approx(0.80 / math.sqrt(2) / 2000, rel=1e-9)


@pytest.mark.reference(source="statsmodels, power of t tests", locator="alpha 0.05, power 0.8")
@pytest.mark.parametrize(
    ("d", "each", "pairs"), [(1.0, 16.7, 9.9), (1.5, 8.1, 5.7), (2, 5.1, 4.2)]
)
def test_runs_needed(d: float, each: float, pairs: float) -> None:
    two_sided = {"alpha": 0.05, "power": 0.8}
    for paired, printed, oracle in (
        (False, each, TTestIndPower().solve_power(d, **two_sided)),
        (True, pairs, TTestPower().solve_power(d, **two_sided)),
    ):
        found = runs_needed(d, 1.0, paired=paired)
        assert found == pytest.approx(printed, abs=0.05)
        assert found == pytest.approx(float(oracle), rel=1e-3)
    shared = runs_needed(d, 1.0, paired=True, shared_u=0.3 * d)
    assert shared is not None
    assert shared > pairs
    assert runs_needed(d, 1.0, paired=True, shared_u=0.5 * d) is None, "repeats do not lessen it"


@pytest.mark.reference(source=GUM, locator="4.3.7: shut off between an answer and a silence")
@pytest.mark.parametrize("bracket_s", [0.0, 12.0, 300.0])
def test_a_shut_off_lies_in_a_bracket(tmp_path: Path, bracket_s: float) -> None:
    stages = tuple((name, 60 * minutes, 300.0) for name, minutes in SEQUENCE)
    made = make(tmp_path / "run", stages, silent_s=bracket_s)
    run = load(made.path)
    found = Charge(run, run.recordings[0]).endurance(None)
    assert found is not None
    assert found.hours.value == pytest.approx(made.hours + bracket_s / 2 / 3600, abs=1e-6)
    reach_h = coverage_factor() * bracket_s / math.sqrt(12) / 3600
    assert found.hours.hi95 == pytest.approx(found.hours.value + reach_h, abs=1e-9)
    assert found.hours.lo95 == pytest.approx(found.hours.value - reach_h, abs=1e-9)


@pytest.mark.reference(
    source="Fieller 1954, J. R. Stat. Soc. B 16, 175-185", locator="limits by their definition"
)
def test_the_limits_of_a_quotient_are_where_the_difference_vanishes() -> None:
    covariance = np.array([[9.0, 2.0], [2.0, 16.0]])
    found = quotient(90.0, 100.0, covariance, 7)
    for limit in (found.lo95, found.hi95):
        assert limit is not None
        u = math.sqrt(propagated(np.array([[1.0, -limit]]), covariance)[0, 0])
        assert p_value(90.0 - limit * 100.0, u, 7) == pytest.approx(0.05, abs=1e-9)
    nothing_known = quotient(90.0, 1.0, covariance)
    assert nothing_known.hi95 is None
    assert nothing_known.lo95 is not None
    assert nothing_known.lo95 > 1, "but surely more"
    assert quotient(1.0, 1.0, covariance).lo95 == 0.0


@pytest.mark.reference(
    source="Holm 1979, Scand. J. Statist. 6, 65-70; statsmodels multipletests", locator="Holm"
)
def test_many_verdicts_at_once() -> None:
    ps = [0.01, 0.04, 0.03, 0.005, 0.9]
    oracle = sm.stats.multipletests(ps, method="holm")[1]
    assert holm(ps) == pytest.approx(oracle.tolist())
    assert holm([]) == []
