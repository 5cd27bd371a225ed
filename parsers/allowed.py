"""The allow-list of privacy: what of each kind of dump may be shown, kept and passed on.

A pattern finds the pieces of a line, blanks around it left out, that stay readable; the rest is
masked. In a group named `free...` anything could stand: it is shown only where it was read as a
value. No pattern may take more than linear time: phones print what they like.
"""

import re
from collections.abc import Collection, Iterable

from parsers.keyed import Rule
from parsers.sources import (
    Source,
    battery_checkin,
    battery_get,
    battery_property,
    battery_service,
    battery_stats,
    display,
    foreground,
    health,
    identity,
    idle,
    power,
    power_rails,
    power_supply,
    settings,
    telephony,
    thermal,
    wifi,
)
from parsers.sources.battery_service_rules import SECTIONS
from parsers.words import SCREEN


def _any_of(texts: Iterable[str]) -> str:
    return "|".join(sorted(map(re.escape, texts), key=len, reverse=True))


def _values(rules: Collection[Rule]) -> str:
    """Numbers, and every word that one of the rules knows."""
    words = _any_of({word for rule in rules for word in rule.whole})
    return rf"(?:\[?{_INT}\]?|{_FLAG}|{words})"


_INT = r"(?:[+-]?[0-9]{1,10}|-?922337203685477580[78])"
"""No value has more digits, but phone numbers and serials do."""
_FLAG = r"(?:true|false)"
_MEASURE = r"[0-9]{1,9}(?:\.[0-9]{1,12})?"
_BATTERY_KEYS = {key for rules in SECTIONS.values() for key in rules}
_BATTERY_READ = {
    key: rule for rules in SECTIONS.values() for key, rule in rules.items() if rule.field
}
_STATS_TOKENS = (
    rf"(?:{_MEASURE}|[-+.,:%()# ]|screen-(?:on|off|doze)|power-save-(?:on|off)"
    rf"|device-idle-(?:on|off)|currently on battery|realtime|uptime|Interactive|{_FLAG}|mAh|to|ms"
    r"|[dhmsx]){0,80}"
)
_ANY_NETWORK = rf"(?i:{_any_of(name.replace('_', chr(45)) for name in telephony.NETWORKS)})"

