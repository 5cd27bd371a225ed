"""The whole handset: closure, clocks, suspend, shut-off, and what can be done to it."""

from itertools import pairwise
from math import inf

import pytest

from collector.virtual.framework import STATUS_CHARGING, STATUS_DISCHARGING, STATUS_FULL
from collector.virtual.handset import (
    ALDER,
    BIRCH,
    CEDAR,
    HANDSETS,
    Handset,
    HandsetSpec,
    PhoneState,
    Stage,
)
from collector.virtual.loads import (
    GAME,
    MUSIC,
    NAVIGATION,
    PARCEL_SCANNING,
    POCKET_IDLE,
    STANDBY,
    VIDEO_BRIEFING,
    VOICE_CALL,
    Activity,
    Load,
)

HOUR_S = 3600.0
SHIFT_H = (
    (STANDBY, 0.8),
    (NAVIGATION, 1.1),
    (PARCEL_SCANNING, 0.6),
    (VOICE_CALL, 0.5),
    (MUSIC, 1.2),
    (VIDEO_BRIEFING, 0.5),
    (NAVIGATION, 1.0),
    (STANDBY, 1.0),
    (GAME, 0.3),
    (NAVIGATION, 0.7),
)


def shift() -> tuple[Stage, ...]:
    return tuple(
        Stage(activity=activity, duration_s=hours * HOUR_S, name=activity.name)
        for activity, hours in SHIFT_H
    )


def doing(
    activity: Activity,
    spec: HandsetSpec = ALDER,
    seed: int = 1,
    *,
    charge_ratio: float = 1.0,
    ambient_c: float = 22.0,
) -> Handset:
    stage = Stage(activity=activity, duration_s=HOUR_S, name="test")
    return Handset(spec, (stage,), seed, ambient_c, charge_ratio=charge_ratio)


def run_down(phone: Handset) -> Handset:
    while not phone.is_off:
        phone.advance_to(phone.boot_s + 300.0)
    return phone


def live_for(phone: Handset, seconds: float, every_s: float = 1.0) -> list[PhoneState]:
    start_s = phone.boot_s
    states = [phone.state()]
    for i in range(1, round(seconds / every_s) + 1):
        phone.advance_to(start_s + i * every_s)
        states.append(phone.state())
    return states


@pytest.mark.parametrize("spec", HANDSETS, ids=lambda spec: spec.key)
def test_a_shift_of_about_8_h_empties_each_handset(spec: HandsetSpec) -> None:
    phone = Handset(spec, shift(), 1)
    start_s = phone.boot_s
    run_down(phone)
    assert phone.off_boot_s is not None
    hours = (phone.off_boot_s - start_s) / HOUR_S
    assert 7.0 < hours < 9.5
    assert 1500 < phone.true_energy_mwh(phone.off_boot_s) / hours < 2000


@pytest.mark.parametrize("spec", HANDSETS, ids=lambda spec: spec.key)
def test_shut_off_comes_with_low_voltage_near_0_percent(spec: HandsetSpec) -> None:
    phone = run_down(doing(NAVIGATION, spec, charge_ratio=0.15))
    state = phone.state()
    assert state.live.level_pct <= 2
    assert phone.off_boot_s is not None
    again = doing(NAVIGATION, spec, charge_ratio=0.15)
    again.advance_to(phone.off_boot_s - 1e-3)
    assert not again.is_off
    assert again._hardware.step.voltage_mv[1] < spec.cell.cutoff_mv
    again.advance_to(phone.off_boot_s + 1e-3)
    assert again.off_boot_s == phone.off_boot_s


def test_the_shipped_handsets_are_what_they_claim() -> None:
    assert [spec.key for spec in HANDSETS] == ["alder", "birch", "cedar"]
    for spec in HANDSETS:
        assert abs(spec.gauge.gain_ratio) <= 0.008
        assert spec.rated_capacity_mah == pytest.approx(spec.cell.capacity_mah, rel=0.02)
        assert 3400 <= spec.cell.capacity_mah <= 4100
    assert {spec.gauge.name for spec in HANDSETS} == {
        "live_microamp",
        "milliamp_inverted",
        "percent_only",
    }


@pytest.mark.parametrize("spec", HANDSETS, ids=lambda spec: spec.key)
def test_the_energy_is_what_the_loads_asked_for(spec: HandsetSpec) -> None:
    phone = doing(NAVIGATION, spec)
    start_s = phone.boot_s
    phone.advance_to(start_s + HOUR_S)
    ratio = spec.power_ratios["navigation"]
    asked_mws, left_s = 0.0, HOUR_S
    for duration_s, power_mw, _ in Load(
        activity=NAVIGATION, seed=f"{spec.key}/1/1/0/navigation", power_ratio=ratio
    ):
        asked_mws += power_mw * min(duration_s, left_s)
        left_s -= duration_s
        if left_s <= 0:
            break
    taken_mwh = phone.true_energy_mwh(phone.boot_s)
    assert taken_mwh == pytest.approx(asked_mws / 3600, rel=2e-6)
    assert phone.true_energy_mwh(start_s) == 0.0


