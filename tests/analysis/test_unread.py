"""Readings that are far apart, frozen, or missing in a sleep: what is made of them."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from analysis.estimation.choose import best
from analysis.estimation.estimate import Estimate
from analysis.readings.series import Series
from analysis.readings.unread import frozen, silent

Floats = npt.NDArray[np.float64]
HOUR_S = 3600.0


@dataclass(frozen=True)
class Drawn:
    """Two hours once a second: a current and what follows from it."""

    t_s: Floats
    current_ma: Floats

    @property
    def counter_mah(self) -> Floats:
        mean = (self.current_ma[1:] + self.current_ma[:-1]) / 2
        return 3000 - np.concatenate([[0.0], np.cumsum(mean * np.diff(self.t_s) / 3600)])

    @property
    def voltage_mv(self) -> Floats:
        return 4200 - 60 * self.t_s / 3600 - 0.08 * self.current_ma

    def true_mwh(self, borders_s: Floats) -> Floats:
        power = self.current_ma * self.voltage_mv / 1000
        total = np.concatenate(
            [[0.0], np.cumsum((power[1:] + power[:-1]) / 2 * np.diff(self.t_s) / 3600)]
        )
        return np.diff(np.interp(borders_s, self.t_s, total))

    def series(self, kept: npt.NDArray[np.bool_] | None = None, **changed: Any) -> Series:
        columns: dict[str, Any] = {
            "t_s": self.t_s,
            "voltage_mv": np.round(self.voltage_mv),
            "current_ma": -np.round(self.current_ma, 1),
            "counter_mah": np.round(self.counter_mah, 2),
            **changed,
        }
        given = {name: x for name, x in columns.items() if x is not None}
        columns = {n: x if kept is None else np.asarray(x)[kept] for n, x in given.items()}
        return Series.from_arrays(**columns)


BORDERS = np.array([0.0, HOUR_S, 2 * HOUR_S])


@pytest.fixture(scope="module")
def drawn() -> Drawn:
    """Six hundred milliampere, then 250."""
    rng = np.random.default_rng(3)
    t_s = np.arange(0.0, 7201.0)
    return Drawn(t_s, np.where(t_s < HOUR_S, 600.0, 250.0) + rng.normal(0.0, 40.0, len(t_s)))


def scores(found: Estimate, true_mwh: Floats) -> Floats:
    return (found.energy_mwh - true_mwh) / found.own_u_mwh


@pytest.mark.parametrize("counter", [False, True])
@pytest.mark.parametrize("awake", [False, True])
@pytest.mark.parametrize("every_s", [4, 10, 30])
def test_a_slower_pace_is_no_gap(drawn: Drawn, every_s: int, awake: bool, counter: bool) -> None:
    kept = (drawn.t_s <= HOUR_S) | (drawn.t_s % every_s == 0)
    series = drawn.series(
        kept,
        awake_s=drawn.t_s if awake else None,
        **({} if counter else {"counter_mah": None}),
    )
    found = best(series, BORDERS)
    sleep_unknown = counter and not awake and every_s > 5
    assert silent(series, series.t_s, series.t_s).any() == sleep_unknown
    assert found.energy_mwh == pytest.approx(drawn.true_mwh(BORDERS), rel=0.01)
    assert np.abs(scores(found, drawn.true_mwh(BORDERS))).max() < 3
    assert found.covered_ratio == pytest.approx([1.0, 1.0], abs=0.01)


@pytest.mark.parametrize("counter", [False, True])
def test_a_lone_reading_in_a_gap_counts(drawn: Drawn, counter: bool) -> None:
    alone = np.isin(drawn.t_s, [4500.0, 4900.0, 5600.0])
    kept = (drawn.t_s <= 4200) | alone | (drawn.t_s >= 6000)
    series = drawn.series(kept, awake_s=drawn.t_s, **({} if counter else {"counter_mah": None}))
    found = best(series, BORDERS)
    true_mwh = drawn.true_mwh(BORDERS)
    assert silent(series, series.t_s, series.t_s).sum() == 4
    assert found.energy_mwh == pytest.approx(true_mwh, rel=0.002 if counter else 0.1)
    assert np.abs(scores(found, true_mwh)).max() < 3
    assert (found.own_u_mwh[1] > 10) != counter, "without a counter little is known"


def test_a_counter_tells_what_a_phone_woken_once_a_minute_drew(drawn: Drawn) -> None:
    """No clock tells that it slept: each time it is read it has just woken up."""
    woken = drawn.t_s % 60 == 0
    sleepy = (drawn.t_s > HOUR_S) & ~woken
    draws = Drawn(drawn.t_s, np.where(drawn.t_s > HOUR_S, 25.0, drawn.current_ma))
    shown_ma = np.where(drawn.t_s > HOUR_S, 120.0 + drawn.current_ma / 50, draws.current_ma)
    found = best(draws.series(~sleepy, current_ma=-shown_ma), BORDERS)
    true_mwh = draws.true_mwh(BORDERS)
    assert found.energy_mwh == pytest.approx(true_mwh, rel=0.02)
    assert (np.abs(found.energy_mwh - true_mwh) < 2 * found.u_mwh).all()
    assert not any("model" in note or "contradict" in note for note in found.notes)


def stuck(drawn: Drawn, *names: str) -> dict[str, Any]:
    """Readings of some quantities that repeat themselves across the border for 1600 s."""
    during = (drawn.t_s >= 3000) & (drawn.t_s < 4600)
    plain = drawn.series()
    values = {name: getattr(plain, name) for name in names}
    return {name: np.where(during, x[3000], x) for name, x in values.items()}


def test_a_counter_goes_before_a_frozen_current(drawn: Drawn) -> None:
    series = drawn.series(**stuck(drawn, "current_ma", "voltage_mv"))
    assert frozen(series) == pytest.approx(np.array([[3000.0, 4599.0]]))
    found = best(series, BORDERS)
    assert found.energy_mwh == pytest.approx(drawn.true_mwh(BORDERS), rel=0.005)
    assert (np.abs(found.energy_mwh - drawn.true_mwh(BORDERS)) < 2 * found.u_mwh).all()
    assert not any("model" in note or "contradict" in note for note in found.notes)
    assert not any("jumped" in flag for flags in found.flags for flag in flags)


def test_a_frozen_gauge_leaves_an_interval_that_holds(drawn: Drawn) -> None:
    everything = stuck(drawn, "current_ma", "voltage_mv", "counter_mah")
    true_mwh = drawn.true_mwh(BORDERS)
    counted = best(drawn.series(**everything), BORDERS)
    alone = best(drawn.series(**everything | {"counter_mah": None}), BORDERS)
    for found in (counted, alone):
        assert np.abs(found.energy_mwh - true_mwh).max() > 50, "the border lies in it"
        assert np.abs(scores(found, true_mwh)).max() < 1.96
    # What the counter makes up for afterwards is no jump: only the share of each is unknown.
    assert counted.energy_mwh.sum() == pytest.approx(true_mwh.sum(), rel=0.003)
    assert alone.covered_ratio == pytest.approx([1 - 600 / 3600, 1 - 999 / 3600], abs=0.01)


@pytest.mark.parametrize("name", ["gap", "asleep", "constant", "voltage alive"])
def test_what_is_not_frozen(drawn: Drawn, name: str) -> None:
    away = (drawn.t_s > 3000) & (drawn.t_s < 5000)
    still = stuck(drawn, "current_ma", "voltage_mv")
    series = {
        "gap": drawn.series(~away),
        "asleep": drawn.series(~away, awake_s=drawn.t_s - np.clip(drawn.t_s - 3000, 0, 2000)),
        "constant": drawn.series(current_ma=np.full(7201, -500.0)),
        "voltage alive": drawn.series(current_ma=still["current_ma"]),
    }[name]
    assert not len(frozen(series))


@pytest.mark.parametrize("draw_ma", [2.0, 8.0, 40.0, 60.0, 150.0])
def test_what_a_counter_counts_in_a_long_sleep_was_drawn(drawn: Drawn, draw_ma: float) -> None:
    asleep = (drawn.t_s > 4000) & (drawn.t_s < 6000)
    sleepy = Drawn(drawn.t_s, np.where(asleep, draw_ma, drawn.current_ma))
    awake_s = drawn.t_s - np.clip(drawn.t_s - 4000, 0, 2000)
    found = best(sleepy.series(~asleep, awake_s=awake_s), BORDERS)
    true_mwh = sleepy.true_mwh(BORDERS)
    assert found.energy_mwh == pytest.approx(true_mwh, rel=0.005)
    assert (np.abs(found.energy_mwh - true_mwh) < 2 * found.u_mwh).all()


def test_a_jump_among_many_sleeps_is_one(drawn: Drawn) -> None:
    phase_s = drawn.t_s % 300
    asleep = (drawn.t_s > HOUR_S) & (phase_s > 20) & (phase_s < 290)
    sleepy = Drawn(drawn.t_s, np.where(asleep, 8.0, drawn.current_ma))
    awake_s = np.concatenate([[0.0], np.cumsum(~asleep[1:])])
    counter_mah = np.round(sleepy.counter_mah - 12.0 * (drawn.t_s > 5200), 2)
    found = best(sleepy.series(~asleep, awake_s=awake_s, counter_mah=counter_mah), BORDERS)
    assert any("jumped" in flag for flag in found.flags[1])
    true_mwh = sleepy.true_mwh(BORDERS)
    assert np.abs(scores(found, true_mwh)).max() < 3
    assert found.energy_mwh[1] == pytest.approx(true_mwh[1], abs=6.0), "and not 50 mWh too much"
