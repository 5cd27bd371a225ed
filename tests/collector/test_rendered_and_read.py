"""What a virtual phone prints, the parsers read back: the same values, and no line left over."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import settings as limits
from hypothesis import strategies as st

from collector.virtual import dumps, dumps_context
from collector.virtual.handset import ALDER, BIRCH, CEDAR, Handset, PhoneState, Stage
from collector.virtual.loads import ACTIVITIES
from parsers.dump import known
from parsers.redact import redact
from parsers.sources import (
    battery_get,
    battery_property,
    battery_service,
    display,
    foreground,
    identity,
    idle,
    power,
    power_supply,
    settings,
    telephony,
    thermal,
    wifi,
)
from parsers.words import CALL, STATUS

states = st.builds(
    lambda spec, api, activity, charge_ratio, minutes, plugged: state_of(
        replace(spec, api=api), activity.name, charge_ratio, minutes, plugged
    ),
    st.sampled_from([ALDER, BIRCH, CEDAR]),
    st.sampled_from([28, 29, 30, 31, 33, 34, 35, 36]),
    st.sampled_from(ACTIVITIES),
    st.floats(0.1, 1.0),
    st.floats(0.0, 30.0),
    st.booleans(),
)


def state_of(
    spec: object, activity: str, charge_ratio: float, minutes: float, plugged: bool
) -> PhoneState:
    chosen = next(each for each in ACTIVITIES if each.name == activity)
    stages = (Stage(name=activity, activity=chosen, duration_s=1e6),)
    handset = Handset(spec, stages, seed=5, charge_ratio=charge_ratio)  # type: ignore[arg-type]
    handset.plug(plugged)
    handset.advance_to(handset.boot_s + 10.0 + 60.0 * minutes)
    return handset.state()


@limits(deadline=None, max_examples=60)
@given(states)
def test_battery(state: PhoneState) -> None:
    parsed = battery_service.parse(dumps.dumpsys_battery(state))
    row, shown = parsed.rows[0], state.shown
    assert not parsed.unread
    assert row.level_pct == shown.reading.level_pct
    assert row.voltage_mv == shown.voltage_mv
    assert row.temperature_c == pytest.approx(shown.reading.temperature_dc / 10)
    assert row.status == STATUS[shown.status]
    assert row.plugged is shown.plugged
    assert row.charge_counter_raw == shown.reading.counter_raw
    assert not row.updates_stopped


@limits(deadline=None, max_examples=60)
@given(states)
def test_supplies(state: PhoneState) -> None:
    text = dumps.uevents(state)
    if text is None:
        assert not state.spec.gauge.has_sysfs
        return
    parsed = power_supply.parse(text)
    row, live = parsed.rows[0], state.live
    assert not parsed.unread
    assert row.current_raw == live.current_raw
    assert row.charge_counter_raw == live.counter_raw
    assert row.voltage_mv == pytest.approx(live.voltage_uv / 1000)
    assert row.level_pct == live.level_pct
    assert row.usb_powered is state.plugged
    assert row.cycle_count == (state.spec.n_cycles or None)


@limits(deadline=None, max_examples=60)
@given(states)
def test_live_values(state: PhoneState) -> None:
    for number, value in ((1, state.live.counter_raw), (2, state.live.current_raw)):
        reply = battery_property.parse(dumps.service_call_property(state, number))
        assert not reply.unread
        assert reply.rows[0].value == (None if value is None else known(value))
    if state.spec.api >= 36:
        got = battery_get.parse(dumps.cmd_battery_get(state, "current_now")).rows[0]
        assert got.value == known(state.live.current_raw or 0)


@limits(deadline=None, max_examples=60)
@given(states)
def test_context(state: PhoneState) -> None:
    is_on = state.context.screen_on
    power_row = power.parse(dumps_context.dumpsys_power(state)).rows[0]
    assert power_row.screen == ("on" if is_on else "off")
    assert power_row.wakefulness == state.wakefulness.lower()
    assert power_row.awake_s == pytest.approx(state.awake_s, abs=1e-3)
    assert power_row.plugged is state.shown.plugged
    shown = display.parse(dumps_context.dumpsys_display(state)).rows[0]
    assert shown.screen == power_row.screen
    assert shown.brightness_ratio == pytest.approx(state.brightness / 255 if is_on else 0.0)
    app = foreground.parse(dumps_context.dumpsys_activities(state)).rows[0]
    assert app.package == ((state.context.foreground or "/").split("/", 1)[0] or None)
    sim = telephony.parse(dumps_context.dumpsys_telephony(state)).rows[0]
    assert sim.call == CALL[state.context.call_state]
    doze = idle.parse(dumps_context.dumpsys_deviceidle(state)).rows[0]
    assert doze.screen_on is is_on
    bright = settings.parse_value(
        "screen_brightness", dumps_context.settings_get(state, "system", "screen_brightness")
    )
    assert bright.rows[0].value == str(state.brightness)


@limits(deadline=None, max_examples=60)
@given(states)
def test_warmth_and_who_it_is(state: PhoneState) -> None:
    parsed = thermal.parse(dumps_context.dumpsys_thermal(state))
    assert not parsed.unread
    assert parsed.rows[0].thermal_status == state.warmth.status
    assert parsed.rows[0].from_cache is False
    by_type = {sensor.type: sensor.temperature_c for sensor in parsed.rows[0].temperatures}
    assert by_type[thermal.BATTERY_TYPE] == pytest.approx(state.warmth.battery_c, rel=1e-4)
    assert by_type[thermal.SKIN_TYPE] == pytest.approx(state.warmth.skin_c, rel=1e-4)
    who = identity.parse(dumps_context.getprop(state)).rows[0]
    assert (who.model, who.api_level) == (state.spec.model, state.spec.api)
    if state.spec.api >= 30:
        link = wifi.parse(dumps_context.cmd_wifi_status(state)).rows[0]
        assert (link.connected, link.rssi_dbm, link.frequency_mhz) == (True, -57, 5180)


@limits(deadline=None, max_examples=30)
@given(states)
def test_redacted_dumps_read_the_same_and_keep_no_secret(state: PhoneState) -> None:
    for source, text in (
        (battery_service, dumps.dumpsys_battery(state)),
        (power, dumps_context.dumpsys_power(state)),
        (telephony, dumps_context.dumpsys_telephony(state)),
        (wifi, dumps_context.cmd_wifi_status(state)),
        (identity, dumps_context.getprop(state)),
        (foreground, dumps_context.dumpsys_activities(state)),
    ):
        shown = redact(text, source)
        assert "depot" not in shown
        assert "123456789" not in shown
        assert "VIRTUAL" not in shown
        if source is not wifi or state.spec.api >= 30:
            assert source.parse(shown).rows == source.parse(text).rows
