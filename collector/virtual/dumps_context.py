"""What a virtual phone prints about screen, apps, warmth, calls and itself."""

from zlib import crc32

from collector.virtual.dumps import text_of, word_of
from collector.virtual.state import PhoneState

_PLUG_USB = 2
_INVENTED_CELL_ID = 123456789


def dumpsys_power(state: PhoneState) -> str:
    """`dumpsys power`: wakefulness, awake clock, plug, and what stands around them."""
    awake_ms = round(state.awake_s * 1000.0)
    touched = _uptime_text(round(state.last_user_activity_s * 1000.0), awake_ms)
    plugged = state.shown.plugged
    raw = [f"  mWakefulnessRaw={state.wakefulness}"] if state.spec.api >= 31 else []
    return text_of(
        [
            "POWER MANAGER (dumpsys power)",
            "",
            "Power Manager State:",
            "  mDirty=0x0",
            f"  mWakefulness={state.wakefulness}",
            *raw,
            "  mWakefulnessChanging=false",
            f"  mIsPowered={word_of(truth=plugged)}",
            f"  mPlugType={_PLUG_USB if plugged else 0}",
            f"  mBatteryLevel={state.shown.reading.level_pct}",
            "  mDockState=0",
            "  mStayOn=false",
            "  mBootCompleted=true",
            "  mSystemReady=true",
            f"  mLastWakeTime={touched}",
            f"  mLastSleepTime={touched}",
            f"  mLastUserActivityTime={touched}",
            f"  mLastUserActivityTimeNoChangeLights={touched}",
            f"  mLastInteractivePowerHintTime={touched}",
            "  mDeviceIdleMode=false",
            "  mLightDeviceIdleMode=false",
            "",
            "Settings and Configuration:",
            "  mScreenOffTimeoutSetting=1800000",
            "  mStayOnWhilePluggedInSetting=0",
            "",
            f"Display Power: state={_screen_word(state)}",
            "",
            *_wake_locks(state.context.wake_lock),
        ]
    )


def dumpsys_activities(state: PhoneState) -> str:
    """`dumpsys activity activities`, with the resumed activity in this version's spellings."""
    api, foreground = state.spec.api, state.context.foreground
    lines = [
        "ACTIVITY MANAGER ACTIVITIES (dumpsys activity activities)",
        "Display #0 (activities from top to bottom):",
    ]
    if foreground is None:
        final = "  ResumedActivity: null" if api >= 29 else "  mResumedActivity: null"
        return text_of([*lines, final])
    record = _activity_record(foreground, api)
    if api <= 30:
        lines += [
            "",
            "  Stack #1: type=standard mode=fullscreen",
            f"    mResumedActivity: {record}",
        ]
    else:
        lines += ["", f"  * Task{{{_id(foreground)} #{_task(foreground)} type=standard}}"]
        lines.append(f"    topResumedActivity={record}")
    if api >= 34:
        lines += ["", "  Resumed activities in task display areas (from top to bottom):"]
        lines.append(f"    Resumed: {record}")
    if api >= 29:
        lines += ["", f"  ResumedActivity: {record}"]
    return text_of(lines)


def dumpsys_thermal(state: PhoneState) -> str:
    """`dumpsys thermalservice`, there from API 29 on; its cached block is old, as on a phone."""
    warmth, key = state.warmth, state.spec.key
    sensors = [
        f"\tTemperature{{mValue={value_c:.6g}, mType={kind}, mName={name}, mStatus={status}}}"
        for value_c, kind, name, status in (
            (warmth.battery_c, 2, "battery", 0),
            (warmth.skin_c, 3, f"{key}-skin", warmth.status),
            (warmth.cpu_c, 0, f"{key}-cpu0", 0),
        )
    ]
    hal = "AIDL 1" if state.spec.api >= 34 else "2.0"
    cooling = [
        "Current cooling devices from HAL:",
        f"\tCoolingDevice{{mValue=0, mType=2, mName={key}-cpufreq}}",
    ]
    return text_of(
        [
            "IsStatusOverride: false",
            "ThermalEventListeners:",
            "\tcallbacks: 2",
            "\tkilled: false",
            "\tbroadcasts count: -1",
            "ThermalStatusListeners:",
            "\tcallbacks: 3",
            "\tkilled: false",
            "\tbroadcasts count: -1",
            f"Thermal Status: {warmth.status}",
            "Cached temperatures:",
            f"\tTemperature{{mValue=31.4, mType=3, mName={key}-skin, mStatus=0}}",
            "HAL Ready: true",
            "HAL connection:",
            f"\tThermalHAL {hal} connected: yes",
            "Current temperatures from HAL:",
            *sensors,
            *(cooling if state.spec.api >= 30 else []),
        ]
    )


def dumpsys_display(state: PhoneState) -> str:
    """`dumpsys display`: the default display's state and its brightness in this version's unit."""
    screen = _screen_word(state)
    ratio = state.brightness / 255.0 if state.context.screen_on else 0.0
    shown = f"{ratio:.6g}" if state.spec.api >= 30 else str(round(ratio * 255))
    sdr = [f"  mSdrScreenBrightness={shown}"] if state.spec.api >= 31 else []
    return text_of(
        [
            "DISPLAY MANAGER (dumpsys display)",
            "  mSafeMode=false",
            "  mGlobalDisplayState=" + screen,
            "",
            "Display Power State:",
            "  mStopped=false",
            f"  mScreenState={screen}",
            f"  mScreenBrightness={shown}",
            *sdr,
            "  mScreenReady=true",
            "  mScreenUpdatePending=false",
            "  mColorFadePrepared=false",
            "",
            "Photonic Modulator State:",
            f"  mPendingState={screen}",
            f"  mPendingBacklight={shown}",
            f"  mActualState={screen}",
            f"  mActualBacklight={shown}",
        ]
    )


