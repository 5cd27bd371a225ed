"""Unit and sign from evidence: right, or 'cannot tell', for gauges whose truth we made."""

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.gauge import (
    COUNTER_UNITS,
    CURRENT_UNITS,
    GaugeDecision,
    GaugeOverride,
    GaugeSamples,
    decide,
    parse_override,
)
from parsers.schema import Reading

CAPACITY_MAH = 4000.0
USE_MA = (180.0, 900.0)
STANDBY_MA = (20.0, 55.0)


@dataclass(frozen=True, kw_only=True)
class Made:
    """How a recording is made; currents are positive out of the battery."""

    duration_s: int = 600
    draw_ma: tuple[float, float] = USE_MA
    charge_s: int = 0
    charge_ma: float = 1500.0
    current_unit: str | None = "uA"
    current_sign: int = 1
    counter_unit: str | None = "uAh"
    counter_sign: int = 1
    counter_lsb_mah: float = 0.1
    counter_gain: Callable[[float], float] = lambda mah: mah
    level_at_start_pct: float = 80.4
    sleep_s: int = 0
    tick_s: int = 1
    every_other_tick: bool = False
    screen_on: bool | None = None
    capacity_mah: float | None = None
    seed: int = 1


def recording(made: Made) -> GaugeSamples:
    rng = random.Random(made.seed)
    charge_mah = CAPACITY_MAH * made.level_at_start_pct / 100
    rows: list[tuple[float, int | None, int | None, float, bool, float]] = []
    awake_s, out_ma, t = 900.0, 300.0, 0
    while t < made.charge_s + made.duration_s:
        plugged = t < made.charge_s
        if rng.random() < 0.1:
            out_ma = rng.uniform(*made.draw_ma)
        flow_ma = -made.charge_ma * rng.uniform(0.9, 1.1) if plugged else out_ma
        asleep_s = made.sleep_s if made.sleep_s and t % (2 * made.sleep_s) == 0 else 0
        current, counter = None, None
        if made.current_unit is not None:
            counts = round(-flow_ma / CURRENT_UNITS[made.current_unit])
            current = abs(counts) if made.current_sign == 0 else made.current_sign * counts
        if made.counter_unit is not None:
            shown_mah = made.counter_gain(charge_mah) // made.counter_lsb_mah
            per_count = COUNTER_UNITS[made.counter_unit]
            counter = made.counter_sign * round(shown_mah * made.counter_lsb_mah / per_count)
        if made.every_other_tick:
            counter = counter if len(rows) % 5 == 4 else None
        level = float(-(-charge_mah * 100 // CAPACITY_MAH))
        rows.append((1000.0 + t, current, counter, level, plugged, awake_s))
        charge_mah -= flow_ma * made.tick_s / 3600 + 8.0 * asleep_s / 3600
        awake_s += made.tick_s
        t += made.tick_s + asleep_s
    slow = [k % 10 == 0 for k in range(len(rows))]
    return GaugeSamples(
        boot_s=[row[0] for row in rows],
        current_raw=[row[1] for row in rows],
        counter_raw=[row[2] for row in rows],
        level_pct=[row[3] for row in rows],
        plugged=[row[4] if is_slow else None for row, is_slow in zip(rows, slow, strict=True)],
        awake_s=[row[5] if is_slow else None for row, is_slow in zip(rows, slow, strict=True)],
        screen_on=[made.screen_on] * len(rows),
        capacity_mah=made.capacity_mah,
    )


def decided(**made: object) -> GaugeDecision:
    return decide(recording(replace(Made(), **made)))  # type: ignore[arg-type]


@pytest.mark.parametrize("counter_unit", list(COUNTER_UNITS))
@pytest.mark.parametrize("current_unit", list(CURRENT_UNITS))
@pytest.mark.parametrize("current_sign", [1, -1, 0])
def test_ten_minutes_of_use_tell_all_units(
    current_unit: str, current_sign: int, counter_unit: str
) -> None:
    decision = decided(
        current_unit=current_unit,
        current_sign=current_sign,
        counter_unit=counter_unit,
        counter_lsb_mah=1.0,
    )
    assert (decision.current_unit, decision.counter_unit) == (current_unit, counter_unit)
    assert decision.counter == "cumulative"
    assert decision.current_sign == (1 if current_sign == 1 else None)
    assert decision.confidence >= 0.99


@pytest.mark.parametrize("current_sign", [1, -1, 0])
def test_charging_before_tells_the_sign(current_sign: int) -> None:
    assert decided(current_sign=current_sign, charge_s=300).current_sign == current_sign


@given(
    st.builds(
        Made,
        duration_s=st.integers(20, 1500),
        draw_ma=st.sampled_from([USE_MA, STANDBY_MA, (60.0, 90.0), (3.0, 9.0)]),
        charge_s=st.sampled_from([0, 200]),
        current_unit=st.sampled_from(["uA", "mA", None]),
        current_sign=st.sampled_from([1, -1, 0]),
        counter_unit=st.sampled_from([*COUNTER_UNITS, None]),
        counter_sign=st.sampled_from([1, -1]),
        counter_lsb_mah=st.sampled_from([1.0, 10.0, 40.0]),
        sleep_s=st.sampled_from([0, 5, 30]),
        tick_s=st.sampled_from([1, 5, 10, 30]),
        every_other_tick=st.booleans(),
        screen_on=st.sampled_from([None, True]),
        capacity_mah=st.sampled_from([None, 3800.0]),
        seed=st.integers(0, 99),
    )
)
@settings(deadline=None, max_examples=150)
def test_never_wrong(made: Made) -> None:
    if made.screen_on and made.draw_ma[1] < 20.0:
        made = replace(made, screen_on=None)  # no lit screen draws so little
    decision = decide(recording(made))
    assert decision.current_unit in (made.current_unit, None)
    assert decision.current_sign in (made.current_sign, None)
    assert decision.counter_unit in (made.counter_unit, None)
    assert decision.why
    known = decision.current_unit if made.current_unit else decision.counter_unit
    assert (decision.confidence > 0) == (known is not None)


def test_capacity_stated_tells_a_counter_alone() -> None:
    made = {"current_unit": None, "duration_s": 1800, "capacity_mah": 3900.0}
    assert decided(**made, counter_unit="10uAh").counter_unit == "10uAh"


def test_counter_alone_without_capacity_needs_three_steps_of_level() -> None:
    assert decided(current_unit=None, duration_s=300).counter_unit is None
    assert decided(current_unit=None, duration_s=1800).counter_unit == "uAh"


@pytest.mark.parametrize("current_unit", list(CURRENT_UNITS))
def test_short_standby_without_counter_cannot_be_told(current_unit: str) -> None:
    decision = decided(
        current_unit=current_unit, counter_unit=None, draw_ma=STANDBY_MA, duration_s=240
    )
    assert decision.current_unit is None
    assert decision.confidence == 0.0
    assert "cannot tell" in decision.why
    assert decision.counter == "absent"


@pytest.mark.parametrize("current_unit", list(CURRENT_UNITS))
def test_counter_proves_short_standby(current_unit: str) -> None:
    decision = decided(
        current_unit=current_unit, draw_ma=STANDBY_MA, duration_s=240, counter_lsb_mah=0.1
    )
    assert (decision.current_unit, decision.counter_unit) == (current_unit, "uAh")


def test_a_fine_counter_tells_within_a_minute() -> None:
    decision = decided(duration_s=45, current_unit="mA", counter_lsb_mah=0.01)
    assert (decision.current_unit, decision.counter_unit) == ("mA", "uAh")


def test_a_lit_screen_tells_milliamps_at_once() -> None:
    made = {"current_unit": "mA", "counter_unit": None, "duration_s": 120}
    assert decided(**made).current_unit is None
    assert decided(**made, screen_on=True).current_unit == "mA"


def test_level_tells_milliamps_later() -> None:
    made = {"current_unit": "mA", "counter_unit": None}
    assert decided(**made, duration_s=1800).current_unit == "mA"


def test_undetected_sleep_is_not_taken_for_a_unit() -> None:
    samples = recording(Made(sleep_s=15, duration_s=3600, current_unit="mA", counter_unit="mAh"))
    decision = decide(replace(samples, awake_s=[None] * len(samples.boot_s)))
    assert decision.current_unit in ("mA", None)
    assert decision.counter_unit in ("mAh", None)


@pytest.mark.parametrize(
    ("made", "kind"),
    [
        ({"counter_unit": None}, "absent"),
        ({"counter_gain": lambda _: 0.0}, "absent"),
        ({"counter_gain": lambda _: 1000.0}, "stuck"),
        ({"counter_gain": lambda _: 1000.0, "duration_s": 60}, "unknown"),
        ({"counter_lsb_mah": 20.0, "duration_s": 240}, "unknown"),
        ({"counter_gain": lambda mah: -(-mah // 40) * 40, "duration_s": 2400}, "tick"),
        ({"counter_lsb_mah": 0.01}, "cumulative"),
    ],
)
def test_kind_of_counter(made: dict[str, object], kind: str) -> None:
    decision = decided(**made)
    assert decision.counter == kind
    in_short = made.get("duration_s", 600) in (60, 240)
    assert decision.current_unit == (None if in_short else "uA")
    if kind in ("absent", "stuck", "unknown"):
        assert decision.counter_unit is None
        assert decision.counter_mah(1234) is None


def test_tick_counter_has_a_unit_after_a_while() -> None:
    decision = decided(counter_gain=lambda mah: -(-mah // 40) * 40, duration_s=3600)
    assert (decision.counter, decision.counter_unit) == ("tick", "uAh")


def test_counter_that_counts_up_is_turned_round() -> None:
    decision = decided(counter_sign=-1)
    assert decision.counter_sign == -1
    assert decision.counter_mah(-2_000_000) == pytest.approx(2000.0)


def test_counter_both_ways_has_no_unit() -> None:
    rng = random.Random(5)
    decision = decided(counter_gain=lambda mah: mah + rng.uniform(-30, 30))
    assert decision.counter_unit is None
    assert decision.current_unit == "uA"


def test_counter_that_contradicts_level_and_current_is_left_out() -> None:
    decision = decided(counter_gain=lambda mah: 50 * mah, duration_s=1800)
    assert decision.counter == "unknown"
    assert decision.current_unit == "uA"
    assert "contradicts" in decision.why


def test_evidence_that_contradicts_itself_decides_nothing() -> None:
    samples = recording(Made(duration_s=1800, counter_unit=None))
    raised = [i and 40 * i for i in samples.current_raw]
    decision = decide(replace(samples, current_raw=raised))
    assert decision.current_unit is None
    assert decision.confidence == 0.0


def test_frozen_current_is_no_evidence() -> None:
    samples = recording(Made(counter_unit=None))
    decision = decide(replace(samples, current_raw=[-312_000] * len(samples.boot_s)))
    assert decision.current_unit is None
    assert "frozen" in decision.why


def test_zero_current_is_none() -> None:
    samples = recording(Made())
    decision = decide(replace(samples, current_raw=[0] * len(samples.boot_s)))
    assert decision.current_unit is None
    assert decision.why.startswith("no current")
    assert decision.counter == "cumulative"


def test_mixed_signs_on_battery_tell_no_sign() -> None:
    samples = recording(Made())
    mixed = [i if k % 2 or i is None else -i for k, i in enumerate(samples.current_raw)]
    decision = decide(replace(samples, current_raw=mixed))
    assert decision.current_sign is None
    assert decision.current_ma(-312_000, plugged=False) is None


def test_negative_while_charging_too_tells_no_sign() -> None:
    samples = recording(Made(charge_s=400))
    negative = [None if i is None else -abs(i) for i in samples.current_raw]
    assert decide(replace(samples, current_raw=negative)).current_sign is None


def test_a_plug_flag_read_long_ago_is_not_believed() -> None:
    samples = recording(Made(current_sign=-1, charge_s=290, duration_s=15, draw_ma=STANDBY_MA))
    seldom = [flag if k % 150 == 0 else None for k, flag in enumerate(samples.plugged)]
    assert decide(replace(samples, plugged=seldom)).current_sign is None


def test_weak_charger_is_not_taken_for_charging() -> None:
    decision = decided(current_sign=-1, charge_s=300, charge_ma=-150.0)
    assert decision.current_sign is None


def test_charging_on_supply_alone_tells_nothing() -> None:
    decision = decided(duration_s=0, charge_s=900)
    assert decision.current_unit is None
    assert decision.current_sign is None


def test_without_plug_flags_a_falling_level_stands_for_battery() -> None:
    samples = recording(Made(duration_s=2400))
    unknown = replace(samples, plugged=[None] * len(samples.boot_s))
    assert decide(unknown).current_unit == "uA"
    assert decide(unknown).current_sign == 1
    steady = replace(unknown, level_pct=[None] * len(samples.boot_s))
    assert decide(steady).current_unit is None


def test_reboot_breaks_the_record_but_not_the_decision() -> None:
    a, b = recording(Made(duration_s=500)), recording(Made(duration_s=500, seed=2))
    joined = GaugeSamples(
        boot_s=[*a.boot_s, *b.boot_s],
        current_raw=[*a.current_raw, *b.current_raw],
        counter_raw=[*a.counter_raw, *b.counter_raw],
        level_pct=[*a.level_pct, *b.level_pct],
        plugged=[*a.plugged, *b.plugged],
        awake_s=[*a.awake_s, *b.awake_s],
    )
    decision = decide(joined)
    assert (decision.current_unit, decision.counter_unit) == ("uA", "uAh")


def test_current_is_positive_into_the_battery() -> None:
    documented = GaugeDecision(current_unit="uA", current_sign=1)
    inverted = GaugeDecision(current_unit="mA", current_sign=-1)
    magnitude = GaugeDecision(current_unit="mA", current_sign=0)
    unsure = GaugeDecision(current_unit="mA", out_is_positive=True)
    assert documented.current_ma(-312_000, plugged=False) == pytest.approx(-312.0)
    assert inverted.current_ma(-312, plugged=True) == 312.0
    assert magnitude.current_ma(312, plugged=False) == -312.0
    assert unsure.current_ma(312, plugged=False) == -312.0
    for decision in (magnitude, unsure):
        assert decision.current_ma(312, plugged=True) is None
        assert decision.current_ma(312, plugged=None) is None
    assert documented.current_ma(None, plugged=False) is None
    assert GaugeDecision().current_ma(312, plugged=False) is None


def test_the_user_knows_better() -> None:
    samples = recording(Made(draw_ma=STANDBY_MA, duration_s=60, counter_unit=None))
    stated = GaugeOverride(current_unit="uA", current_sign=1, counter_unit="mAh")
    decision = decide(samples, stated)
    assert (decision.current_unit, decision.current_sign) == ("uA", 1)
    assert (decision.counter_unit, decision.counter) == ("mAh", "absent")
    assert decision.confidence == 1.0
    assert decision.why.startswith("stated by the user: current_unit uA, current_sign 1")
    short = decide(
        recording(Made(duration_s=10, counter_lsb_mah=20.0)), GaugeOverride(counter_unit="uAh")
    )
    assert short.counter == "cumulative"
    assert short.counter_mah(2_000_000) == pytest.approx(2000.0)


@pytest.mark.parametrize(
    "wrong",
    [{"current_unit": "A"}, {"current_sign": 2}, {"counter_unit": "Ah"}, {"counter": "fine"}],
)
def test_override_refuses_other_words(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="use one of"):
        GaugeOverride(**wrong)  # type: ignore[arg-type]


def test_readings_become_samples_without_simulated_flags() -> None:
    made = recording(Made(duration_s=30))
    readings = [
        Reading(
            phone="alder-1",
            boot_id="1a2b3c4d",
            seq=k,
            host_utc=datetime(2026, 5, 4, tzinfo=UTC),
            host_s=t,
            boot_s=t,
            awake_s=t,
            level_pct=80.0,
            current_raw=-300_000,
            charge_counter_raw=3_200_000,
            plugged=False,
            trusted=k % 2 == 0,
        )
        for k, t in enumerate(made.boot_s)
    ]
    samples = GaugeSamples.from_readings(readings, 4000.0)
    assert samples.boot_s == made.boot_s
    assert set(samples.current_raw) == {-300_000}
    assert set(samples.counter_raw) == {3_200_000}
    assert samples.plugged[:2] == [False, None]
    assert samples.level_pct[:2] == [80.0, None]
    assert samples.capacity_mah == 4000.0


def test_no_readings_at_all() -> None:
    decision = decide(GaugeSamples.from_readings([]))
    assert decision.counter == "absent"
    assert decision.confidence == 0.0


@pytest.mark.parametrize("draw_ma", [STANDBY_MA, (100.0, 300.0)])
def test_three_minutes_of_standby_prove_nothing_by_size_alone(
    draw_ma: tuple[float, float],
) -> None:
    short = {"draw_ma": draw_ma, "counter_unit": None, "duration_s": 180}
    assert decided(**short).current_unit is None
    assert decided(**short, screen_on=True).current_unit in ("uA", None)
    assert decided(**{**short, "counter_unit": "uAh"}).current_unit == "uA"


@pytest.mark.parametrize(
    ("words", "override"),
    [
        ("", GaugeOverride()),
        ("mA", GaugeOverride(current_unit="mA")),
        ("mA, inverted", GaugeOverride(current_unit="mA", current_sign=-1)),
        ("absolute,counter:10uAh", GaugeOverride(current_sign=0, counter_unit="10uAh")),
        ("counter:none,x2", GaugeOverride(counter="absent", scale=2.0)),
        ("documented,x0.5", GaugeOverride(current_sign=1, scale=0.5)),
    ],
)
def test_words_of_an_override(words: str, override: GaugeOverride) -> None:
    assert parse_override(words) == override


@pytest.mark.parametrize(
    "words", ["milliamps", "mA,uA", "counter:Ah", "x", "x99", "x0", "inverted,absolute", "ma"]
)
def test_other_words_are_refused(words: str) -> None:
    with pytest.raises(ValueError, match=r"use|twice"):
        parse_override(words)


def test_a_scale_doubles_current_and_charge() -> None:
    samples = recording(Made())
    plain, doubled = decide(samples), decide(samples, parse_override("x2"))
    assert doubled.current_ma(-500_000, plugged=False) == -1000.0
    assert plain.current_ma(-500_000, plugged=False) == -500.0
    assert doubled.counter_mah(3_000_000) == 6000.0
    assert doubled.current_unit == "uA", "the evidence still decides the rest"
    assert doubled.why.startswith("stated by the user: scale 2")
