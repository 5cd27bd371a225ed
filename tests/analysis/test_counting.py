"""What counter, level and current show each other to be, and when a source looked again."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from analysis.estimation.choose import best
from analysis.estimation.counting import by_level, judged
from analysis.estimation.profile import Locally, running
from analysis.estimators import charge_counter, fused, power_integral
from analysis.readings.refresh import refreshes
from analysis.readings.series import Series

Truths = Callable[..., Any]
Readings = Callable[..., Series]
DAY = tuple((name, 2700.0) for name in ("navigation", "voice call", "scanning", "video"))


def brackets(ticks_s: np.ndarray, poll_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Readings before and after each tick, of a phone read at whole multiples of a period."""
    seen_s = np.ceil(ticks_s / poll_s) * poll_s
    return seen_s - poll_s, seen_s


def test_refreshes_by_the_clock_are_found_between_readings() -> None:
    ticks_s = 0.137 + 5.0027 * np.arange(2000)
    at_s, u_s, in_time = refreshes(*brackets(ticks_s, 1.0), 5.0)
    assert in_time.all()
    assert np.median(np.abs(at_s - ticks_s)) < 0.05
    assert (np.abs(at_s - ticks_s) < 2 * u_s + 0.01).all()
    assert np.median(u_s) < 0.05, "far less than 1 s / sqrt(12)"


def test_a_pause_of_unknown_length_is_no_clue() -> None:
    ticks_s = 0.137 + 5.0 * np.arange(400)
    ticks_s[200:] += 1237.4
    at_s, _, _ = refreshes(*brackets(ticks_s, 1.0), 5.0)
    assert np.abs(at_s - ticks_s).max() <= 0.5


def test_refreshes_without_a_clock_lie_anywhere_between_readings() -> None:
    rng = np.random.default_rng(3)
    before_s, seen_s = brackets(np.cumsum(rng.uniform(4.0, 6.0, 500)), 1.0)
    at_s, u_s, in_time = refreshes(before_s, seen_s, 5.0)
    assert in_time.mean() < 0.2
    assert ((at_s >= before_s) & (at_s <= seen_s)).all()
    assert u_s[~in_time] == pytest.approx(1 / np.sqrt(12))


@pytest.mark.parametrize("n", [0, 1, 2])
def test_next_to_no_refreshes(n: int) -> None:
    before_s, seen_s = brackets(5.3 * np.arange(1.0, n + 1), 1.0)
    at_s, u_s, in_time = refreshes(before_s, seen_s, 5.0)
    assert at_s == pytest.approx((before_s + seen_s) / 2)
    assert u_s == pytest.approx(np.full(n, 1 / np.sqrt(12)))
    assert not in_time.any()


@pytest.mark.parametrize("n_around", [3, 60, 400])
def test_local_means_are_those_of_the_neighbours_that_are_good(n_around: int) -> None:
    rng = np.random.default_rng(n_around)
    values, good = rng.normal(5.0, 1.0, 2000), rng.random(2000) < 0.9
    total = running(values)
    near = Locally(n=2001, n_around=n_around)
    means = near.everywhere(near.products(total, np.arange(2001.0), good))
    assert len(means) == 2001
    for at in near.middle[::7]:
        low, high = max(at - n_around, 0), at + n_around + 1
        plain = values[low:high][good[low:high]].mean()
        assert means[at] == pytest.approx(plain, abs=3 / np.sqrt(n_around) * 3 / near.n_each**0.5)
    assert not near.products(total, total, np.zeros(2000, dtype=bool)).any()


def with_level(plain: Series, level_pct: np.ndarray) -> Series:
    return Series.from_arrays(
        t_s=plain.t_s,
        voltage_mv=plain.voltage_mv,
        current_ma=plain.current_ma,
        level_pct=level_pct,
        awake_s=plain.awake_s,
    )


def test_a_level_that_follows_the_charge_stands_in_for_a_counter(
    truth_of: Truths, reading_of: Readings
) -> None:
    truth = truth_of(11, DAY)
    plain = reading_of(truth, "fine", 11)
    series = with_level(plain, np.floor(plain.counter_mah / 40))
    assert not charge_counter.can(series)
    assert by_level(series) is not None
    found, alone = best(series, truth.borders_s), power_integral.estimate(series, truth.borders_s)
    assert set(found.method) == {fused.NAME}
    assert any("level follows" in note for note in found.notes)
    assert (found.own_u_mwh < alone.own_u_mwh).all()
    assert (np.abs(found.energy_mwh - truth.pieces_mwh()) < 2 * found.u_mwh).all()
    assert found.energy_mwh.sum() == pytest.approx(alone.energy_mwh.sum(), rel=2e-3)


def test_a_level_that_wanders_is_left_alone(truth_of: Truths, reading_of: Readings) -> None:
    truth = truth_of(12, DAY)
    plain = reading_of(truth, "fine", 12)
    wander_mah = 12 * np.sin(2 * np.pi * plain.counter_mah / 170)
    series = with_level(plain, np.floor((plain.counter_mah + wander_mah) / 40))
    assert by_level(series) is None
    assert set(best(series, truth.borders_s).method) == {power_integral.NAME}


def test_means_and_moments_are_told_apart(truth_of: Truths, reading_of: Readings) -> None:
    truth = truth_of(13, DAY)
    means = reading_of(truth, "cached", 13)
    assert judged(means).found.sampling_ratio < 0.35
    seen = np.flatnonzero(np.diff(means.current_ma, prepend=np.nan) != 0)
    moment_ma = np.interp(means.t_s[seen], truth.t_s[1:], -truth.current_ma)
    held = moment_ma[np.searchsorted(seen, np.arange(len(means.t_s)), side="right") - 1]
    moments = Series.from_arrays(
        t_s=means.t_s,
        voltage_mv=means.voltage_mv,
        current_ma=np.trunc(held),
        counter_mah=means.counter_mah,
        awake_s=means.awake_s,
    )
    assert judged(moments).found.sampling_ratio > 0.35


def test_a_level_too_late_to_tell_means_from_moments_is_left_alone(
    truth_of: Truths, reading_of: Readings
) -> None:
    truth = truth_of(14, DAY)
    plain = reading_of(truth, "cached", 14)
    minute_mah = np.interp(np.floor(plain.t_s / 60) * 60, plain.t_s, plain.counter_mah)
    series = with_level(plain, np.floor(minute_mah / 40))
    assert by_level(series) is None
    found = best(series, truth.borders_s)
    assert np.abs(found.energy_mwh / truth.pieces_mwh() - 1).max() < 0.015
