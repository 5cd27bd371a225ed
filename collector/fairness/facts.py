"""What one phone says about everything that can make a comparison unfair, asked once."""

import re
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TypeVar

from collector.adb import Phone
from collector.errors import PhoneSilentError
from parsers.errors import ParserError
from parsers.outcome import Parsed
from parsers.sources import battery_service, power, power_supply, telephony, thermal, wifi
from parsers.sources.battery_service import BatteryServiceRow
from parsers.sources.power import PowerRow
from parsers.sources.power_supply import PowerSupplyRow
from parsers.sources.telephony import TelephonyRow
from parsers.sources.thermal import ThermalRow
from parsers.sources.wifi import WifiRow
from parsers.text import decode, printable

DEADLINE_S = 10.0
SETTINGS = (
    ("system", "screen_brightness"),
    ("system", "screen_brightness_mode"),
    ("system", "screen_off_timeout"),
    ("system", "peak_refresh_rate"),
    ("system", "min_refresh_rate"),
    ("global", "low_power"),
    ("global", "adaptive_battery_management_enabled"),
    ("global", "stay_on_while_plugged_in"),
    ("global", "bluetooth_on"),
    ("global", "airplane_mode_on"),
    ("secure", "location_mode"),
    ("secure", "doze_always_on"),
    ("secure", "ui_night_mode"),
    ("secure", "night_display_activated"),
)
"""Namespace and name; AOSP core/java/android/provider/Settings.java."""
VOLUME_COMMAND = "cmd media_session volume --stream 3 --get"
_NUMBER = re.compile(r"-?\d{1,12}(?:\.\d{1,12})?")
_VOLUME = re.compile(r"volume is (\d{1,3}) in range \[(\d{1,3})\.\.(\d{1,3})\]")
_VERSION = re.compile(r"^\s+versionName=([\x21-\x7e]{1,60})$", re.MULTILINE)
_FREE = re.compile(r"^\S+\s+\d+\s+\d+\s+(\d{1,15})\s+\d+%\s+\S+$", re.MULTILINE)
_UPTIME = re.compile(r"(\d{1,12}\.\d{1,6}) ")
Row = TypeVar("Row")


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """One phone's answers; what it refused to tell is None or missing.

    Attributes:
        by_network: the link is a network address, not a cable.
        settings: by namespace and name; None for one that was never made.
        volume: of media, in steps, of so many.
        versions: by package; None for an app that is not there.
        free_gb: of the storage for apps.
        up_s: since it was started.
    """

    by_network: bool
    battery: BatteryServiceRow | None = None
    supply: PowerSupplyRow | None = None
    power: PowerRow | None = None
    thermal: ThermalRow | None = None
    telephony: TelephonyRow | None = None
    wifi: WifiRow | None = None
    settings: dict[tuple[str, str], str | None] = field(default_factory=dict)
    volume: tuple[int, int] | None = None
    versions: dict[str, str | None] = field(default_factory=dict)
    free_gb: float | None = None
    up_s: float | None = None


def gather_all(phones: Mapping[str, Phone], apps: Iterable[str] = ()) -> dict[str, Facts]:
    """The facts of each phone, by label; all are asked at the same time.

    Raises:
        CollectorError: if a link breaks meanwhile.
    """
    packages = tuple(apps)
    with ThreadPoolExecutor(max_workers=max(1, len(phones))) as pool:
        asked = {
            label: pool.submit(gather, phone, packages) for label, phone in sorted(phones.items())
        }
        return {label: future.result() for label, future in asked.items()}


def gather(phone: Phone, apps: Iterable[str] = ()) -> Facts:
    """The facts of one phone.

    Raises:
        CollectorError: if the link breaks meanwhile.
    """
    return Facts(
        by_network=":" in phone.serial or "._adb" in phone.serial,
        battery=_row(phone, battery_service.COMMAND, battery_service.parse),
        supply=_row(phone, power_supply.COMMAND, power_supply.parse),
        power=_row(phone, power.COMMAND, power.parse),
        thermal=_row(phone, thermal.COMMAND, thermal.parse),
        telephony=_row(phone, telephony.COMMAND, telephony.parse),
        wifi=_row(phone, wifi.COMMAND, wifi.parse),
        settings=_settings(phone),
        volume=volume_of(phone),
        versions={app: _version(phone, app) for app in apps},
        free_gb=_free_gb(phone),
        up_s=_up_s(phone),
    )


def setting_of(phone: Phone, namespace: str, name: str) -> str | None:
    """A numeric setting as text; None if it was never made.

    Raises:
        ValueError: if the phone does not tell, or it is no number.
        CollectorError: if the link breaks meanwhile.
    """
    said = _said(phone, f"settings get {namespace} {name}").strip()
    if said == "null":
        return None
    if _NUMBER.fullmatch(said) is None:
        raise ValueError(printable(said, 60) or "no answer")
    return said


def volume_of(phone: Phone) -> tuple[int, int] | None:
    """Media volume and the highest step; None if the phone does not tell."""
    found = _VOLUME.search(_said(phone, VOLUME_COMMAND))
    return None if found is None else (int(found[1]), int(found[3]))


def _settings(phone: Phone) -> dict[tuple[str, str], str | None]:
    values: dict[tuple[str, str], str | None] = {}
    for namespace, name in SETTINGS:
        try:
            values[namespace, name] = setting_of(phone, namespace, name)
        except ValueError:
            continue
    return values


def _version(phone: Phone, app: str) -> str | None:
    found = _VERSION.search(_said(phone, f"dumpsys package {app}"))
    return None if found is None else found[1]


def _free_gb(phone: Phone) -> float | None:
    found = _FREE.search(_said(phone, "df -k /data"))
    return None if found is None else int(found[1]) * 1024 / 1e9


def _up_s(phone: Phone) -> float | None:
    found = _UPTIME.match(_said(phone, "cat /proc/uptime"))
    return None if found is None else float(found[1])


def _row(phone: Phone, command: str, parse: Callable[[str], Parsed[Row]]) -> Row | None:
    try:
        rows = parse(_said(phone, command)).rows
    except ParserError:
        return None
    return rows[0] if rows else None


def _said(phone: Phone, command: str) -> str:
    """What the phone printed; nothing if this one question was too much for it."""
    try:
        return decode(phone.ask(command, DEADLINE_S).stdout)
    except PhoneSilentError:
        return ""
