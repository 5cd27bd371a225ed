"""The layout of every dump, line by line, for each Android version that lays it out anew."""

import re
from dataclasses import replace

import pytest

from collector.virtual.dumps import (
    LONG_MIN,
    boot_id_file,
    dumpsys_battery,
    duration_text,
    parcel_text,
    proc_uptime,
    service_call_property,
    uevent_battery,
    uevent_usb,
)
from collector.virtual.dumps_context import (
    dumpsys_activities,
    dumpsys_display,
    dumpsys_power,
    dumpsys_telephony,
    dumpsys_thermal,
    getprop,
    properties,
    settings_get,
)
from collector.virtual.handset import ALDER, BIRCH, CEDAR, Handset, HandsetSpec, PhoneState, Stage
from collector.virtual.loads import MUSIC, NAVIGATION, VOICE_CALL, Activity

VERSIONS = (28, 29, 30, 31, 33, 34, 35, 36)


def state_of(
    spec: HandsetSpec = ALDER,
    activity: Activity = NAVIGATION,
    *,
    api: int | None = None,
    charge_ratio: float = 0.63,
    plugged: bool = False,
) -> PhoneState:
    stage = Stage(activity=activity, duration_s=600.0, name="test")
    asked = spec if api is None else replace(spec, api=api)
    phone = Handset(asked, (stage,), 4, charge_ratio=charge_ratio)
    phone.advance_to(phone.boot_s + 90.0)
    if plugged:
        phone.plug(True)
    phone.advance_to(phone.boot_s + 5.0)
    return phone.state()


def keys_of(text: str) -> list[str]:
    return [line.rpartition(":")[0] or line for line in text.splitlines()]


def value_of(text: str, key: str) -> str:
    """The value of the only line `key: value` or `key=value`, indented or not."""
    (found,) = re.findall(rf"^ *{re.escape(key)}(?:: |=)(.*)$", text, re.MULTILINE)
    return str(found)


def property_of(text: str) -> tuple[int, int]:
    """Return code and value of a `service call` reply, read back from its words."""
    words = [int(word, 16) for word in re.findall(r"(?<= )[0-9a-f]{8}(?= )", text)]
    assert words[0] == 0
    assert words[2] == 1
    data = b"".join(word.to_bytes(4, "little") for word in words)
    return (
        int.from_bytes(data[4:8], "little", signed=True),
        int.from_bytes(data[12:20], "little", signed=True),
    )


def all_dumps(state: PhoneState) -> list[str]:
    texts = [
        dumpsys_battery(state),
        uevent_battery(state) or "",
        uevent_usb(state) or "",
        *(service_call_property(state, each) for each in range(1, 13)),
        proc_uptime(state),
        boot_id_file(state),
        dumpsys_power(state),
        dumpsys_activities(state),
        dumpsys_thermal(state),
        dumpsys_display(state),
        dumpsys_telephony(state),
        settings_get(state, "system", "screen_brightness"),
        getprop(state),
    ]
    return [text for text in texts if text]


@pytest.mark.parametrize("api", VERSIONS)
@pytest.mark.parametrize("spec", [ALDER, BIRCH, CEDAR], ids=lambda spec: spec.key)
def test_every_dump_is_plain_lines_with_an_end_each(spec: HandsetSpec, api: int) -> None:
    for text in all_dumps(state_of(spec, api=api)):
        assert text.endswith("\n")
        assert "\r" not in text
        assert "None" not in text
        assert text.isascii()
        assert all(line == line.rstrip() for line in text.splitlines())


BATTERY_KEYS = [
    (0, "Current Battery Service state"),
    (0, "  AC powered"),
    (0, "  USB powered"),
    (0, "  Wireless powered"),
    (33, "  Dock powered"),
    (0, "  Max charging current"),
    (
        36,
        " Time when the latest updated value of the Max charging current"
        " was sent via battery changed broadcast",
    ),
    (0, "  Max charging voltage"),
    (0, "  Charge counter"),
    (0, "  status"),
    (0, "  health"),
    (0, "  present"),
    (0, "  level"),
    (0, "  scale"),
    (0, "  voltage"),
    (
        36,
        " Time when the latest updated value of the voltage"
        " was sent via battery changed broadcast",
    ),
    (36, " The last voltage value sent via the battery changed broadcast"),
    (0, "  temperature"),
    (0, "  technology"),
    (35, "  Charging state"),
    (35, "  Charging policy"),
    (36, "  Capacity level"),
]


