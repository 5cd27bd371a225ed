"""From the blocks of one phone to rows of the tables, unit and sign of the raw integers apart."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from parsers.blocks import Block
from parsers.errors import ParserError
from parsers.outcome import Parsed
from parsers.parts import PARTS
from parsers.redact import masked
from parsers.schema import ContextChange, Reading
from parsers.sources import (
    battery_property,
    battery_service,
    foreground,
    power,
    power_supply,
    settings,
    telephony,
    thermal,
)
from parsers.text import decode

MAX_UNREAD_KINDS = 1000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LATEST_EPOCH_S = 253_402_300_799.0
"""Last second of the year 9999: a phone may claim any time, a timestamp holds no more."""
_BATTERY_PARTS = ("uevent", "property_", "battery")
_MEASURED = ("voltage_mv", "current_raw", "charge_counter_raw", "temperature_c", "level_pct")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """What one block amounts to.

    Attributes:
        reading: `current_ma` and `charge_counter_mah` are still None.
        changes: what changed around the battery since the block before.
    """

    reading: Reading
    changes: tuple[ContextChange, ...]


@dataclass(slots=True)
class _Seen:
    """Values out of one block; `live` if it has a source fresher than the platform's dump."""

    live: bool
    battery: dict[str, Any] = field(default_factory=dict)
    context: dict[str, str] = field(default_factory=dict)
    awake_s: float | None = None
    trusted: bool = True


class Assembler:
    """Reads the blocks of one phone, in order.

    Attributes:
        unread: how often each line that no parser understood was seen, by part and what masking
            leaves of the line; at most `MAX_UNREAD_KINDS` different ones, the rest are counted
            under the part alone.
        refused: how often each part was refused or was not what it should be.
    """

    def __init__(self, phone: str) -> None:
        self._phone = phone
        self._last: dict[str, Any] = {}
        self._context: dict[str, str] = {}
        self.unread: Counter[tuple[str, str]] = Counter()
        self.refused: Counter[str] = Counter()

    def feed(self, block: Block, host_utc: datetime, host_s: float) -> Tick:
        """The block's row and context changes.

        Args:
            block: newer than those before.
            host_utc: the computer's wall clock when it had arrived.
            host_s: the computer's monotonic clock then.
        """
        seen = _Seen(live=any(name.startswith(("uevent", "property_")) for name, _ in block.parts))
        for name, body in block.parts:
            source = PARTS.get(name)
            if source is None:
                self.refused[name] += 1
                continue
            try:
                # The framing says that the part is whole; the shell has cut its last line end.
                parsed = source.parse(decode(body) + "\n")
            except ParserError:
                self.refused[name] += 1
                continue
            self._count_unread(name, parsed)
            for row in parsed.rows:
                _TAKE[name](seen, row)
            if name in ("battery", "uevent"):
                seen.trusted &= parsed.trusted
        return Tick(
            reading=self._reading(block, seen, host_utc, host_s),
            changes=self._changes(seen.context, host_utc, block.boot_s),
        )

    def _reading(self, block: Block, seen: _Seen, host_utc: datetime, host_s: float) -> Reading:
        values = seen.battery
        measured = {k: values[k] for k in _MEASURED if values.get(k) is not None}
        fresh = any(self._last.get(name) != value for name, value in measured.items())
        self._last |= measured
        epoch_s = block.phone_epoch_s
        return Reading(
            phone=self._phone,
            boot_id=block.boot_id,
            seq=block.seq,
            host_utc=host_utc,
            host_s=host_s,
            boot_s=block.boot_s,
            phone_utc=(
                _EPOCH + timedelta(seconds=epoch_s)
                if epoch_s is not None and epoch_s < _LATEST_EPOCH_S
                else None
            ),
            awake_s=seen.awake_s,
            status=values.get("status"),
            health=values.get("health"),
            plugged=values.get("plugged"),
            trusted=seen.trusted,
            fresh=fresh,
            source="+".join(n for n, _ in block.parts if n.startswith(_BATTERY_PARTS)),
            **{name: values.get(name) for name in _MEASURED},
        )

    def _changes(
        self, context: dict[str, str], host_utc: datetime, boot_s: float
    ) -> tuple[ContextChange, ...]:
        changed = {k: v for k, v in context.items() if self._context.get(k) != v}
        self._context |= changed
        return tuple(
            ContextChange(
                phone=self._phone, host_utc=host_utc, boot_s=boot_s, name=name, value=value
            )
            for name, value in changed.items()
        )

    def _count_unread(self, part: str, parsed: Parsed[Any]) -> None:
        for line in parsed.unread:
            text = masked(line.text)
            known = (part, text) in self.unread or len(self.unread) < MAX_UNREAD_KINDS
            self.unread[(part, text if known else "")] += 1


def _take_uevent(seen: _Seen, row: power_supply.PowerSupplyRow) -> None:
    for name in (*_MEASURED, "status", "health"):
        if (value := getattr(row, name)) is not None:
            seen.battery[name] = value


def _take_current(seen: _Seen, row: battery_property.BatteryPropertyRow) -> None:
    seen.battery["current_raw"] = row.value


def _take_counter(seen: _Seen, row: battery_property.BatteryPropertyRow) -> None:
    seen.battery["charge_counter_raw"] = row.value


def _take_battery(seen: _Seen, row: battery_service.BatteryServiceRow) -> None:
    # The platform's copies of current and counter are older than the live ones: never mix them.
    stale = ("current_raw", "charge_counter_raw") if seen.live else ()
    for name in (*_MEASURED, "status", "health", "plugged"):
        value = getattr(row, name)
        if value is not None and name not in stale:
            seen.battery.setdefault(name, value)


def _take_power(seen: _Seen, row: power.PowerRow) -> None:
    seen.awake_s = row.awake_s
    if row.screen is not None:
        seen.context["screen"] = row.screen
    if row.wakefulness is not None:
        seen.context["wakefulness"] = row.wakefulness


def _take_foreground(seen: _Seen, row: foreground.ForegroundRow) -> None:
    seen.context["foreground"] = row.package or "none"


def _take_thermal(seen: _Seen, row: thermal.ThermalRow) -> None:
    if row.thermal_status is not None:
        seen.context["thermal_status"] = str(row.thermal_status)


def _take_telephony(seen: _Seen, row: telephony.TelephonyRow) -> None:
    if row.call is not None:
        seen.context["call"] = row.call
    if row.network is not None:
        seen.context["network"] = row.network


def _take_settings(seen: _Seen, row: settings.SettingRow) -> None:
    if row.value is not None:
        seen.context[_SETTINGS.get(row.name, row.name)] = row.value


_SETTINGS = {
    "screen_brightness": "brightness",
    "screen_brightness_mode": "brightness_mode",
    "low_power": "battery_saver",
}
_TAKE: dict[str, Callable[[_Seen, Any], None]] = {
    "uevent": _take_uevent,
    "property_1": _take_counter,
    "property_2": _take_current,
    "battery": _take_battery,
    "power": _take_power,
    "foreground": _take_foreground,
    "thermal": _take_thermal,
    "telephony": _take_telephony,
    "settings": _take_settings,
}