def test_segments_add_up() -> None:
    phone = doing(STANDBY)
    start_s = phone.boot_s
    phone.advance_to(start_s + 1000.0)
    cuts = [start_s + x for x in (0.0, 0.13, 17.0, 333.3, 999.99, 1000.0)]
    energies = [phone.true_energy_mwh(cut) for cut in cuts]
    assert energies == sorted(energies)
    assert sum(b - a for a, b in pairwise(energies)) == pytest.approx(energies[-1])
    assert phone.true_energy_mwh(start_s + 5000.0) == energies[-1]
    assert phone.true_energy_mwh(start_s - 10.0) == 0.0


def test_the_trace_is_thin_and_exact() -> None:
    phone = doing(NAVIGATION)
    start_s = phone.boot_s
    phone.advance_to(start_s + 300.0)
    times_s, energies_mwh = phone.trace()
    gaps_s = [b - a for a, b in pairwise(times_s)]
    assert min(gaps_s[:-2]) >= 0.25
    assert times_s[0] == pytest.approx(start_s)
    assert times_s[-1] == phone.boot_s
    assert [phone.true_energy_mwh(at_s) for at_s in times_s] == pytest.approx(energies_mwh)


@pytest.mark.parametrize("spec", HANDSETS, ids=lambda spec: spec.key)
@pytest.mark.parametrize("activity", [NAVIGATION, STANDBY], ids=lambda a: a.name)
def test_how_often_it_is_asked_changes_nothing(spec: HandsetSpec, activity: Activity) -> None:
    often, seldom = doing(activity, spec), doing(activity, spec)
    states = {round(s.boot_s, 6): s for s in live_for(often, 240.0, every_s=0.25)}
    assert often.next_awake(often.boot_s, 100.0) > 0.0
    for state in live_for(seldom, 240.0, every_s=60.0):
        assert states[round(state.boot_s, 6)] == state
    assert often.trace() == seldom.trace()


def test_same_seed_same_phone_and_other_seed_another() -> None:
    first, same, other = (doing(STANDBY, seed=seed) for seed in (5, 5, 6))
    until_s = first.boot_s + 900.0
    for phone in (first, same, other):
        phone.advance_to(until_s)
    assert first.trace() == same.trace()
    assert first.state() == same.state()
    assert other.trace() != first.trace()
    assert other.boot_id != first.boot_id


def test_the_awake_clock_stands_still_in_suspend() -> None:
    phone = doing(STANDBY)
    states = live_for(phone, 1800.0, every_s=0.5)
    spans = [(b.boot_s - a.boot_s, b.awake_s - a.awake_s) for a, b in pairwise(states)]
    assert all(-1e-6 <= awake <= boot + 1e-6 for boot, awake in spans)
    assert 0.8 < sum(boot - awake for boot, awake in spans) / 1800.0 < 0.95
    assert any(awake == 0.0 for _, awake in spans)
    for state in states:
        assert phone.awake_s_at(state.boot_s) == pytest.approx(state.awake_s, abs=1e-6)


def test_the_awake_clock_can_be_foretold() -> None:
    phone, later = doing(STANDBY), doing(STANDBY)
    at_s = [phone.boot_s + x for x in (0.0, 3.3, 60.0, 601.7)]
    foretold = [phone.awake_s_at(x) for x in at_s]
    later.advance_to(at_s[-1] + 10.0)
    assert foretold == pytest.approx([later.awake_s_at(x) for x in at_s])


@pytest.mark.parametrize("delay_s", [0.0, 0.4, 1.0, 7.5])
def test_a_timer_goes_off_after_its_delay_awake(delay_s: float) -> None:
    phone = doing(STANDBY)
    for _ in range(40):
        set_s = phone.boot_s + 13.7
        due_s = phone.next_awake(set_s, delay_s)
        assert due_s >= set_s + delay_s
        awake_s = phone.awake_s_at(due_s) - phone.awake_s_at(set_s)
        assert awake_s == pytest.approx(delay_s, abs=1e-6)
        phone.advance_to(due_s)
        assert phone._hardware.step.awake


def test_a_timer_on_a_phone_that_stays_awake_is_on_time() -> None:
    phone = doing(MUSIC)
    assert phone.next_awake(phone.boot_s, 30.0) == pytest.approx(phone.boot_s + 30.0)