@pytest.mark.parametrize("api", VERSIONS)
def test_battery_lines_come_in_the_version_s_order(api: int) -> None:
    expected = [key for since_api, key in BATTERY_KEYS if api >= since_api]
    assert keys_of(dumpsys_battery(state_of(api=api))) == expected


def test_battery_values_are_the_platform_s() -> None:
    state = state_of()
    text, shown = dumpsys_battery(state), state.shown
    assert value_of(text, "Charge counter") == str(shown.reading.counter_raw)
    assert value_of(text, "level") == str(shown.reading.level_pct)
    assert value_of(text, "voltage") == str(shown.reading.voltage_uv // 1000)
    assert 3500 < int(value_of(text, "voltage")) < 4400
    assert value_of(text, "temperature") == str(shown.reading.temperature_dc)
    assert value_of(text, "status") == "3"
    assert value_of(text, "USB powered") == "false"
    assert value_of(text, "scale") == "100"
    assert value_of(text, "Max charging current") == "0"


def test_battery_values_may_be_a_minute_old() -> None:
    state = state_of()
    assert state.pushed_boot_s < state.boot_s - 1.0
    assert value_of(dumpsys_battery(state), "voltage") != str(state.live.voltage_uv // 1000)


def test_battery_on_a_supply() -> None:
    state = state_of(plugged=True)
    text = dumpsys_battery(state)
    assert value_of(text, "USB powered") == "true"
    assert value_of(text, "status") == "2"
    assert value_of(text, "Max charging current") == "500000"
    assert value_of(text, "Max charging voltage") == "5000000"
    full = replace(state, shown=replace(state.shown, status=5))
    assert value_of(dumpsys_battery(full), "Capacity level") == "5"


@pytest.mark.parametrize(("ratio", "level"), [(0.63, "3"), (0.13, "2"), (0.06, "1")])
def test_capacity_level_is_coarse(ratio: float, level: str) -> None:
    text = dumpsys_battery(state_of(charge_ratio=ratio))
    assert value_of(text, "Capacity level") == level


def test_faked_battery_says_so_on_the_second_line() -> None:
    plain = state_of()
    faked = dumpsys_battery(replace(plain, updates_stopped=True)).splitlines()
    assert faked.pop(1) == "  (UPDATES STOPPED -- use 'reset' to restart)"
    assert faked == dumpsys_battery(plain).splitlines()


def test_a_phone_without_a_counter_shows_0() -> None:
    assert value_of(dumpsys_battery(state_of(CEDAR)), "Charge counter") == "0"


def test_android_16_tells_when_it_last_told() -> None:
    state = state_of()
    lines = dumpsys_battery(state).splitlines()
    sent = f": {duration_text(state.pushed_boot_s)}"
    assert len([line for line in lines if line.endswith(sent)]) == 2
    assert re.fullmatch(r": \+1h2\dm\d{1,2}s\d{3}ms", sent)
    (older,) = [line for line in lines if line.startswith(" The last voltage value")]
    assert older.endswith(f": {state.shown.previous_voltage_mv}")


@pytest.mark.parametrize(
    ("duration_s", "text"),
    [
        (0.0, "0"),
        (0.02, "+20ms"),
        (2467.02, "+41m7s020ms"),
        (6228.458, "+1h43m48s458ms"),
        (398_012.309, "+4d14h33m32s309ms"),
        (3600.0, "+1h0m0s000ms"),
    ],
)
def test_durations(duration_s: float, text: str) -> None:
    assert duration_text(duration_s) == text


def test_uevent_is_live_and_in_kernel_units() -> None:
    state = state_of()
    text = uevent_battery(state)
    assert text is not None
    lines = text.splitlines()
    assert [line.partition("=")[0].removeprefix("POWER_SUPPLY_") for line in lines] == [
        "NAME",
        "TYPE",
        "STATUS",
        "HEALTH",
        "PRESENT",
        "TECHNOLOGY",
        "CAPACITY",
        "VOLTAGE_NOW",
        "CURRENT_NOW",
        "TEMP",
        "CHARGE_COUNTER",
        "CHARGE_FULL",
        "CHARGE_FULL_DESIGN",
        "CYCLE_COUNT",
    ]
    values = dict(line.removeprefix("POWER_SUPPLY_").split("=") for line in lines)
    assert values["STATUS"] == "Discharging"
    assert values["CURRENT_NOW"] == str(state.live.current_raw)
    assert -2_500_000 < int(values["CURRENT_NOW"]) < -200_000
    assert 3_500_000 < int(values["VOLTAGE_NOW"]) < 4_400_000
    assert values["CHARGE_COUNTER"] == str(state.live.counter_raw)
    assert values["CHARGE_FULL_DESIGN"] == "4000000"
    assert int(values["CHARGE_FULL"]) == pytest.approx(4_052_000 * 1.0042, abs=501)


def test_uevent_of_the_supply() -> None:
    for plugged, online, kind in ((False, "0", "[Unknown]"), (True, "1", "[SDP]")):
        text = uevent_usb(state_of(plugged=plugged))
        assert text is not None
        assert value_of(text, "POWER_SUPPLY_NAME") == "usb"
        assert value_of(text, "POWER_SUPPLY_ONLINE") == online
        assert kind in value_of(text, "POWER_SUPPLY_USB_TYPE")


@pytest.mark.parametrize("spec", [BIRCH, CEDAR], ids=lambda spec: spec.key)
def test_where_the_shell_may_not_read_sysfs_there_is_no_uevent(spec: HandsetSpec) -> None:
    assert uevent_battery(state_of(spec)) is None
    assert uevent_usb(state_of(spec)) is None


def test_a_uevent_lacks_what_the_gauge_lacks() -> None:
    readable = replace(CEDAR, gauge=replace(CEDAR.gauge, has_sysfs=True))
    text = uevent_battery(state_of(readable))
    assert text is not None
    assert "CURRENT_NOW" not in text
    assert "CHARGE_COUNTER" not in text


def test_a_negative_property_in_the_platform_s_hex_dump() -> None:
    state = state_of(api=33)
    live = replace(state.live, current_raw=-152_300)
    assert service_call_property(replace(state, live=live), 2) == (
        "Result: Parcel(\n"
        "  0x00000000: 00000000 00000000 00000001 fffdad14 '................'\n"
        "  0x00000010: ffffffff                            '....            ')\n"
    )


def test_text_bytes_are_shown_beside_the_hex() -> None:
    assert parcel_text([0x64636261, 0x7F20]) == (
        "Result: Parcel(\n  0x00000000: 64636261 00007f20                   'abcd ...        ')\n"
    )


@pytest.mark.parametrize("api", [33, 35])
@pytest.mark.parametrize("spec", [ALDER, BIRCH], ids=lambda spec: spec.key)
def test_properties_read_back(spec: HandsetSpec, api: int) -> None:
    state = state_of(spec, api=api)
    asked = {each: property_of(service_call_property(state, each)) for each in (1, 2, 4, 6)}
    assert asked == {
        1: (0, state.live.counter_raw),
        2: (0, state.live.current_raw),
        4: (0, state.live.level_pct),
        6: (0, 3),
    }
    assert (service_call_property(state, 1).count("ffffffff") == 1) == (api >= 35)


def test_unsupported_properties_have_a_negative_code_and_no_value() -> None:
    state = state_of(CEDAR)
    for unsupported in (1, 2, 3, 5, 7, 10, 99):
        assert property_of(service_call_property(state, unsupported)) == (-1, LONG_MIN)
    assert property_of(service_call_property(state, 4)) == (0, state.live.level_pct)


def test_clocks() -> None:
    state = state_of()
    boot, idle = proc_uptime(state).split()
    assert boot == f"{state.boot_s:.2f}"
    assert re.fullmatch(r"\d+\.\d\d", idle)
    hexed = r"[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}\n"
    assert re.fullmatch(hexed, boot_id_file(state))


@pytest.mark.parametrize("api", VERSIONS)
@pytest.mark.parametrize(
    ("activity", "word", "screen"), [(NAVIGATION, "Awake", "ON"), (MUSIC, "Asleep", "OFF")]
)
def test_power_tells_wakefulness_screen_and_plug(
    activity: Activity, word: str, screen: str, api: int
) -> None:
    text = dumpsys_power(state_of(activity=activity, api=api))
    assert text.startswith("POWER MANAGER (dumpsys power)\n")
    assert value_of(text, "mWakefulness") == word
    assert ("  mWakefulnessRaw=" in text) == (api >= 31)
    assert value_of(text, "Display Power") == f"state={screen}"
    assert value_of(text, "mIsPowered") == "false"
    assert value_of(text, "mPlugType") == "0"


def test_power_on_a_supply() -> None:
    text = dumpsys_power(state_of(plugged=True))
    assert value_of(text, "mIsPowered") == "true"
    assert value_of(text, "mPlugType") == "2"


@pytest.mark.parametrize("activity", [NAVIGATION, MUSIC], ids=lambda a: a.name)
def test_power_tells_the_awake_clock(activity: Activity) -> None:
    state = state_of(activity=activity)
    stamp = value_of(dumpsys_power(state), "mLastUserActivityTime")
    found = re.fullmatch(r"(\d+) \((\d+) ms ago\)", stamp)
    assert found is not None
    assert int(found[1]) + int(found[2]) == pytest.approx(state.awake_s * 1000, abs=1)
    assert state.awake_s < state.boot_s


def test_power_spells_a_moment_like_the_platform() -> None:
    state = state_of()
    now = replace(state, awake_s=70.0, last_user_activity_s=70.0)
    ahead = replace(state, awake_s=70.0, last_user_activity_s=70.25)
    assert value_of(dumpsys_power(now), "mLastUserActivityTime") == "70000 (now)"
    assert value_of(dumpsys_power(ahead), "mLastUserActivityTime") == "70250 (in 250 ms)"


@pytest.mark.parametrize(
    ("activity", "locks"),
    [(NAVIGATION, []), (MUSIC, ["'AudioMix'"]), (VOICE_CALL, ["'CallAudio'"])],
    ids=lambda value: getattr(value, "name", None),
)
def test_power_lists_what_keeps_the_phone_awake(activity: Activity, locks: list[str]) -> None:
    text = dumpsys_power(state_of(activity=activity))
    assert value_of(text, "Wake Locks") == f"size={len(locks)}"
    assert re.findall(r"PARTIAL_WAKE_LOCK +('.*?')", text) == locks


FOREGROUND = "org.example.wayfinder/.GuidanceActivity"
RECORD = r"ActivityRecord\{[0-9a-f]+ u0 org\.example\.wayfinder/\.GuidanceActivity"


@pytest.mark.parametrize(
    ("api", "spellings", "end"),
    [
        (28, ["    mResumedActivity: "], r" t\d+\}"),
        (29, ["    mResumedActivity: ", "  ResumedActivity: "], r" t\d+\}"),
        (30, ["    mResumedActivity: ", "  ResumedActivity: "], r" t\d+\}"),
        (31, ["    topResumedActivity=", "  ResumedActivity: "], r" t\d+\}"),
        (
            34,
            ["    topResumedActivity=", "    Resumed: ", "  ResumedActivity: "],
            r"\} t\d+\}",
        ),
        (
            36,
            ["    topResumedActivity=", "    Resumed: ", "  ResumedActivity: "],
            r" t\d+, isEmbedded=false\}",
        ),
    ],
)
def test_the_foreground_in_each_version_s_spelling(
    api: int, spellings: list[str], end: str
) -> None:
    lines = dumpsys_activities(state_of(api=api)).splitlines()
    named = [line for line in lines if FOREGROUND in line]
    assert [line[: line.index("ActivityRecord")] for line in named] == spellings
    assert all(re.search(RECORD + end + r"\Z", line) for line in named)
    if api >= 36:
        assert all(re.search(r"\{\d+ u0", line) for line in named)


@pytest.mark.parametrize(
    ("api", "line"), [(28, "  mResumedActivity: null"), (36, "  ResumedActivity: null")]
)
def test_with_the_screen_off_nothing_is_in_front(api: int, line: str) -> None:
    lines = dumpsys_activities(state_of(activity=MUSIC, api=api)).splitlines()
    assert lines[-1] == line
    assert not any("ActivityRecord" in each for each in lines)


@pytest.mark.parametrize(
    ("api", "hal", "cooling"), [(29, "2.0", False), (30, "2.0", True), (36, "AIDL 1", True)]
)
def test_thermal_blocks(api: int, hal: str, cooling: bool) -> None:
    state = state_of(api=api)
    text = dumpsys_thermal(state)
    assert value_of(text, "IsStatusOverride") == "false"
    assert value_of(text, "Thermal Status") == str(state.warmth.status) == "0"
    assert f"\n\tThermalHAL {hal} connected: yes\n" in text
    assert ("Current cooling devices from HAL:" in text) == cooling
    block = text.split("Current temperatures from HAL:\n")[1].split("Current cooling")[0]
    sensors = re.findall(
        r"\tTemperature\{mValue=([\d.]+), mType=(\d), mName=([\w-]+), mStatus=(\d)\}", block
    )
    assert [(kind, name) for _, kind, name, _ in sensors] == [
        ("2", "battery"),
        ("3", "alder-skin"),
        ("0", "alder-cpu0"),
    ]
    assert float(sensors[0][0]) == pytest.approx(state.warmth.battery_c, abs=1e-3)


@pytest.mark.parametrize(
    ("api", "shown"), [(28, "224"), (29, "224"), (30, "0.878431"), (36, "0.878431")]
)
def test_brightness_is_whole_to_android_10_and_a_ratio_after(api: int, shown: str) -> None:
    text = dumpsys_display(state_of(api=api))
    block = text.split("Display Power State:\n")[1].split("\n\n")[0]
    assert value_of(block, "mScreenState") == "ON"
    assert value_of(block, "mScreenBrightness") == shown
    assert value_of(text, "mActualBacklight") == shown
    assert ("mSdrScreenBrightness" in text) == (api >= 31)


@pytest.mark.parametrize("api", [29, 36])
def test_a_dark_screen_has_brightness_0(api: int) -> None:
    text = dumpsys_display(state_of(activity=MUSIC, api=api))
    assert value_of(text, "mScreenState") == "OFF"
    assert float(value_of(text, "mScreenBrightness")) == 0.0


@pytest.mark.parametrize(
    ("activity", "call_state"), [(NAVIGATION, "0"), (VOICE_CALL, "2")], ids=["idle", "call"]
)
@pytest.mark.parametrize("api", [29, 30])
def test_telephony(activity: Activity, call_state: str, api: int) -> None:
    text = dumpsys_telephony(state_of(activity=activity, api=api))
    assert value_of(text, "mCallState") == call_state
    assert value_of(text, "mDataConnectionState") == "2"
    assert ("mTelephonyDisplayInfo=TelephonyDisplayInfo {network=LTE," in text) == (api >= 30)


@pytest.mark.parametrize(
    ("namespace", "key", "value"),
    [
        ("global", "low_power", "0"),
        ("global", "stay_on_while_plugged_in", "0"),
        ("system", "screen_brightness", "224"),
        ("system", "screen_brightness_mode", "0"),
        ("system", "screen_brightness_float", "0.878431"),
        ("system", "peak_refresh_rate", "60.0"),
        ("secure", "low_power", "null"),
        ("system", "no_such_key", "null"),
    ],
)
def test_settings(namespace: str, key: str, value: str) -> None:
    assert settings_get(state_of(), namespace, key) == f"{value}\n"


def test_older_versions_know_no_float_brightness() -> None:
    assert settings_get(state_of(api=29), "system", "screen_brightness_float") == "null\n"


def test_identity() -> None:
    state = state_of(BIRCH)
    assert getprop(state, "ro.product.model") == "Birch\n"
    assert getprop(state, "ro.build.version.sdk") == "33\n"
    assert getprop(state, "no.such.property") == "\n"
    lines = getprop(state).splitlines()
    assert lines == sorted(lines)
    found = [re.fullmatch(r"\[(.*)\]: \[(.*)\]", line) for line in lines]
    assert {each[1]: each[2] for each in found if each is not None} == properties(state)
    assert state.spec.build in properties(state)["ro.build.fingerprint"]
