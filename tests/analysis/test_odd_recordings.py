"""Recordings that nobody would make on purpose: our errors or finite answers, never a crash."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import AnalysisError
from analysis.estimation.choose import best
from analysis.estimation.estimate import Estimate
from analysis.estimators import ESTIMATORS
from analysis.readings.series import Series

Floats = npt.NDArray[np.float64]


def is_sound(found: Estimate, n: int) -> None:
    assert found.energy_mwh.shape == (n,)
    covariance = found.covariance_mwh2
    assert np.isfinite(found.energy_mwh).all()
    assert np.isfinite(covariance).all()
    assert covariance == pytest.approx(covariance.T)
    least = float(np.linalg.eigvalsh((covariance + covariance.T) / 2).min())
    assert least >= -1e-7 * max(float(np.trace(covariance)), 1e-9)
    for weight in (*np.eye(n), np.ones(n)):
        assert np.isfinite(found.reach_mwh(weight))


def all_are_sound(series: Series, borders_s: Floats) -> int:
    n_said = 0
    for estimator in ESTIMATORS:
        if estimator.can(series):
            try:
                is_sound(estimator.estimate(series, borders_s), len(borders_s) - 1)
                n_said += 1
            except AnalysisError:
                pass
    return n_said


def day(n: int = 600, **changed: Any) -> dict[str, Any]:
    """A plain ten minutes at 500 mA: everything is read each second."""
    t_s = np.arange(n, dtype=np.float64)
    rng = np.random.default_rng(1)
    columns: dict[str, Any] = {
        "t_s": t_s,
        "voltage_mv": 3900 - t_s / 60 + rng.normal(0, 5, n),
        "current_ma": -500 + rng.normal(0, 50, n),
        "counter_mah": np.floor(3000 - t_s * 500 / 3600),
        "level_pct": np.floor(80 - t_s * 500 / 3600 / 2),
        "awake_s": t_s.copy(),
        "capacity_mah": 200.0,
    }
    return columns | changed


def with_(values: Floats, where: slice, new: float) -> Floats:
    changed = values.copy()
    changed[where] = new
    return changed


PLAIN = day()
T_S, COUNTER_MAH = PLAIN["t_s"], PLAIN["counter_mah"]
ODD: dict[str, dict[str, Any]] = {
    "plain": PLAIN,
    "two readings": day(2),
    "three readings": day(3),
    "one step of the counter": day(counter_mah=np.where(T_S < 300, 2000.0, 1999.0)),
    "two steps of the counter": day(counter_mah=2000 - np.floor(T_S / 250)),
    "a counter that never moves": day(counter_mah=np.full(600, 2000.0)),
    "a jump at the first step": day(counter_mah=with_(COUNTER_MAH, slice(0, 8), 4000.0)),
    "a jump at the last step": day(counter_mah=with_(COUNTER_MAH, slice(-1, None), 10.0)),
    "nothing but jumps": day(counter_mah=2000 - 30.0 * (T_S % 2)),
    "a gap of hours": day(t_s=np.where(T_S < 300, T_S, T_S + 20_000), awake_s=None),
    "a sleep of hours": day(t_s=np.where(T_S < 300, T_S, T_S + 20_000)),
    "no current flows": day(current_ma=np.zeros(600), counter_mah=np.full(600, 2000.0)),
    "no current and a counter that steps": day(current_ma=np.zeros(600)),
    "charging": day(current_ma=np.full(600, 900.0), counter_mah=1000 + np.floor(T_S / 4)),
    "charging half the time": day(current_ma=np.where(T_S < 300, 900.0, -500.0)),
    "a current that never changes": day(current_ma=np.full(600, -500.0)),
    "a voltage that never changes": day(voltage_mv=np.full(600, 3900.0)),
    "voltage read once": day(voltage_mv=with_(np.full(600, np.nan), slice(5, 6), 3900.0)),
    "current read twice": day(current_ma=with_(np.full(600, np.nan), slice(5, 7), -500.0)),
    "a level that falls by ten": day(level_pct=np.where(T_S < 300, 80.0, 70.0)),
    "a level that rises and falls": day(level_pct=50 + np.round(3 * np.sin(T_S / 60))),
    "an awake clock that runs back": day(awake_s=np.abs(300 - T_S)),
    "nothing trusted": day(trusted=np.zeros(600, dtype=bool)),
}


@pytest.mark.parametrize("name", ODD)
def test_odd_recordings_are_answered_or_refused(name: str) -> None:
    series = Series.from_arrays(**ODD[name])
    first_s, last_s = series.t_s[[0, -1]]
    middle_s = (first_s + last_s) / 2
    for borders in (
        [first_s, last_s],
        [first_s, middle_s, last_s],
        [middle_s, middle_s + 1.0],
        [first_s, first_s + 1.0, last_s - 0.5, last_s],
        [first_s - 50.0, middle_s, last_s + 50.0],
    ):
        borders_s = np.unique(np.asarray(borders))
        all_are_sound(series, borders_s)
        try:
            is_sound(best(series, borders_s), len(borders_s) - 1)
        except AnalysisError:
            assert name in ("two readings", "three readings", "nothing trusted")


def test_a_plain_recording_is_answered_by_all() -> None:
    assert all_are_sound(Series.from_arrays(**PLAIN), np.array([0.0, 300.0, 599.0])) == 4


@st.composite
def anything(draw: st.DrawFn) -> tuple[dict[str, Any], Floats]:
    """Readings in rough time, each quantity sometimes missing, coarse, constant or jumping."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n = draw(st.integers(2, 150))
    period_s = draw(st.sampled_from([0.1, 1.0, 5.0]))
    step_s = period_s * rng.choice([1.0, 1.02, 40.0, 4000.0], n, p=[0.9, 0.08, 0.01, 0.01])
    t_s = np.cumsum(step_s)
    power = draw(st.sampled_from([0.0, 5.0, 300.0, 3000.0, -900.0]))
    current = -power * rng.lognormal(0.0, draw(st.sampled_from([0.0, 0.5, 1.5])), n)
    lsb_mah = draw(st.sampled_from([0.01, 1.0, 40.0]))
    taken = np.concatenate([[0.0], np.cumsum(-current[1:] * np.diff(t_s) / 3600)])
    counter = np.floor((3000 - taken) / lsb_mah) * lsb_mah
    if draw(st.booleans()):
        counter[rng.integers(0, n) :] += draw(st.sampled_from([-500.0, 3.0, 500.0]))
    columns: dict[str, Any] = {
        "voltage_mv": 3900 + rng.normal(0, 20, n).round(),
        "current_ma": current,
        "counter_mah": counter,
        "level_pct": np.clip(np.floor(90 - taken / 30), 0, 100),
        "awake_s": np.cumsum(np.minimum(step_s, draw(st.sampled_from([2.0, 1e9])))),
    }
    for name in draw(st.sets(st.sampled_from(sorted(columns)), max_size=3)):
        missing = rng.random(n) < draw(st.sampled_from([0.3, 1.0]))
        columns[name] = np.where(missing, np.nan, columns[name])
    capacity_mah = draw(st.sampled_from([None, 3000.0]))
    n_borders = draw(st.integers(2, 6))
    borders_s = np.unique(rng.uniform(t_s[0] - 20, t_s[-1] + 20, n_borders + 2))
    return columns | {"t_s": t_s, "capacity_mah": capacity_mah}, borders_s


@given(recording=anything())
@settings(max_examples=60, deadline=None)
def test_no_recording_raises_anything_but_our_errors(
    recording: tuple[dict[str, Any], Floats],
) -> None:
    columns, borders_s = recording
    all_are_sound(Series.from_arrays(**columns), borders_s)
