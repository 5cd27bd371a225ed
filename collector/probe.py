"""What a phone offers to be polled, found by asking each source once."""

import re
from dataclasses import dataclass

from collector.adb import Phone
from collector.errors import NoPhonesError
from collector.onphone import LoopSettings
from parsers.errors import ParserError
from parsers.sources import battery_property, battery_service, power_supply
from parsers.text import decode

ASK_DEADLINE_S = 10.0
UEVENT_COMMAND = "cat /sys/class/power_supply/*/uevent"
_SUPPLY = re.compile(r"[A-Za-z0-9_-]{1,64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What one phone can be polled for.

    Attributes:
        settings: of the on-phone loop that fits.
        sources: which source gives what, for the manifest.
        refused: source and the phone's words, for each that was denied.
        design_mah: capacity by the phone's own nameplate file; None if it gives none.
    """

    settings: LoopSettings
    sources: dict[str, str]
    refused: dict[str, str]
    design_mah: float | None


def probe(phone: Phone, tick_ms: int = 1000) -> Offer:
    """Asks each battery source once and picks the best for the loop.

    Raises:
        NoPhonesError: if not even the platform's battery dump can be read.
        CollectorError: if the link breaks meanwhile.
    """
    refused: dict[str, str] = {}
    try:
        battery_service.parse(decode(phone.ask("dumpsys battery", ASK_DEADLINE_S).stdout))
    except ParserError as exc:
        raise NoPhonesError(f"a phone gives no battery state: {exc}") from exc
    supply, design_mah = _supply(phone, refused)
    if supply is not None:
        settings = LoopSettings(fast="uevent", supply=supply, tick_ms=tick_ms)
        sources = dict.fromkeys(("voltage", "current", "charge_counter"), f"power_supply/{supply}")
    elif _has_live_current(phone, refused):
        settings = LoopSettings(fast="property", tick_ms=tick_ms)
        sources = dict.fromkeys(("current", "charge_counter"), "batteryproperties")
        sources["voltage"] = "dumpsys battery"
    else:
        # Nothing changes faster than the platform's own dump, so nothing is asked for faster.
        settings = LoopSettings(fast="none", tick_ms=max(tick_ms, 10_000))
        sources = {"voltage": "dumpsys battery"}
    sources |= {"level": "dumpsys battery", "temperature": "dumpsys battery"}
    return Offer(settings=settings, sources=sources, refused=refused, design_mah=design_mah)


def _supply(phone: Phone, refused: dict[str, str]) -> tuple[str | None, float | None]:
    reply = phone.ask(UEVENT_COMMAND, ASK_DEADLINE_S)
    try:
        row = power_supply.parse(decode(reply.stdout or reply.stderr)).rows[0]
    except ParserError as exc:
        refused["power_supply"] = str(exc)
        return None, None
    usable = row.current_raw is not None and row.voltage_mv is not None
    if not usable or row.name is None or _SUPPLY.fullmatch(row.name) is None:
        refused["power_supply"] = "no supply with both voltage and current"
        return None, row.charge_full_design_mah
    return row.name, row.charge_full_design_mah


def _has_live_current(phone: Phone, refused: dict[str, str]) -> bool:
    reply = phone.ask("service call batteryproperties 1 i32 2", ASK_DEADLINE_S)
    try:
        value = battery_property.parse(decode(reply.stdout)).rows[0].value
    except ParserError as exc:
        refused["batteryproperties"] = str(exc)
        return False
    if value is None:
        refused["batteryproperties"] = "the phone reports no current"
    return value is not None