def test_when_off_no_timer_goes_off_and_nothing_is_drawn() -> None:
    phone = run_down(doing(GAME, charge_ratio=0.05))
    off_s = phone.off_boot_s
    assert off_s is not None
    energy_mwh = phone.true_energy_mwh(off_s)
    phone.advance_to(off_s + 5000.0)
    assert phone.next_awake(phone.boot_s, 1.0) == inf
    assert phone.true_energy_mwh(phone.boot_s) == pytest.approx(energy_mwh)
    assert phone.awake_s_at(phone.boot_s) == pytest.approx(phone.awake_s_at(off_s))
    assert phone.awake_s_at(phone.boot_s + 100.0) == pytest.approx(phone.awake_s_at(off_s))
    phone.set_activity(NAVIGATION)
    phone.advance_to(off_s + 6000.0)
    assert phone.true_energy_mwh(phone.boot_s) == pytest.approx(energy_mwh)


def test_the_schedule_is_followed_and_then_the_last_goes_on_or_the_phone_lies_idle() -> None:
    stages = [
        Stage(activity=NAVIGATION, duration_s=100.0, name="out"),
        Stage(activity=VOICE_CALL, duration_s=50.0, name="call"),
    ]
    for until_off, last in ((True, VOICE_CALL), (False, POCKET_IDLE)):
        phone = Handset(ALDER, stages, 3, until_off=until_off)
        start_s = phone.boot_s
        seen = []
        for at_s in (0.0, 99.99, 100.01, 149.99, 150.01, 500.0):
            phone.advance_to(start_s + at_s)
            seen.append(phone.activity)
        assert seen == [NAVIGATION, NAVIGATION, VOICE_CALL, VOICE_CALL, last, last]


def test_set_activity_takes_over_at_once() -> None:
    phone = doing(NAVIGATION)
    phone.advance_to(phone.boot_s + 61.03)
    at_s, energy_mwh = phone.boot_s, phone.true_energy_mwh(phone.boot_s)
    phone.next_awake(phone.boot_s, 50.0)
    phone.set_activity(POCKET_IDLE)
    phone.advance_to(at_s + 600.0)
    state = phone.state()
    assert state.wakefulness == "Asleep"
    assert state.brightness == NAVIGATION.context.brightness
    assert 0.0 < phone.true_energy_mwh(phone.boot_s) - energy_mwh < 20 * 600 / 3600
    assert phone.true_energy_mwh(at_s) == pytest.approx(energy_mwh, rel=1e-4)


def test_context_comes_from_the_activity() -> None:
    navigating, calling = (live_for(doing(a), 10.0)[-1] for a in (NAVIGATION, VOICE_CALL))
    assert navigating.wakefulness == "Awake"
    assert navigating.context.foreground == "org.example.wayfinder/.GuidanceActivity"
    assert 0.0 <= navigating.awake_s - navigating.last_user_activity_s < 7.0
    assert calling.wakefulness == "Asleep"
    assert calling.context.call_state == 2
    assert calling.awake_s - calling.last_user_activity_s == pytest.approx(10.0)


def test_a_heavy_load_warms_the_phone_and_a_warm_room_throttles_it() -> None:
    states = live_for(doing(GAME, ambient_c=28.0), 2 * HOUR_S, every_s=600.0)
    warmths = [state.warmth for state in states]
    assert warmths[-1].battery_c > warmths[0].battery_c + 10.0
    assert warmths[0].status == 0 < warmths[-1].status <= 3
    assert warmths[-1].cpu_c > warmths[-1].skin_c > 38.5
    assert states[-1].live.temperature_dc == pytest.approx(warmths[-1].battery_c * 10, abs=2)


def test_plugged_it_charges_and_stays_awake() -> None:
    phone = doing(STANDBY, charge_ratio=0.5)
    live_for(phone, 100.0)
    energy_mwh, awake_s = phone.true_energy_mwh(phone.boot_s), phone.state().awake_s
    phone.plug(True)
    plugged = phone.state()
    assert plugged.plugged
    assert plugged.shown.plugged
    assert plugged.shown.status == STATUS_CHARGING
    state = live_for(phone, 600.0, every_s=10.0)[-1]
    assert state.awake_s - awake_s == pytest.approx(600.0, abs=1e-3)
    assert state.live.current_raw is not None
    assert state.live.current_raw > 1_000_000
    assert phone.true_energy_mwh(phone.boot_s) < energy_mwh - 900.0
    assert state.live.level_pct > plugged.live.level_pct
    phone.plug(False)
    phone.plug(False)
    unplugged = phone.state()
    assert unplugged.shown.status == STATUS_DISCHARGING
    assert not unplugged.shown.plugged


