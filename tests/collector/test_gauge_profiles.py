"""Unit and sign of every virtual gauge, from dumps: right or 'cannot tell', never wrong."""

import random
from dataclasses import replace
from datetime import timedelta

import pytest

from collector.onphone import FastSource, LoopSettings
from collector.virtual.clock import VIRTUAL_START_UTC
from collector.virtual.handset import ALDER, BIRCH, CEDAR, Handset, HandsetSpec, Stage
from collector.virtual.loads import (
    GAME,
    MUSIC,
    NAVIGATION,
    PARCEL_SCANNING,
    POCKET_IDLE,
    STANDBY,
    VIDEO_BRIEFING,
    VOICE_CALL,
)
from collector.virtual.loop import LoopTwin
from collector.virtual.profiles import (
    LIVE_MICROAMP,
    PROFILES,
    CounterKind,
    CounterUnit,
    CurrentMode,
    CurrentSign,
    GaugeProfile,
)
from parsers.assemble import Assembler
from parsers.gauge import GaugeDecision, GaugeSamples, decide
from parsers.schema import ContextChange, Reading

MIXED_USE = (
    Stage(name="navigation", activity=NAVIGATION, duration_s=240.0),
    Stage(name="voice call", activity=VOICE_CALL, duration_s=180.0),
    Stage(name="parcel scanning", activity=PARCEL_SCANNING, duration_s=1e6),
)
STANDBY_ALONE = (Stage(name="standby", activity=STANDBY, duration_s=1e6),)
TRUE_SIGN = {CurrentSign.DOCUMENTED: 1, CurrentSign.INVERTED: -1, CurrentSign.ABSOLUTE: 0}
TRUE_COUNTER = {CounterUnit.UAH: "uAh", CounterUnit.MAH: "mAh", CounterUnit.TENTH: "10uAh"}
VARIANTS = [
    replace(
        LIVE_MICROAMP,
        name=f"{'mA' if in_ma else 'uA'}-{sign.name.lower()}-{counter}",
        current_in_ma=in_ma,
        current_resolution_ma=1.0 if in_ma else 0.15625,
        current_sign=sign,
        counter=kind,
        counter_unit=unit,
        counter_lsb_mah=1.0 if unit is CounterUnit.MAH else 0.5,
    )
    for in_ma in (False, True)
    for sign in CurrentSign
    for counter, kind, unit in (
        ("uah", CounterKind.CUMULATIVE, CounterUnit.UAH),
        ("mah", CounterKind.CUMULATIVE, CounterUnit.MAH),
        ("tenth", CounterKind.CUMULATIVE, CounterUnit.TENTH),
        ("stuck", CounterKind.STUCK, CounterUnit.UAH),
        ("absent", CounterKind.NONE, CounterUnit.UAH),
    )
]
EVERY = [*PROFILES, *VARIANTS]
HALF_SEEN = [replace(each, name=f"{each.name}-half", gain_ratio=-0.5) for each in VARIANTS]
"""Gauges that see one of two cells or packs."""
DAYS = [MIXED_USE, STANDBY_ALONE] + [
    (Stage(name=each.name, activity=each, duration_s=1e6),)
    for each in (POCKET_IDLE, MUSIC, VOICE_CALL, VIDEO_BRIEFING, GAME)
]


def recorded(
    profile: GaugeProfile,
    stages: tuple[Stage, ...] = MIXED_USE,
    *,
    minutes: float = 10.0,
    charging_s: float = 0.0,
    spec: HandsetSpec = ALDER,
    seed: int = 1,
    tick_ms: int = 1000,
    charge_ratio: float = 0.8,
    capacity_mah: float | None = None,
) -> GaugeDecision:
    """The decision after a recording of that length, as the on-phone recorder writes it."""
    handset = Handset(replace(spec, gauge=profile), stages, seed=seed, charge_ratio=charge_ratio)
    fast: FastSource = "uevent" if profile.has_sysfs else "property"
    loop = LoopTwin(LoopSettings(fast=fast, tick_ms=tick_ms))
    assembler = Assembler("alder-1")
    readings: list[Reading] = []
    changes: list[ContextChange] = []
    handset.advance_to(handset.boot_s + 30.0)
    unplug_s = handset.boot_s + charging_s
    handset.plug(charging_s > 0)
    while handset.boot_s < unplug_s + minutes * 60:
        if handset.boot_s >= unplug_s:
            handset.plug(False)
        block = loop.block(handset.state())
        utc = VIRTUAL_START_UTC + timedelta(seconds=block.boot_s)
        tick = assembler.feed(block, utc, block.boot_s)
        readings.append(tick.reading)
        changes += tick.changes
        handset.advance_to(handset.next_awake(handset.boot_s, loop.wait_s(block.boot_s)))
    assert not assembler.unread
    assert not assembler.refused
    return decide(GaugeSamples.from_readings(readings, capacity_mah, changes))


