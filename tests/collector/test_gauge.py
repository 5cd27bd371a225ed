"""The gauges against the true charge that they are shown."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from math import gcd, inf

import pytest

from collector.virtual.cell import Cell, CellSpec
from collector.virtual.framework import STATUS_CHARGING, STATUS_DISCHARGING, STATUS_FULL, Framework
from collector.virtual.gauge import Gauge, GaugeReading
from collector.virtual.loads import NAVIGATION, STANDBY, Activity, Load
from collector.virtual.profiles import (
    ABSOLUTE_MILLIAMP,
    CACHED_HALF_MINUTE,
    LEVEL_COUNTER,
    LIVE_MICROAMP,
    MILLIAMP_INVERTED,
    PERCENT_ONLY,
    PROFILES,
    RECALIBRATING,
    SMOOTHED_CHARGE,
    STUCK_COUNTER,
    WINDOWED_HALF_MAH,
    CounterUnit,
    CurrentSign,
    GaugeProfile,
)
from collector.virtual.trace import Step

CAPACITY_MAH = 4000.0
PER_MAH = {CounterUnit.UAH: 1000, CounterUnit.MAH: 1, CounterUnit.TENTH: 100}


def steady(current_ma: float, duration_s: float, *, awake: bool = True) -> Step:
    """A step of constant current and voltage, from 1000 s and 500 mAh on."""
    return Step(
        1000.0,
        1000.0 + duration_s,
        awake,
        current_ma,
        current_ma * 3.9,
        500.0,
        (0.0, current_ma * 3.9 * duration_s / 3600),
        (3900.0, 3900.0),
        25.04,
        700.0,
    )


def gauge_of(profile: GaugeProfile, step: Step, seed: str = "1") -> Gauge:
    return Gauge(profile, capacity_mah=CAPACITY_MAH, step=step, seed=seed)


def after(profile: GaugeProfile, current_ma: float, duration_s: float) -> GaugeReading:
    step = steady(current_ma, duration_s)
    gauge = gauge_of(profile, step)
    gauge.follow(step, step.end_s, awake=True)
    return gauge.reading()


def steps_of(activity: Activity, span_s: float, charge_ratio: float = 0.9) -> Iterator[Step]:
    """The true steps of a cell under an activity."""
    cell = Cell(CellSpec(capacity_mah=CAPACITY_MAH), charge_ratio=charge_ratio)
    at_s = awake_s = 1000.0
    for duration_s, power_mw, awake in Load(activity=activity, seed="3"):
        taken_mah, energy_mwh = cell.taken_mah, cell.energy_mwh
        current_ma = cell.draw(power_mw, duration_s)
        yield Step(
            at_s,
            at_s + duration_s,
            awake,
            current_ma,
            power_mw,
            taken_mah,
            (energy_mwh, cell.energy_mwh),
            (cell.began_mv, cell.voltage_mv),
            cell.temperature_c,
            awake_s,
        )
        at_s += duration_s
        awake_s += duration_s if awake else 0.0
        if at_s > 1000.0 + span_s:
            return


def polled(
    profile: GaugeProfile, activity: Activity, span_s: float, every_s: float = 1.0
) -> list[tuple[float, float, GaugeReading]]:
    """Time, charge truly taken and reading, at each poll while awake."""
    seen: list[tuple[float, float, GaugeReading]] = []
    framework: Framework | None = None
    next_s = 1000.37
    for step in steps_of(activity, span_s):
        if framework is None:
            framework = Framework(gauge_of(profile, step), step)
        while next_s < step.end_s:
            if step.awake:
                twin = framework.twin()
                twin.follow(step, next_s)
                seen.append((next_s, step.taken_at(next_s), twin.gauge.reading()))
            next_s += every_s
        framework.follow(step, step.end_s)
    return seen


@pytest.mark.parametrize(
    ("profile", "discharging", "charging"),
    [
        (LIVE_MICROAMP, -400_000, 400_000),
        (WINDOWED_HALF_MAH, -400_000, 400_000),
        (MILLIAMP_INVERTED, 400, -400),
        (CACHED_HALF_MINUTE, -400_000, 400_000),
        (ABSOLUTE_MILLIAMP, 400, 400),
        (LEVEL_COUNTER, -400_000, 400_000),
        (STUCK_COUNTER, -400_000, 400_000),
        (RECALIBRATING, -400_000, 400_000),
        (SMOOTHED_CHARGE, -400_000, 400_000),
        (PERCENT_ONLY, None, None),
    ],
    ids=lambda value: getattr(value, "name", None),
)
def test_unit_and_sign_of_current(
    profile: GaugeProfile, discharging: int | None, charging: int | None
) -> None:
    assert after(profile, 400.0, 120.0).current_raw == discharging
    assert after(profile, -400.0, 120.0).current_raw == charging


@pytest.mark.parametrize(
    ("profile", "counter_raw"),
    [
        (LIVE_MICROAMP, 3_400_000),
        (WINDOWED_HALF_MAH, 3_400_000),
        (MILLIAMP_INVERTED, 3_400_000),
        (CACHED_HALF_MINUTE, 3_400),
        (ABSOLUTE_MILLIAMP, 340_000),
        (LEVEL_COUNTER, 3_520_000),
        (STUCK_COUNTER, 3_500_000),
        (PERCENT_ONLY, None),
    ],
    ids=lambda value: getattr(value, "name", None),
)
def test_unit_of_the_counter(profile: GaugeProfile, counter_raw: int | None) -> None:
    """500 mAh of 4000 were gone (88 % shown), and 100 more go within the hour."""
    seen = after(profile, 100.0, 3600.0).counter_raw
    lsb = profile.counter_lsb_mah * PER_MAH[profile.counter_unit]
    assert seen == (None if counter_raw is None else pytest.approx(counter_raw, abs=lsb))


def test_every_profile_of_the_table_has_a_name_of_its_own() -> None:
    assert len({profile.name for profile in PROFILES}) == len(PROFILES) == 12
    assert {profile.current_sign for profile in PROFILES} == set(CurrentSign)
    assert {profile.counter_unit for profile in PROFILES} == set(CounterUnit)


def test_voltage_and_temperature_are_in_platform_units() -> None:
    reading = after(replace(LIVE_MICROAMP, voltage_gain_ratio=0.001), 400.0, 10.0)
    assert reading.voltage_uv == pytest.approx(3_903_900, abs=40)
    assert reading.temperature_dc == 250
    assert after(MILLIAMP_INVERTED, 400.0, 10.0).voltage_uv == 3_900_000


def test_gain_and_offset_are_in_current_and_counter_alike() -> None:
    wrong = replace(LIVE_MICROAMP, gain_ratio=0.005, offset_ma=2.0)
    reading, start = after(wrong, 400.0, 3600.0), after(wrong, 400.0, 0.01)
    assert reading.current_raw == pytest.approx(-400_000 * 1.005 + 2000, abs=79)
    assert reading.counter_raw is not None
    assert start.counter_raw is not None
    assert reading.counter_raw - start.counter_raw == pytest.approx(-402_000 + 2000, abs=20)


@pytest.mark.parametrize(
    "profile",
    [
        LIVE_MICROAMP,
        WINDOWED_HALF_MAH,
        MILLIAMP_INVERTED,
        CACHED_HALF_MINUTE,
        ABSOLUTE_MILLIAMP,
    ],
    ids=lambda profile: profile.name,
)
@pytest.mark.parametrize("activity", [NAVIGATION, STANDBY], ids=lambda a: a.name)
def test_the_counter_follows_the_true_charge_within_gain_and_lsb(
    profile: GaugeProfile, activity: Activity
) -> None:
    profile = replace(profile, gain_ratio=-0.006)
    seen = polled(profile, activity, 5400.0)
    (_, taken0_mah, first), *rest = seen
    assert first.counter_raw is not None
    per_mah, lsb_mah = PER_MAH[profile.counter_unit], profile.counter_lsb_mah
    # Stale by one refresh at most while awake; a cached one also by the sleep before it.
    most_ma, sleep_mah = 2000.0, 60.0 * 8.0 / 3.5 / 3600 if profile.cached else 0.0
    late_mah = most_ma * profile.counter_refresh_s / 3600 + sleep_mah
    for _, taken_mah, reading in rest:
        assert reading.counter_raw is not None
        counted_mah = (first.counter_raw - reading.counter_raw) / per_mah
        true_mah = (taken_mah - taken0_mah) * 0.994
        assert counted_mah == pytest.approx(true_mah, abs=lsb_mah + late_mah + 0.01)
    assert {r.counter_raw % round(lsb_mah * per_mah) for _, _, r in rest if r.counter_raw} == {0}


def test_windowed_current_adds_up_to_the_charge() -> None:
    seen = polled(LIVE_MICROAMP, NAVIGATION, 600.0, every_s=0.25)
    counted_mah = sum(-(r.current_raw or 0) for _, _, r in seen[1:]) / 1000 * 0.25 / 3600
    true_mah = seen[-1][1] - seen[0][1]
    assert counted_mah == pytest.approx(true_mah, abs=2 * 2000 * 0.25 / 3600)


def test_a_cached_gauge_publishes_everything_together_every_5_s() -> None:
    seen = polled(MILLIAMP_INVERTED, NAVIGATION, 300.0, every_s=0.5)
    unlevelled = [(at_s, replace(reading, level_pct=0)) for at_s, _, reading in seen]
    changes_s = [b[0] for a, b in pairwise(unlevelled) if a[1] != b[1]]
    assert len(changes_s) == pytest.approx(300 / 5, abs=2)
    assert all(round((b - a) / 5.0, 3).is_integer() for a, b in pairwise(changes_s))
    currents = [r.current_raw for _, _, r in seen[::10]]
    true_ma = [(b[1] - a[1]) * 3600 / 5 for a, b in pairwise(seen[::10])]
    assert sum(c or 0 for c in currents[2:]) / len(currents[2:]) == pytest.approx(
        sum(true_ma[1:]) / len(true_ma[1:]), rel=0.03
    )


def test_a_cached_gauge_publishes_nothing_in_suspend() -> None:
    step = steady(100.0, 1.0)
    asleep = replace(steady(2.0, 60.0, awake=False), start_s=1001.0, end_s=1061.0)
    cached, live = gauge_of(MILLIAMP_INVERTED, step), gauge_of(LIVE_MICROAMP, step)
    for gauge in (cached, live):
        gauge.follow(step, step.end_s, awake=True)
        gauge.follow(asleep, asleep.end_s, awake=False)
    assert cached.reading().current_raw == 100
    assert live.reading().current_raw == pytest.approx(-2000, abs=79)


def test_an_instantaneous_gauge_samples_while_a_windowed_one_averages() -> None:
    low, high = steady(100.0, 0.15), replace(steady(900.0, 0.15), start_s=1000.15, end_s=1000.3)
    seen = []
    for profile in (LIVE_MICROAMP, replace(ABSOLUTE_MILLIAMP, refresh_s=0.25)):
        gauge = gauge_of(profile, low)
        gauge.follow(low, low.end_s, awake=True)
        high.taken_mah = low.taken_at(low.end_s)
        gauge.follow(high, high.end_s, awake=True)
        seen.append(gauge.reading().current_raw)
    assert seen == [pytest.approx(-(100 * 0.15 + 900 * 0.10) / 0.25 * 1000, abs=79), 900]


def test_counter_with_level_moves_only_with_the_level() -> None:
    seen = polled(LEVEL_COUNTER, NAVIGATION, 3600.0)
    changes = [(a, b) for a, b in pairwise(seen) if a[2].counter_raw != b[2].counter_raw]
    levels = [(a, b) for a, b in pairwise(seen) if a[2].level_pct != b[2].level_pct]
    assert len(levels) > 10
    for (_, with_counter), (_, with_level) in zip(changes, levels, strict=True):
        assert 0.0 <= with_counter[0] - with_level[0] <= 1.01


def test_a_stuck_counter_never_moves() -> None:
    assert len({r.counter_raw for _, _, r in polled(STUCK_COUNTER, NAVIGATION, 1800.0)}) == 1


def test_recalibration_jumps_now_and_then_by_a_visible_part_of_capacity() -> None:
    seen = polled(RECALIBRATING, NAVIGATION, 4 * 2700.0, every_s=5.0)
    jumps_mah = [
        ((b[2].counter_raw or 0) - (a[2].counter_raw or 0)) / 1000 + (b[1] - a[1])
        for a, b in pairwise(seen)
    ]
    large = [jump for jump in jumps_mah if abs(jump) > 0.002 * CAPACITY_MAH]
    assert 3 <= len(large) <= 4
    assert all(0.003 < abs(jump) / CAPACITY_MAH < 0.016 for jump in large)
    assert max(abs(j) for j in jumps_mah if j not in large) < 0.5


def test_a_smoothed_counter_strays_by_some_per_cent_and_comes_back() -> None:
    seen = polled(SMOOTHED_CHARGE, NAVIGATION, 7200.0, every_s=60.0)
    wrong_ratios = []
    for i in range(0, len(seen) - 20, 20):
        a, b = seen[i], seen[i + 20]
        counted_mah = ((a[2].counter_raw or 0) - (b[2].counter_raw or 0)) / 1000
        wrong_ratios.append(counted_mah / (b[1] - a[1]) - 1.0)
    assert 0.01 < max(abs(ratio) for ratio in wrong_ratios) < 0.12
    total_mah = ((seen[0][2].counter_raw or 0) - (seen[-1][2].counter_raw or 0)) / 1000
    assert total_mah == pytest.approx(seen[-1][1] - seen[0][1], rel=0.05)


def test_the_live_counter_is_as_fine_as_stated() -> None:
    raws = [r.counter_raw or 0 for _, _, r in polled(LIVE_MICROAMP, NAVIGATION, 60.0)]
    assert gcd(*(abs(b - a) for a, b in pairwise(raws))) == 10


def test_level_is_a_ceiling_with_a_reserve_below_and_steps_both_ways() -> None:
    assert [
        gauge_of(LIVE_MICROAMP, replace(steady(1.0, 1.0), taken_mah=taken_mah)).level_pct
        for taken_mah in (0.0, 39.0, 40.0, 1960.0, 3919.0, 3921.0, 4000.0)
    ] == [100, 100, 99, 50, 1, 0, 0]
    step = steady(3600.0, 60.0)
    gauge = gauge_of(LIVE_MICROAMP, step)
    level = gauge.level_pct
    at_s = gauge.level_change_s(step)
    gauge.change_level(step)
    assert gauge.level_pct == level - 1
    assert gauge.level_change_s(step) - at_s == pytest.approx(39.2, abs=0.01)
    back = replace(step, current_ma=-3600.0, taken_mah=step.taken_at(at_s) + 1.0)
    assert gauge.level_change_s(back) == pytest.approx(back.start_s + 1.0)
    gauge.change_level(back)
    assert gauge.level_pct == level
    assert gauge.level_change_s(replace(step, current_ma=0.0)) == inf


def test_reading_ahead_leaves_the_gauge_as_it_was() -> None:
    one, other = (
        polled(SMOOTHED_CHARGE, NAVIGATION, 1500.0, every_s=every_s) for every_s in (0.1, 30.0)
    )
    at = {round(at_s, 3): reading for at_s, _, reading in one}
    assert all(at[round(at_s, 3)] == reading for at_s, _, reading in other)


def test_the_platform_is_a_minute_behind_unless_the_level_changes() -> None:
    pushes: dict[str, list[float]] = {}
    levels: dict[str, set[int]] = {}
    for profile in (LIVE_MICROAMP, PERCENT_ONLY):
        steps = steps_of(NAVIGATION, 3600.0)
        first = next(steps)
        framework = Framework(gauge_of(profile, first), first)
        seen_s, seen_pct = set(), set()
        for step in (first, *steps):
            framework.follow(step, step.end_s)
            seen_s.add(framework.shown.pushed_s)
            seen_pct.add(framework.shown.reading.level_pct)
        pushes[profile.name], levels[profile.name] = sorted(seen_s), seen_pct
    minute = [b - a for a, b in pairwise(pushes["percent_only"])]
    assert all(gap == pytest.approx(60.0) for gap in minute)
    both = [b - a for a, b in pairwise(pushes["live_microamp"])]
    assert max(both) == pytest.approx(60.0)
    assert len([gap for gap in both if gap < 59.9]) >= len(levels["live_microamp"]) - 2 > 10


def test_in_standby_the_platform_waits_ten_minutes_at_most_and_a_moment_awake() -> None:
    steps = list(steps_of(STANDBY, 4 * 3600.0))
    framework = Framework(gauge_of(PERCENT_ONLY, steps[0]), steps[0])
    pushed_s = [framework.shown.pushed_s]
    for step in steps:
        framework.follow(step, step.end_s)
        if framework.shown.pushed_s != pushed_s[-1]:
            pushed_s.append(framework.shown.pushed_s)
            assert step.awake
    gaps_s = [b - a for a, b in pairwise(pushed_s)]
    assert max(gaps_s) < 600.0 + 60.0
    assert min(gaps_s) >= 60.0
    assert sum(gaps_s) / len(gaps_s) > 200.0


def test_a_faked_platform_is_frozen_until_reset() -> None:
    steps = list(steps_of(NAVIGATION, 600.0))
    framework = Framework(gauge_of(LIVE_MICROAMP, steps[0]), steps[0])
    framework.set_plugged(steps[0], steps[0].start_s, plugged=True)
    framework.fake_unplugged()
    frozen = framework.shown
    for step in steps:
        framework.follow(step, step.end_s)
    assert framework.updates_stopped
    assert framework.shown is frozen
    assert not frozen.plugged
    framework.reset()
    assert framework.shown.pushed_s > frozen.pushed_s
    assert framework.shown.plugged


def test_status_tells_what_the_supply_does() -> None:
    step = steady(400.0, 10.0)
    framework = Framework(gauge_of(LIVE_MICROAMP, step), step)
    assert framework.status(step) == STATUS_DISCHARGING
    charging = replace(step, current_ma=-800.0)
    framework.set_plugged(charging, charging.start_s, plugged=True)
    assert framework.status(charging) == STATUS_CHARGING
    full = replace(step, current_ma=-20.0, taken_mah=0.0)
    framework = Framework(gauge_of(LIVE_MICROAMP, full), full)
    framework.set_plugged(full, full.start_s, plugged=True)
    assert framework.shown.status == STATUS_FULL
