"""Every estimator against streams of known energy, and what must hold for any stream."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import CannotEstimateError, NothingRecordedError, SeriesError
from analysis.estimation.choose import all_estimates, best
from analysis.estimation.estimate import Cause, Component, Estimate
from analysis.estimators import ESTIMATORS, charge_counter, fused, level, power_integral
from analysis.readings.series import Series

Truths = Callable[..., Any]
ACTIVE = (("navigation", 600.0), ("voice call", 300.0), ("scanning", 400.0), ("video", 600.0))
MIXED = (("navigation", 600.0), ("standby", 1800.0), ("scanning", 400.0), ("video", 300.0))
N_SEEDS = 25


def runs(
    truth_of: Truths, reading_of: Truths, gauge: str, stages: object
) -> list[tuple[Estimate, Any]]:
    found = []
    for seed in range(N_SEEDS):
        truth = truth_of(seed, stages)
        found.append((best(reading_of(truth, gauge, seed), truth.borders_s), truth))
    return found


@pytest.mark.parametrize("gauge", ["fine", "cached"])
def test_current_phones_are_right_and_their_intervals_hold(
    truth_of: Truths, reading_of: Truths, gauge: str
) -> None:
    found = runs(truth_of, reading_of, gauge, ACTIVE)
    off = np.concatenate([e.energy_mwh / t.pieces_mwh() - 1 for e, t in found])
    score = np.concatenate([(e.energy_mwh - t.pieces_mwh()) / e.u_mwh for e, t in found])
    assert len(off) == 4 * N_SEEDS
    assert np.abs(off).max() < 0.03
    assert np.mean(np.abs(score) < 1.96) >= 0.9
    # Not bought with wide intervals: the gain alone makes 0.6 %, and five minutes are short.
    ratios = np.concatenate([e.u_mwh / e.energy_mwh for e, _ in found])
    assert np.median(ratios) < 0.008
    assert ratios.max() < 0.015


@pytest.mark.parametrize(("gauge", "within"), [("fine", 0.04), ("cached", 0.15)])
def test_standby_with_suspend_is_told_by_the_counter(
    truth_of: Truths, reading_of: Truths, gauge: str, within: float
) -> None:
    found = runs(truth_of, reading_of, gauge, MIXED)
    standby = [(e, t.pieces_mwh()[1]) for e, t in found]
    off = np.array([e.energy_mwh[1] / true - 1 for e, true in standby])
    score = np.array([(e.energy_mwh[1] - true) / e.u_mwh[1] for e, true in standby])
    assert all(e.method[1] == "fused" for e, _ in standby)
    assert np.abs(off).max() < within
    assert abs(off.mean()) < within / 4
    assert np.mean(np.abs(score) < 1.96) >= 0.9
    every = np.concatenate([(e.energy_mwh - t.pieces_mwh()) / e.u_mwh for e, t in found])
    assert np.mean(np.abs(every) < 1.96) >= 0.9


def test_samples_taken_awake_overstate_standby_many_times(
    truth_of: Truths, reading_of: Truths
) -> None:
    truth = truth_of(0, MIXED)
    series = reading_of(truth, "fine", 0)
    inside = (series.t_s > 620) & (series.t_s < 2380)
    power = -series.current_ma[inside] * series.voltage_mv[inside] / 1000
    naive = np.trapezoid(power, series.t_s[inside]) / 3600 / 1760 * 1800
    true = truth.pieces_mwh()[1]
    assert naive > 5 * true
    found = power_integral.estimate(series, truth.borders_s)
    assert found.covered_ratio[1] < 0.1
    assert abs(found.energy_mwh[1] - true) < 2 * found.u_mwh[1]
    assert found.u_mwh[1] > 0.25 * found.energy_mwh[1]
    assert any("asleep" in flag for flag in found.flags[1])


@pytest.mark.parametrize("stages", [ACTIVE, MIXED])
def test_percent_only_is_honest(truth_of: Truths, reading_of: Truths, stages: object) -> None:
    found = runs(truth_of, reading_of, "percent", stages)
    score = np.concatenate([(e.energy_mwh - t.pieces_mwh()) / e.u_mwh for e, t in found])
    assert np.mean(np.abs(score) < 1.96) >= 0.9
    assert {name for e, _ in found for name in e.method} == {"level"}
    assert all("stated capacity" in e.notes[0] for e, _ in found)


@pytest.mark.parametrize("start_pct", [74.0, 99.0, 100.0])
@pytest.mark.parametrize("fraction", [0.05, 0.3, 0.55, 0.8])
def test_a_busy_piece_by_level_is_not_drawn_to_the_mean(start_pct: float, fraction: float) -> None:
    """Twenty minutes at 400 mA on both sides of two hours at 25, by a level that is exact."""
    borders = np.array([0.0, 1200.0, 8400.0, 9600.0])
    t_s = np.arange(0.0, 9601.0, 5.0)
    drawn_mah = np.interp(t_s, borders, np.cumsum([0.0, 400 / 3, 50.0, 400 / 3]))
    level_pct = np.minimum(np.floor(start_pct + fraction - drawn_mah / 40), 100.0)
    series = Series.from_arrays(
        t_s=t_s, voltage_mv=np.full(len(t_s), 4000.0), level_pct=level_pct, capacity_mah=4000.0
    )
    found = level.estimate(series, borders)
    true_mwh = np.array([400 / 3, 50.0, 400 / 3]) * 4
    assert found.energy_mwh == pytest.approx(true_mwh, rel=0.06)
    assert (np.abs(found.energy_mwh - true_mwh) < 1.96 * found.own_u_mwh).all()
    assert found.energy_mwh.sum() == pytest.approx(true_mwh.sum(), rel=0.06)


def test_whole_run_by_level_is_much_better_than_its_parts(
    truth_of: Truths, reading_of: Truths
) -> None:
    for seed in range(5):
        truth = truth_of(seed, (("navigation", 3600.0), ("voice call", 3600.0)))
        series = reading_of(truth, "percent", seed)
        estimate = level.estimate(series, truth.borders_s)
        total, u = estimate.summed(np.ones(2))
        true = truth.pieces_mwh().sum()
        assert abs(total / true - 1) < 0.06
        assert abs(total - true) < 2.5 * u
        assert u < 0.06 * true


@pytest.fixture(scope="module")
def streams(truth_of: Truths, reading_of: Truths) -> list[Series]:
    truth = truth_of(3, MIXED)
    return [reading_of(truth, gauge, 3) for gauge in ("fine", "cached", "percent")]


@given(cuts=st.lists(st.floats(1.0, 3090.0), min_size=1, max_size=12, unique=True))
@settings(max_examples=25, deadline=None)
def test_pieces_add_up_wherever_they_are_cut(streams: list[Series], cuts: list[float]) -> None:
    for series in streams:
        ends = series.t_s[[0, -1]]
        borders = np.unique(np.concatenate([ends, np.round(cuts, 3)]))
        for estimator in ESTIMATORS:
            if not estimator.can(series):
                continue
            whole = estimator.estimate(series, ends)
            parts = estimator.estimate(series, borders)
            every = np.ones(len(borders) - 1)
            total, u = parts.summed(every)
            assert parts.own_covariance_mwh2 == pytest.approx(parts.own_covariance_mwh2.T)
            if estimator is level:  # one mean power per piece: other pieces, another fit
                assert abs(total - whole.energy_mwh[0]) < 2 * np.hypot(u, whole.u_mwh[0])
                continue
            # Counter steps near borders are all used, elsewhere one in a few seconds.
            assert total == pytest.approx(whole.energy_mwh[0], rel=1e-4)
            own = every @ parts.own_covariance_mwh2 @ every
            # What a phone draws asleep is half alike in all pieces and half different.
            assert np.sqrt(own) == pytest.approx(whole.own_u_mwh[0], rel=0.3)
            assert u == pytest.approx(whole.u_mwh[0], rel=0.3)


@given(shift_s=st.floats(-1e6, 1e6))
@settings(max_examples=15, deadline=None)
def test_shifting_all_times_changes_nothing(streams: list[Series], shift_s: float) -> None:
    shift_s = round(shift_s)
    for series in streams:
        borders = np.array([series.t_s[0], 700.0, 2000.0, series.t_s[-1]])
        moved = Series.from_arrays(
            t_s=series.t_s + shift_s,
            voltage_mv=series.voltage_mv,
            current_ma=series.current_ma,
            counter_mah=series.counter_mah,
            level_pct=series.level_pct,
            awake_s=series.awake_s,
            capacity_mah=series.capacity_mah,
        )
        here, there = best(series, borders), best(moved, borders + shift_s)
        assert there.method == here.method
        assert there.energy_mwh == pytest.approx(here.energy_mwh, rel=1e-4, abs=1e-3)


def test_neighbours_share_a_border_and_their_sum_does_not() -> None:
    t_s = np.arange(0.0, 601.0)
    series = Series.from_arrays(
        t_s=t_s,
        current_ma=np.full(601, -500.0),
        voltage_mv=np.full(601, 4000.0),
        clock_u_s=0.5,
    )
    found = power_integral.estimate(series, np.array([0.0, 300.0, 600.0]))
    border = (2000 * 0.5 / 3600) ** 2
    assert found.own_covariance_mwh2[0, 1] == pytest.approx(-border, rel=0.01)
    whole = power_integral.estimate(series, np.array([0.0, 600.0]))
    assert np.ones(2) @ found.own_covariance_mwh2 @ np.ones(2) == pytest.approx(
        whole.own_covariance_mwh2[0, 0]
    )


def test_gain_cancels_in_shares_and_not_in_totals() -> None:
    t_s = np.arange(0.0, 1201.0)
    current = np.where(t_s < 600, -500.0, -250.0)
    series = Series.from_arrays(t_s=t_s, current_ma=current, voltage_mv=np.full(1201, 4000.0))
    found = power_integral.estimate(series, np.array([0.0, 600.0, 1200.0]))
    total, u = found.summed(np.ones(2))
    assert u / total == pytest.approx(np.hypot(0.01 / np.sqrt(3), 0.002), rel=0.05)
    assert found.share_u_ratio(0) < u / total / 5


def test_sampling_doubt_sees_what_readings_do_not(truth_of: Truths) -> None:
    """White power between readings: the doubt is the standard error; a smooth one: nearly none."""
    rng = np.random.default_rng(8)
    t_s = np.arange(0.0, 1801.0)
    ends = t_s[[0, -1]]
    voltage = np.full(1801, 4000.0)
    white = Series.from_arrays(
        t_s=t_s, current_ma=-500 + 100 * rng.standard_normal(1801), voltage_mv=voltage
    )
    expected = 0.1 * 4000 * np.sqrt(1800) / 3600
    assert power_integral.estimate(white, ends).own_u_mwh[0] == pytest.approx(expected, rel=0.2)
    slow = -500 + 100 * np.sin(2 * np.pi * t_s / 300)
    smooth = Series.from_arrays(t_s=t_s, current_ma=slow, voltage_mv=voltage)
    steady = Series.from_arrays(t_s=t_s, current_ma=np.full(1801, -500.0), voltage_mv=voltage)
    ours, least = (power_integral.estimate(s, ends).own_u_mwh[0] for s in (smooth, steady))
    assert ours < least * 1.1
    assert least < 2e-4 * 1000


def test_a_recalibrated_counter_is_seen_through(truth_of: Truths, reading_of: Truths) -> None:
    truth = truth_of(4, ACTIVE)
    plain = reading_of(truth, "fine", 4)
    jumped = plain.counter_mah - np.where(plain.t_s > 1000, 60.0, 0.0)
    series = Series.from_arrays(
        t_s=plain.t_s,
        voltage_mv=plain.voltage_mv,
        current_ma=plain.current_ma,
        counter_mah=jumped,
        awake_s=plain.awake_s,
    )
    for estimator, within in ((fused, 2e-3), (charge_counter, 0.01)):
        before = estimator.estimate(plain, truth.borders_s)
        after = estimator.estimate(series, truth.borders_s)
        assert after.energy_mwh == pytest.approx(before.energy_mwh, rel=within)
        assert [any("jumped" in f for f in flags) for flags in after.flags] == [0, 0, 1, 0]
        assert "the counter jumped 1 time; taken out" in after.flags[2]


def with_counter(plain: Series, counter_mah: Any, level_pct: Any = None) -> Series:
    return Series.from_arrays(
        t_s=plain.t_s,
        voltage_mv=plain.voltage_mv,
        current_ma=plain.current_ma,
        counter_mah=counter_mah,
        level_pct=level_pct,
        awake_s=plain.awake_s,
    )


def test_a_counter_that_follows_a_model_is_not_preferred(
    truth_of: Truths, reading_of: Truths
) -> None:
    truth = truth_of(6, tuple((name, 2 * s) for name, s in ACTIVE))
    plain = reading_of(truth, "fine", 6)
    strays_mah = 10 * np.sin(2 * np.pi * plain.t_s / 1500)
    series = with_counter(plain, np.round(plain.counter_mah + strays_mah, 2))
    counted = charge_counter.estimate(series, truth.borders_s)
    true = truth.pieces_mwh()
    assert np.abs(counted.energy_mwh / true - 1).max() > 0.03
    assert any("model of the battery" in note for note in counted.notes)
    assert (np.abs(counted.energy_mwh - true) < 2 * counted.u_mwh).all()
    chosen = best(series, truth.borders_s)
    assert chosen.notes == counted.notes
    assert np.abs(chosen.energy_mwh / true - 1).max() < 0.03


def test_a_counter_that_is_only_the_level_is_not_counted(
    truth_of: Truths, reading_of: Truths
) -> None:
    truth = truth_of(7, (("navigation", 3000.0),))
    plain = reading_of(truth, "fine", 7)
    level_pct = np.floor(plain.counter_mah / 40)
    series = with_counter(plain, level_pct * 41.237, level_pct)
    assert not charge_counter.can(series)
    assert charge_counter.can(plain)
    assert set(best(series, truth.borders_s).method) == {"power integral"}


def test_gauges_that_contradict_themselves_are_not_believed(
    truth_of: Truths, reading_of: Truths
) -> None:
    truth = truth_of(5, ACTIVE)
    plain = reading_of(truth, "fine", 5)
    assert best(plain, truth.borders_s).notes == ()
    series = Series.from_arrays(
        t_s=plain.t_s,
        voltage_mv=plain.voltage_mv,
        current_ma=2 * plain.current_ma,
        counter_mah=plain.counter_mah,
    )
    doubled = best(series, truth.borders_s)
    assert any("contradict" in note for note in doubled.notes)
    assert any("counts 0.49" in note or "counts 0.50" in note for note in doubled.notes)
    true = truth.pieces_mwh()
    for off_ratio in (0.5, 1.0, 2.0):
        assert (np.abs(doubled.energy_mwh - off_ratio * true) < 2 * doubled.u_mwh).all()


def test_charging_is_negative() -> None:
    t_s = np.arange(0.0, 601.0)
    series = Series.from_arrays(
        t_s=t_s,
        current_ma=np.full(601, 1000.0),
        voltage_mv=np.full(601, 4000.0),
        counter_mah=2000 + np.floor(t_s / 3.6),
    )
    for found in all_estimates(series, t_s[[0, -1]]):
        assert found.energy_mwh[0] == pytest.approx(-4000 / 6, rel=0.01)


def budget(own: list[list[float]], u_ratio: float) -> Estimate:
    energy = np.array([100.0, 50.0])
    return Estimate(
        method=("made",) * 2,
        energy_mwh=energy,
        components=(
            Component(
                name="own",
                kind="A",
                distribution="normal",
                source="made",
                covariance_mwh2=np.array(own),
            ),
            Component.common(Cause.CURRENT_GAIN, u_ratio * energy),
        ),
        covered_ratio=np.ones(2),
        n_free=np.array([5.0, np.inf]),
        flags=((), ()),
    )


def test_a_sum_keeps_correlations_of_own_and_shared_errors() -> None:
    made = budget([[9.0, 2.0], [2.0, 9.0]], 0.1)
    assert list(made.summed(np.ones(2))) == pytest.approx([150.0, np.hypot(np.sqrt(22), 15)])
    assert made.u_mwh == pytest.approx([np.hypot(3.0, 10.0), np.hypot(3.0, 5.0)])
    parts = made.shared_parts_mwh(np.ones(2))
    assert len(parts) == len(Cause)
    assert sum(parts) == pytest.approx(15.0)
    assert budget([[4.0, -1.0], [-1.0, 4.0]], 0.0).effective_n_free.tolist() == [5.0, np.inf]


def test_a_rectangular_error_that_outweighs_the_rest_needs_a_smaller_factor() -> None:
    both = np.array([1.0, 0.0])
    wide, narrow = budget([[0.01, 0], [0, 0.01]], 0.1), budget([[9.0, 0], [0, 9.0]], 0.0)
    assert wide.reach_mwh(both) == pytest.approx(0.95 * np.sqrt(3) * 10.0, rel=2e-3)
    assert narrow.reach_mwh(both) == pytest.approx(2.5706 * 3.0, rel=1e-4)  # t, 5 degrees


@pytest.mark.parametrize("estimator", ESTIMATORS, ids=lambda e: e.NAME)
def test_estimators_refuse_what_they_cannot(estimator: Any) -> None:
    series = Series.from_arrays(t_s=[0.0, 1.0], voltage_mv=[4000.0, 4000.0])
    assert not estimator.can(series)
    with pytest.raises(CannotEstimateError) as caught:
        estimator.estimate(series, np.array([0.0, 1.0]))
    assert caught.value.method == estimator.NAME
    with pytest.raises(NothingRecordedError, match="neither current"):
        best(series, np.array([0.0, 1.0]))


@pytest.mark.parametrize("borders", [[0.0], [5.0, 5.0], [5.0, 1.0]])
def test_borders_must_ascend(streams: list[Series], borders: list[float]) -> None:
    with pytest.raises(SeriesError):
        best(streams[0], np.array(borders))


def test_whole_percents_are_weighed_by_a_voltage_over_time() -> None:
    """The same discharge, its high voltages read ten times as often as the others."""
    even = np.arange(0.0, 36_001.0, 60.0)
    uneven = np.unique(np.concatenate([np.arange(0.0, 9000.0, 6.0), even]))
    said = []
    for t_s in (even, uneven):
        series = Series.from_arrays(
            t_s=t_s,
            voltage_mv=4400 - t_s / 40,
            level_pct=np.ceil(100 - t_s / 600),
            capacity_mah=4000.0,
            poll_s=60.0,
        )
        said.append(level.estimate(series, t_s[[0, -1]]).notes[-1].partition(", ")[2])
    assert said[0] == said[1] == f"whole percents would leave {40 * 3.95 / 6**0.5:.0f} mWh"