def dumpsys_telephony(state: PhoneState) -> str:
    """`dumpsys telephony.registry` of a one-SIM phone; its cell id is nobody's business."""
    info = "network=LTE, overrideNetwork=LTE_CA, isRoaming=false"
    newer = [f"    mTelephonyDisplayInfo=TelephonyDisplayInfo {{{info}}}"]
    return text_of(
        [
            "last known state:",
            "  Phone Id=0",
            f"    mCallState={state.context.call_state}",
            "    mCallIncomingNumber=",
            "    mServiceState={mVoiceRegState=0(IN_SERVICE), mDataRegState=0(IN_SERVICE)}",
            "    mSignalStrength=SignalStrength:{mLte=CellSignalStrengthLte: rsrp=-97 level=3}",
            "    mDataConnectionState=2",
            f"    mCellIdentity=CellIdentityLte:{{ mCi={_INVENTED_CELL_ID} mPci=1 mTac=2}}",
            *(newer if state.spec.api >= 30 else []),
        ]
    )


def cmd_wifi_status(state: PhoneState) -> str:
    """`cmd wifi status`, there from API 30 on; name and address are nobody's business."""
    if state.spec.api < 30:
        return "Unknown command: status\n"
    return text_of(
        [
            "Wifi is enabled",
            'Wifi is connected to "Courier depot"',
            'WifiInfo: SSID: "Courier depot", BSSID: 02:00:5e:00:00:07,'
            " Supplicant state: COMPLETED, RSSI: -57, Link speed: 390Mbps, Frequency: 5180MHz,"
            " Net ID: 1",
        ]
    )


def dumpsys_deviceidle(state: PhoneState) -> str:
    """`dumpsys deviceidle`: the two machines as they stand soon after the screen went off."""
    deep, light = ("ACTIVE", "ACTIVE") if state.context.screen_on else ("INACTIVE", "IDLE")
    return text_of(
        [
            "  Settings:",
            "    light_after_inactive_to=+4m0s0ms",
            f"  mScreenOn={word_of(truth=state.context.screen_on)}",
            f"  mCharging={word_of(truth=state.shown.plugged)}",
            f"  mState={deep}  mLightState={light}",
        ]
    )


def settings_get(state: PhoneState, namespace: str, key: str) -> str:
    """`settings get NAMESPACE KEY`; `null` for what was never set."""
    values = {
        ("global", "low_power"): "0",
        ("global", "low_power_sticky"): "0",
        ("global", "stay_on_while_plugged_in"): "0",
        ("system", "screen_brightness"): str(state.brightness),
        ("system", "screen_brightness_mode"): "0",
        ("system", "screen_off_timeout"): "1800000",
        ("system", "peak_refresh_rate"): "60.0",
    }
    if state.spec.api >= 30:
        values["system", "screen_brightness_float"] = f"{state.brightness / 255.0:.6g}"
    values.update(state.settings)
    return values.get((namespace, key), "null") + "\n"


def properties(state: PhoneState) -> dict[str, str]:
    """The system properties that tell who the phone is; its serial number is among them."""
    spec = state.spec
    return {
        "gsm.network.type": "LTE,Unknown",
        "ro.board.platform": "virtual",
        "ro.build.fingerprint": spec.fingerprint,
        "ro.build.type": "user",
        "ro.build.version.incremental": spec.build,
        "ro.build.version.release": spec.release,
        "ro.build.version.sdk": str(spec.api),
        "ro.hardware": "virtual",
        "ro.product.brand": "example",
        "ro.product.device": spec.device,
        "ro.product.manufacturer": "Example",
        "ro.product.model": spec.model,
        "ro.product.name": spec.device,
        "ro.serialno": f"VIRTUAL{crc32(spec.key.encode()):08X}",
    }


def getprop(state: PhoneState, name: str | None = None) -> str:
    """`getprop NAME` (an empty line if it is not set), or the whole list."""
    values = properties(state)
    if name is not None:
        return values.get(name, "") + "\n"
    return text_of([f"[{key}]: [{value}]" for key, value in values.items()])


def _wake_locks(name: str | None) -> list[str]:
    if name is None:
        return ["Wake Locks: size=0"]
    return [
        "Wake Locks: size=1",
        f"  PARTIAL_WAKE_LOCK              '{name}' ACQ=-1m2s (uid=1041)",
    ]


def _activity_record(foreground: str, api: int) -> str:
    shown_id = str(crc32(foreground.encode()) >> 4) if api >= 36 else _id(foreground)
    start = f"ActivityRecord{{{shown_id} u0 {foreground}"
    if api == 34:
        return f"{start}}} t{_task(foreground)}}}"
    end = ", isEmbedded=false}" if api >= 35 else "}"
    return f"{start} t{_task(foreground)}{end}"


def _id(foreground: str) -> str:
    return f"{crc32(foreground.encode()) >> 4:x}"


def _task(foreground: str) -> int:
    return 20 + crc32(foreground.encode()) % 80


def _uptime_text(at_ms: int, now_ms: int) -> str:
    """As AOSP TimeUtils.formatUptime."""
    if at_ms == now_ms:
        return f"{at_ms} (now)"
    if at_ms > now_ms:
        return f"{at_ms} (in {at_ms - now_ms} ms)"
    return f"{at_ms} ({now_ms - at_ms} ms ago)"


def _screen_word(state: PhoneState) -> str:
    return "ON" if state.context.screen_on else "OFF"