_OF_SOURCE: dict[Source, str] = {
    battery_service: (
        rf"^(?:{_any_of(SECTIONS)}|\(UPDATES STOPPED -- use 'reset' to restart\)"
        r"|technology\s*:\s*[A-Za-z0-9 +/-]{0,20}"
        rf"|(?:{_any_of(_BATTERY_KEYS)})\s*[:=]\s*"
        rf"(?:{_values(_BATTERY_READ.values())}|\+?(?:[0-9]{{1,4}}(?:ms|[dhms])){{1,5}})?)$"
        rf"|^(?:{_any_of(_BATTERY_KEYS)})(?=\s*(?:[:=]|$))"
        r"|^(?:SEC_FEATURE_|FEATURE_|LLB (?:CAL|MAN|CURRENT|DIFF)|mLtc)"
        r"|(?<=\w)LogBuffer\]$"
    ),
    power_supply: (
        rf"^(?:DEVTYPE=power_supply|{power_supply.NEW_FILE.pattern}"
        rf"|POWER_SUPPLY_(?:{_any_of(power_supply.RULES)})="
        rf"{_values(power_supply.RULES.values())}?"
        r"|POWER_SUPPLY_(?:TYPE|SCOPE|ONLINE|USB_TYPE)=[A-Za-z0-9_ \[\]]{0,80}"
        r"|POWER_SUPPLY_(?:NAME|TECHNOLOGY|CHARGE_TYPE)=[A-Za-z0-9_. +/-]{0,40})$"
        rf"|^POWER_SUPPLY_(?:{power_supply.LEFT_OUT.pattern}|{_any_of(power_supply.RULES)})(?==)"
    ),
    battery_property: (
        r"^(?:Result: Parcel\()?(?:  )?(?:0x00000000: ?)?(?: *[0-9a-f]{8}){1,5}(?= *')"
        r"|^0x00000010: ?[0-9a-f]{8}(?: (?:f{8}|0{8})){0,3}"
        r"|^Result: Parcel\((?:Error: |NULL\)?)?"
        r"|^service: (?=.{1,80} does not exist$)| does not exist$"
    ),
    health: (
        rf"^(?:{'|'.join(line.pattern for line, _ in health.TEXT_LINES)})$"
        r"|^getHealthInfo -> "
        rf"|\b(?:{_any_of(health.FIELDS)})(?: = |: )"
        r"(?:-?[0-9]{1,19}|true|false|[A-Z][A-Z_]{1,30}|\"?(?P<free>[A-Za-z][A-Za-z0-9 -]{0,20}))"
    ),
    battery_checkin: (
        r"^9,(?:0,i,vers,[0-9]{1,9},[0-9]{1,9}|-?[0-9]{1,9},l,(?:bt|dc|pws|dtr),[0-9.,A-Z/-]*"
        r"|0,i,dtr,-?[0-9]{1,15}|0,i,dsd,-?[0-9]{1,15},-?[0-9]{1,3}(?:,[-+d?]?)?"
        r"|-?[0-9]{1,9},l,pwi,[a-z_]{1,30},-?[0-9.]{1,30})(?=,|$)"
        r"|^9,-?[0-9]{1,10},[a-z]{1,2},[a-z0-9]{1,6}(?=,|$)"
        r"|^9,h,[0-9]{1,15}(?::(?:RESET:)?TIME:[0-9]{1,15}|:START|:SHUTDOWN|:\*OVERFLOW\*)?"
        r"|,(?:B[lvtsp]|Bcc)(?:=[-?a-z0-9]{1,12}(?=,|$)|(?==))|,[-+](?:r|Pcl|ps|S|Sd|Etp(?:=[0-9]{1,9})?)(?=,|$)"
        r'|^9,hsp,[0-9]{1,9},-?[0-9]{1,10},(?:"(?P<free>[^"]{1,300})"$)?'
        r"|^NEXT: [0-9]{1,15}$"
    ),
    battery_stats: (
        r"^(?:Statistics since last charge|Discharge step durations):$|^Global$"
        r"|^Estimated power use \(mAh\):$"
        rf"|^(?:{_any_of(battery_stats.LINES)}): {_STATS_TOKENS}|^#{_STATS_TOKENS}"
        rf"|^Capacity: {_MEASURE}, Computed drain: {_MEASURE}, actual drain: "
        rf"{_MEASURE}(?:-{_MEASURE})?"
        rf"|^U(?:id|ID) (?:u[0-9]{{1,4}}[ais][0-9]{{1,6}}|[0-9]{{1,9}}): {_MEASURE}"
        rf"|^(?P<free>[A-Za-z][A-Za-z0-9 _-]{{0,40}}): {_MEASURE}"
    ),
    power_rails: (
        r"^=+ (?:End of )?.{0,60}(?:energy meter|state residencies|energy consumers) =+$"
        r"|^(?:Channel\s{1,40})?Cumulative Energy|^Elapsed time: "
        r"|^\[(?P<free>[^\]]{1,80})\]:"
        r"|\s[0-9]{1,18}(?:\.[0-9]{1,6})? mWs|^t=[0-9]{1,18}$"
        r"|^CH[0-9]{1,3}(?=\[)"
        r"|^CH[0-9]{1,3}\(T=[0-9]{1,18}\)\[(?P<free_file>[^\]]{1,80})\], [0-9]{1,19}"
    ),
    thermal: (
        rf"^(?:{_any_of([*thermal.IGNORED, thermal.CACHED, thermal.LIVE])})$"
        r"|^Thermal Status: [0-9]{1,3}$|^(?:IsStatusOverride|HAL Ready): (?:true|false)"
        r"|^Temperature\{mValue=(?:NaN|-?Infinity|-?[0-9.]{1,81}(?:E-?[0-9]{1,2})?),"
        r" mType=-?[0-9]{1,4}, mName=(?P<free>.{0,200}), mStatus=[0-9]{1,3}\}"
        r"|^ThermalHAL (?:AIDL +)?[0-9.]+ +connected: +(?:yes|no)"
        r"|^(?:CoolingDevice|TemperatureThreshold)\{|NaN"
    ),
    display: (
        r"^(?:Display Power Controller|Display Power State|Photonic Modulator State):$"
        rf"|^mScreenState=(?i:{_any_of(SCREEN)})$|^mDisplayId=[0-9]{{1,10}}$"
        r"|^(?:mScreenBrightness|mActualBacklight)=(?:-?[0-9.]{1,51}(?:E-?[0-9]{1,2})?|NaN)$"
        r"|^m(?:Stopped|SdrScreenBrightness|ScreenReady|ScreenUpdatePending|ColorFade"
        r"|(?:Pending|Actual)(?:State|Backlight|SdrBacklight)|StateChangeInProgress"
        r"|BacklightChangeInProgress)"
    ),
    power: (
        r"^POWER MANAGER \(dumpsys power\)$"
        r"|^mWakefulness(?:Raw)?=(?:Awake|Asleep|Dozing|Dreaming|-?[0-9]{1,10})$"
        rf"|^Display Power: state=(?i:{_any_of(SCREEN)})$"
        r"|^mLastUserActivityTime=[0-9]{1,15} \((?:[0-9]{1,15} ms ago|now|in [0-9]{1,15} ms)\)"
        rf"|^(?:mIsPowered|mStayOn|mDeviceIdleMode|mLightDeviceIdleMode)={_FLAG}$"
        r"|^(?:mPlugType|mBatteryLevel)=-?[0-9]{1,10}$"
        r"|^(?:mWakefulness(?:Raw)?|mLastUserActivityTime|Display Power: state|mIsPowered"
        r"|mStayOn|mDeviceIdleMode|mLightDeviceIdleMode|mPlugType|mBatteryLevel)(?==)"
    ),
    foreground: (
        rf"^(?:{_any_of(foreground.SPELLINGS)})(?:\s?null|$)?"
        r"|^(?:Display #|Display: mDisplayId=)[0-9]{1,10}\b"
        r"|(?:ActivityRecord|Window)\{"
        r"| u[0-9]{1,6} (?P<free>[A-Za-z][\w.]{0,400}/[\w.$]{1,600})(?=[ },]|$)"
    ),
    idle: (
        "|".join(rf"\b{key}=(?:{_any_of(words)})\b" for key, words in idle.WORDS.items())
        + rf"|\b(?:{_any_of(idle.FLAGS)})={_FLAG}\b"
        rf"|^(?:{_any_of(set().union(*idle.WORDS.values()))})$"
        rf"|\b(?:{_any_of([*idle.WORDS, *idle.FLAGS])})(?==)"
    ),
    wifi: (
        r"^(?:Wifi is (?:enabled|disabled|not connected)$|Wifi is connected to )"
        r"|^(?:WifiInfo: |mWifiInfo )SSID: |, BSSID: |, Supplicant state: [A-Z_]{1,30}(?=,|$)"
        r"|, (?:RSSI|Frequency|Link speed|Tx Link speed|Rx Link speed): -?[0-9]{1,10}"
        r"(?: ?(?:Mbps|MHz))?(?=,|$)"
    ),
    identity: (
        rf"^\[(?:{_any_of(identity.FIELDS)})\]: "
        r"\[(?:[01]|[0-9]{2,3}|unknown|(?P<free>[^\]]{0,400}))\]$"
    ),
    telephony: (
        r"^(?:Phone Id|mCallState|mDataConnectionState)=-?[0-9]{1,10}$"
        r"|^mTelephonyDisplayInfo=(?:null$"
        r"|TelephonyDisplayInfo ?\{network=[A-Z0-9_+ -]{1,30},"
        r" overrideNetwork=[A-Z0-9_]{1,30}(?=[,}]))"
        r"|^mServiceState=|getRilDataRadioTechnology=[0-9]{1,3}\([A-Z0-9_.-]{1,20}\)"
        r"|^(?:Phone Id|mCallState|mDataConnectionState|mTelephonyDisplayInfo)(?==)"
        rf"|^{_ANY_NETWORK}?(?:,{_ANY_NETWORK}?){{0,7}}$"
    ),
    settings: (
        rf"^(?:{_any_of(settings.NAMES)})=(?:null|-?[0-9]{{1,20}}(?:\.[0-9]{{1,20}})?)?$"
        rf"|^(?:{_any_of(settings.NAMES)})(?==)"
    ),
    battery_get: (
        rf"^(?:{_FLAG}|-?[0-9]{{1,19}})$"
        r"|^(?:Unknown get option|Unknown command|No property specified)"
        r"|^(?:Battery service \(battery\)|cmd: Can't find service)"
    ),
}
_PHONE_SAYS = (
    r"|Can't find service: |Permission Denial: can't dump |Error dumping service info"
    r"|Failure calling service |^\*\*\* SERVICE '|' DUMP TIMEOUT | EXPIRED \*\*\*$"
    r"|^error: (?:closed$|device )| does not exist, or no permission to connect\.?$"
    r"|(?<=: )[Pp]ermission denied$|(?<=: )(?:inaccessible or )?not found$"
    r"|(?<=: )No such file or directory$|^\* daemon (?:not running|started)"
)

ALLOWED = {source: re.compile(pattern + _PHONE_SAYS) for source, pattern in _OF_SOURCE.items()}