def assert_never_wrong(decision: GaugeDecision, profile: GaugeProfile) -> None:
    has_current = profile.current is not CurrentMode.NONE
    unit = ("mA" if profile.current_in_ma else "uA") if has_current else None
    assert decision.current_unit in (unit, None)
    assert decision.current_sign in (
        TRUE_SIGN[profile.current_sign] if has_current else None,
        None,
    )
    if profile.counter in (CounterKind.CUMULATIVE, CounterKind.TICK, CounterKind.SMOOTHED):
        assert decision.counter_unit in (TRUE_COUNTER[profile.counter_unit], None)
    else:
        assert decision.counter_unit is None
    assert decision.why


@pytest.mark.parametrize("profile", EVERY, ids=lambda profile: profile.name)
def test_ten_minutes_unplugged_tell_the_unit(profile: GaugeProfile) -> None:
    decision = recorded(profile)
    assert_never_wrong(decision, profile)
    if profile.current is CurrentMode.NONE:
        assert decision.confidence == 0.0
        return
    assert decision.current_unit == ("mA" if profile.current_in_ma else "uA"), decision.why
    documented = profile.current_sign is CurrentSign.DOCUMENTED
    assert decision.current_sign == (1 if documented else None)
    assert decision.out_is_positive is not documented
    drawn_ma = decision.current_ma(-500 if documented else 500, plugged=False)
    assert drawn_ma is not None
    assert drawn_ma < 0, "on battery the direction is known even while the sign is not"
    if profile.counter is CounterKind.CUMULATIVE:
        assert decision.counter_unit == TRUE_COUNTER[profile.counter_unit], decision.why


@pytest.mark.parametrize("profile", EVERY, ids=lambda profile: profile.name)
def test_five_minutes_of_charging_before_tell_the_sign(profile: GaugeProfile) -> None:
    decision = recorded(profile, charging_s=300.0)
    assert_never_wrong(decision, profile)
    if profile.current is not CurrentMode.NONE and profile.refresh_s < 20.0:
        assert decision.current_sign == TRUE_SIGN[profile.current_sign], decision.why


@pytest.mark.parametrize("spec", [BIRCH, CEDAR], ids=lambda spec: spec.key)
@pytest.mark.parametrize("minutes", [1.0, 3.0, 10.0])
@pytest.mark.parametrize("stages", [MIXED_USE, STANDBY_ALONE], ids=["mixed", "standby"])
def test_whatever_the_recording_it_is_never_wrong(
    stages: tuple[Stage, ...], minutes: float, spec: HandsetSpec
) -> None:
    for seed, profile in enumerate(EVERY):
        decision = recorded(profile, stages, minutes=minutes, spec=spec, seed=seed)
        assert_never_wrong(decision, profile)


@pytest.mark.parametrize("seed", range(6))
def test_a_sample_of_all_there_can_be_is_never_wrong(seed: int) -> None:
    """Any gauge, day, phone, length, start, rate, charge, with and without a stated capacity."""
    rng = random.Random(seed)
    for _ in range(35):
        profile, spec = rng.choice(EVERY + HALF_SEEN), rng.choice([ALDER, BIRCH, CEDAR])
        minutes = rng.choice([1.0, 3.0, 10.0])
        decision = recorded(
            profile,
            rng.choice(DAYS),
            minutes=minutes,
            charging_s=rng.choice([0.0, 60.0, 300.0]),
            spec=spec,
            seed=rng.randrange(10**6),
            tick_ms=rng.choice([100, 500, 5000] if minutes == 1.0 else [1000, 5000]),
            charge_ratio=rng.choice([1.0, 0.5, 0.3]),
            capacity_mah=rng.choice([None, spec.rated_capacity_mah]),
        )
        assert_never_wrong(decision, profile)


@pytest.mark.parametrize("tick_ms", [200, 5000])
@pytest.mark.parametrize(
    "profile",
    [p for p in VARIANTS + HALF_SEEN if p.counter is CounterKind.NONE],
    ids=lambda profile: profile.name,
)
def test_mixed_use_tells_the_unit_without_a_counter_at_any_rate(
    profile: GaugeProfile, tick_ms: int
) -> None:
    decision = recorded(profile, tick_ms=tick_ms, minutes=5.0, seed=7)
    assert decision.current_unit == ("mA" if profile.current_in_ma else "uA"), decision.why


def test_what_is_missing_is_said() -> None:
    for name, reason in (
        ("mA-documented-absent", "can be in either"),
        ("uA-documented-absent", "too few to go by its size"),
    ):
        silent = next(p for p in VARIANTS if p.name == name)
        decision = recorded(silent, STANDBY_ALONE, minutes=3.0)
        for said in (reason, "screen was not on", "no whole percent", "no counter went"):
            assert said in decision.why


@pytest.mark.parametrize(
    "profile", [p for p in EVERY if p.counter in (CounterKind.STUCK, CounterKind.NONE)]
)
def test_three_minutes_of_standby_without_a_counter_tell_nothing(profile: GaugeProfile) -> None:
    decision = recorded(profile, STANDBY_ALONE, minutes=3.0)
    assert decision.current_unit is None
    assert "no current" in decision.why or "cannot tell" in decision.why
