"""What is done differently where readings are very many gives the same energies."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import energy, load
from analysis.estimation import current, profile
from analysis.estimation.choose import best
from analysis.estimation.profile import Curve, Locally, Product, parts, wider
from analysis.readings import clock, run
from analysis.readings.clock import fit_session
from analysis.readings.series import Series


@pytest.mark.parametrize("kept", [True, False])
def test_phones_are_kept_or_read_again(
    run_path: Path, monkeypatch: pytest.MonkeyPatch, kept: bool
) -> None:
    before = energy(load(run_path))
    monkeypatch.setattr(run, "_KEPT", 10**9 if kept else 0)
    opened = load(run_path)
    assert (opened.recordings[0] is opened.recordings[0]) == kept
    assert opened.recordings[-1].phone == opened.manifest.phones[-1].label
    assert [r.phone for r in opened.recordings[1:]] == [p.phone for p in before.phones[1:]]
    after = energy(opened)
    assert [p.total.energy_mwh for p in after.phones] == [
        p.total.energy_mwh for p in before.phones
    ]
    with pytest.raises(IndexError):
        _ = opened.recordings[len(opened.recordings)]


def polled_often(gap: bool, asleep: bool) -> tuple[Series, np.ndarray]:
    """A bursty load ten times a second for forty minutes, and its borders."""
    rng = np.random.default_rng(7)
    t_s = np.cumsum(rng.uniform(0.098, 0.102, 24_000))
    drawn_ma = 500 + 300 * (rng.random(len(t_s)) < 0.3) + 200.0 * (t_s > 1100)
    counter_mah = 4000 - np.cumsum(drawn_ma) * 0.1 / 3600
    away = (t_s > 600) & (t_s < 660)
    awake_s = t_s - (np.clip(t_s - 600, 0, 60) if asleep else 0.0)
    kept = ~away if gap or asleep else np.ones(len(t_s), dtype=bool)
    series = Series.from_arrays(
        t_s=t_s[kept],
        voltage_mv=np.round(4200 - t_s / 40 - 0.09 * drawn_ma + rng.normal(0, 1, len(t_s)))[kept],
        current_ma=-np.round(drawn_ma + rng.normal(0, 5, len(t_s)))[kept],
        counter_mah=np.round(counter_mah, 2)[kept],
        awake_s=awake_s[kept],
    )
    return series, np.array([t_s[0], 400.0, 1100.03, 1800.0, t_s[-1]])


@pytest.mark.parametrize(("gap", "asleep"), [(False, False), (True, False), (False, True)])
@pytest.mark.parametrize("counter", [True, False])
def test_doubts_by_the_second_are_those_by_the_reading(
    monkeypatch: pytest.MonkeyPatch, gap: bool, asleep: bool, counter: bool
) -> None:
    series, borders = polled_often(gap, asleep)
    if not counter:
        series = Series.from_arrays(
            t_s=series.t_s,
            voltage_mv=series.voltage_mv,
            current_ma=series.current_ma,
            awake_s=series.awake_s,
        )
    by_second = best(series, borders)
    monkeypatch.setattr(current, "n_per_second", lambda _: 1)
    again = Series.from_arrays(
        t_s=series.t_s,
        voltage_mv=series.voltage_mv,
        current_ma=series.current_ma,
        counter_mah=series.counter_mah if counter else None,
        awake_s=series.awake_s,
    )
    by_reading = best(again, borders)
    assert by_second.energy_mwh == pytest.approx(by_reading.energy_mwh, rel=2e-5)
    assert by_second.own_u_mwh == pytest.approx(by_reading.own_u_mwh, rel=0.03)
    assert by_second.covered_ratio == pytest.approx(by_reading.covered_ratio, abs=1e-3)


@given(
    st.lists(st.floats(0.01, 5.0), min_size=2, max_size=60),
    st.integers(1, 7),
    st.lists(st.floats(-10.0, 400.0), min_size=1, max_size=20),
    st.integers(0, 99),
)
def test_an_integral_is_the_same_however_few_sums_are_kept(
    widths_s: list[float], n_each: int, at_s: list[float], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    edges = np.concatenate([[0.0], np.cumsum(widths_s)])
    start, end = rng.normal(0, 5, (2, len(widths_s)))
    spans = np.unique(np.append(np.arange(0, len(widths_s), n_each), len(widths_s)))
    moments = np.array(at_s)
    plain = Curve(edges_s=edges, start=start, end=end)
    few = Curve(edges_s=edges, start=start, end=end, spans=spans)
    assert few.integral(moments) == pytest.approx(plain.integral(moments), abs=1e-9)
    one, two = rng.uniform(1, 2, (2, len(widths_s)))
    product = Product(edges_s=edges, start=start, end=end, spans=spans, start_by=one, end_by=two)
    made = Curve(edges_s=edges, start=start * one, end=end * two)
    assert product.integral(moments) == pytest.approx(made.integral(moments), abs=1e-9)


@pytest.mark.parametrize("n_at_a_time", [1, 7, 1000])
def test_work_in_parts_is_work_at_once(monkeypatch: pytest.MonkeyPatch, n_at_a_time: int) -> None:
    rng = np.random.default_rng(5)
    one, other, good = rng.normal(0, 1, 301), rng.normal(0, 1, 301), rng.random(297) < 0.9
    t_s = np.cumsum(rng.exponential(1.0, 301))
    near = Locally(n=300, n_around=100)
    whole = near.products(one, other, good, lag=2, ahead=(2, 0)), wider(t_s, 1.0)
    monkeypatch.setattr(profile, "_N_AT_A_TIME", n_at_a_time)
    again = near.products(one, other, good, lag=2, ahead=(2, 0)), wider(t_s, 1.0)
    assert again[0] == pytest.approx(whole[0], abs=1e-12)
    assert (again[1] == (np.diff(t_s) > 1.0)).all()
    assert [s.stop for s in parts(10, 4)] == [4, 8, 10]


def test_a_clock_needs_no_more_than_a_reading_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(11)
    boot_s = 50 + np.cumsum(rng.uniform(0.09, 0.11, 6000))
    host_s = 3.0 + boot_s * (1 + 4e-5) + rng.exponential(0.004, len(boot_s))
    few = fit_session("a", boot_s, host_s, 0.0, -np.inf)
    assert len(few.boot_s) < len(boot_s) / 9
    monkeypatch.setattr(clock, "n_per_second", lambda _: 1)
    every = fit_session("a", boot_s, host_s, 0.0, -np.inf)
    apart_s = few.to_host(boot_s + few.shift_s) - every.to_host(boot_s + every.shift_s)
    assert np.abs(apart_s).max() < 5e-4
    assert few.jitter_s == pytest.approx(every.jitter_s, rel=0.1)
