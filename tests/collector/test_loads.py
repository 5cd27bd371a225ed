"""The loads: how much, how bursty, how asleep, and always the same."""

from itertools import islice

import pytest

from collector.virtual.loads import (
    ACTIVITIES,
    CALL_ACTIVE,
    POCKET_IDLE,
    STANDBY,
    VOICE_CALL,
    Activity,
    Load,
    LoadEvent,
)

SPAN_S = 4 * 3600.0


def events(activity: Activity, seed: str = "7", span_s: float = SPAN_S) -> list[LoadEvent]:
    taken: list[LoadEvent] = []
    for event in Load(activity=activity, seed=seed):
        taken.append(event)
        span_s -= event[0]
        if span_s <= 0:
            break
    return taken


def mean_mw(taken: list[LoadEvent]) -> float:
    return sum(s * mw for s, mw, _ in taken) / sum(s for s, _, _ in taken)


@pytest.mark.parametrize(
    ("name", "low_mw", "high_mw"),
    [
        ("navigation", 2500, 2850),
        ("voice_call", 1000, 1120),
        ("parcel_scanning", 2600, 2950),
        ("standby", 88, 112),
        ("pocket_idle", 13, 17),
        ("music", 400, 450),
        ("video_briefing", 1450, 1600),
        ("game", 3700, 4150),
    ],
)
def test_mean_power(name: str, low_mw: float, high_mw: float) -> None:
    activity = next(each for each in ACTIVITIES if each.name == name)
    assert low_mw < mean_mw(events(activity)) < high_mw


@pytest.mark.parametrize("activity", ACTIVITIES, ids=lambda a: a.name)
def test_same_seed_same_events(activity: Activity) -> None:
    load = Load(activity=activity, seed="x")
    first = list(islice(load, 200))
    assert list(islice(load, 200)) == first
    assert list(islice(Load(activity=activity, seed="y"), 200)) != first


@pytest.mark.parametrize("activity", ACTIVITIES, ids=lambda a: a.name)
def test_bursts_stay_within_their_bounds(activity: Activity) -> None:
    low_mw, high_mw = activity.burst_mw
    bursts = [e for e in events(activity) if e[2] and e[1] != activity.base_mw]
    assert len(bursts) > 20
    assert all(low_mw <= mw - activity.base_mw <= high_mw for _, mw, _ in bursts)
    assert all(0.0 < s <= activity.burst_s[1] <= 2.0 for s, _, _ in bursts)
    assert activity.burst_s[0] >= 0.05


@pytest.mark.parametrize("activity", ACTIVITIES, ids=lambda a: a.name)
def test_every_event_lasts_and_draws(activity: Activity) -> None:
    assert all(s > 0.0 and mw > 0.0 for s, mw, _ in events(activity))


@pytest.mark.parametrize("activity", ACTIVITIES, ids=lambda a: a.name)
def test_only_what_may_doze_sleeps(activity: Activity) -> None:
    asleep = [e for e in events(activity) if not e[2]]
    assert bool(asleep) == (activity.doze is not None)


def test_standby_sleeps_20_to_60_s_and_wakes_for_a_few_seconds_or_a_sync() -> None:
    wakes_s: list[float] = [0.0]
    sleeps_s: list[float] = []
    powers_mw: list[float] = []
    for duration_s, power_mw, awake in events(STANDBY):
        if awake:
            wakes_s[-1] += duration_s
            powers_mw.append(duration_s * power_mw)
        else:
            assert power_mw == 8.0
            sleeps_s.append(duration_s)
            wakes_s.append(0.0)
    wakes_s = [s for s in wakes_s if s > 0.0]
    short = [s for s in wakes_s[:-1] if s <= 3.0]
    assert min(sleeps_s) >= 20.0
    assert max(sleeps_s) <= 60.0
    assert all(1.0 <= s <= 3.0 or 14.0 <= s <= 26.0 for s in wakes_s[:-1])
    assert 0.7 < len(short) / len(wakes_s) < 0.9
    assert 500.0 < sum(powers_mw) / sum(wakes_s) < 900.0


def test_pocket_idle_is_almost_always_asleep() -> None:
    taken = events(POCKET_IDLE)
    asleep_s = sum(s for s, _, awake in taken if not awake)
    assert asleep_s / sum(s for s, _, _ in taken) > 0.99


def test_a_phone_that_needs_more_power_needs_it_all_the_time() -> None:
    plain = islice(Load(activity=STANDBY, seed="z"), 300)
    hungry = islice(Load(activity=STANDBY, seed="z", power_ratio=1.25), 300)
    for (s, mw, awake), (hungry_s, hungry_mw, hungry_awake) in zip(plain, hungry, strict=True):
        assert (hungry_s, hungry_awake) == (s, awake)
        assert hungry_mw == pytest.approx(1.25 * mw)


def test_every_activity_tells_a_context_that_fits() -> None:
    for activity in ACTIVITIES:
        context = activity.context
        assert context.screen_on == (context.foreground is not None)
        awake_in_the_dark = not context.screen_on and activity.doze is None
        assert (context.wake_lock is not None) == awake_in_the_dark
    assert VOICE_CALL.context.call_state == CALL_ACTIVE
    assert len({activity.name for activity in ACTIVITIES}) == len(ACTIVITIES) == 8