def test_charging_tapers_and_ends_at_full() -> None:
    phone = doing(POCKET_IDLE, BIRCH, charge_ratio=0.8)
    phone.plug(True)
    states = live_for(phone, 3 * HOUR_S, every_s=60.0)
    assert all(state.live.voltage_uv < 4_420_000 for state in states)
    assert states[0].status == STATUS_CHARGING
    assert states[-1].shown.status == STATUS_FULL
    assert states[-1].live.level_pct == 100


def test_an_inverted_gauge_shows_charging_as_negative() -> None:
    phone = doing(STANDBY, BIRCH, charge_ratio=0.5)
    phone.plug(True)
    phone.advance_to(phone.boot_s + 60.0)
    current_raw = phone.state().live.current_raw
    assert current_raw is not None
    assert -2500 < current_raw < -1000


def test_after_a_reboot_clocks_start_at_0_and_the_truth_goes_on() -> None:
    phone = doing(NAVIGATION)
    phone.advance_to(phone.boot_s + 120.5)
    before, old_boot_id = phone.state(), phone.boot_id
    energy_mwh = phone.true_energy_mwh(phone.boot_s)
    phone.reboot()
    assert phone.boot_s == 0.0
    assert phone.boot_id != old_boot_id
    phone.advance_to(60.0)
    state = phone.state()
    assert state.boot_s == pytest.approx(60.0)
    assert state.awake_s == pytest.approx(60.0, abs=1e-3)
    assert state.epoch_s - before.epoch_s == pytest.approx(60.0)
    assert 0.0 <= state.last_user_activity_s <= state.awake_s
    assert phone.true_energy_mwh(0.0) == pytest.approx(energy_mwh, rel=1e-4)
    assert phone.true_energy_mwh(before.boot_s, old_boot_id) == phone.true_energy_mwh(0.0)
    assert phone.trace()[0][0] == pytest.approx(0.0, abs=1e-5)
    assert state.live.counter_raw is not None
    assert before.live.counter_raw is not None
    assert 0 < before.live.counter_raw - state.live.counter_raw < 30_000


def test_a_phone_that_shut_off_charges_and_comes_back_by_a_reboot() -> None:
    phone = run_down(doing(GAME, charge_ratio=0.05))
    phone.plug(True)
    phone.advance_to(phone.boot_s + HOUR_S)
    assert phone.off_boot_s is not None
    phone.reboot()
    phone.plug(False)
    states = live_for(phone, 600.0, every_s=60.0)
    assert not phone.is_off
    assert states[-1].live.level_pct > 30
    assert phone.activity is STANDBY


def test_an_empty_phone_without_a_supply_goes_off_again() -> None:
    phone = run_down(doing(GAME, charge_ratio=0.01))
    phone.reboot()
    phone.set_activity(GAME)
    phone.advance_to(600.0)
    assert phone.is_off


def test_the_wall_clock_jumps_alone() -> None:
    phone, other = doing(NAVIGATION), doing(NAVIGATION)
    phone.jump_wall_clock(-3600.0)
    for each in (phone, other):
        each.advance_to(each.boot_s + 10.0)
    assert phone.state().epoch_s == other.state().epoch_s - 3600.0
    assert phone.state().boot_s == other.state().boot_s


def test_a_faked_state_freezes_what_the_platform_shows_but_not_the_gauge() -> None:
    phone = doing(GAME)
    phone.advance_to(phone.boot_s + 100.0)
    phone.fake_unplugged()
    faked = phone.state()
    phone.advance_to(phone.boot_s + 900.0)
    later = phone.state()
    assert faked.updates_stopped
    assert later.updates_stopped
    assert later.shown == faked.shown
    assert later.live.level_pct < faked.live.level_pct
    phone.reset_faked()
    assert phone.state().shown.reading.level_pct == later.live.level_pct


def test_a_percent_only_phone_shows_neither_current_nor_counter() -> None:
    states = live_for(doing(NAVIGATION, CEDAR), 1800.0, every_s=5.0)
    assert {(s.live.current_raw, s.live.counter_raw) for s in states} == {(None, None)}
    pushes_s = sorted({s.shown.pushed_s for s in states})
    assert all(b - a == pytest.approx(60.0) for a, b in pairwise(pushes_s))
    assert len({s.shown.reading.level_pct for s in states}) > 3


def test_the_truth_is_kept_step_by_step_and_nothing_else_piles_up() -> None:
    """Three floats per step: some 2 MB for a day of 8 h."""
    phone = doing(NAVIGATION)
    phone.advance_to(phone.boot_s + 2 * HOUR_S)
    trace = phone._hardware.trace
    n_steps = len(trace._at_s)
    assert 2.0 < n_steps / (2 * HOUR_S) < 5.0
    assert len(phone._hardware.schedule._ahead) == 0
