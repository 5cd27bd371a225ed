"""The points of a battery history, packed: a phone keeps hundreds of thousands of them."""

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, overload

from parsers.units import c_from_dc

STATUS = (None, "unknown", "charging", "discharging", "not_charging", "full")
PLUG = (None, "none", "ac", "usb", "wireless")
SCREEN = ("off", "doze", "on")

_POINT = struct.Struct("<dbBBBBhqqI")
_NO_LEVEL, _NO_TENTHS, _NO_COUNT = -1, -(2**15), -1


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryPoint:
    """The state after one change; unchanged values are carried on from before.

    Attributes:
        epoch_s: wall clock; None between a restart of the phone and the next time record.
        charge_mah: the charge counter as the platform divided it: its unit may be wrong.
        screen: `on`, `doze` or `off`.
        running: False while the phone is suspended.
        package: the app in front.
    """

    epoch_s: float | None
    level_pct: int | None
    status: str | None
    plug: str | None
    voltage_mv: int | None
    temperature_c: float | None
    charge_mah: int | None
    screen: str
    running: bool
    in_call: bool
    battery_saver: bool
    package: str | None


class History(Sequence[HistoryPoint]):
    """Points in the order of the records.

    Args:
        packed: from `pack`, one after another.
        packages: what the numbers of packages stand for, from 1.
    """

    def __init__(self, packed: bytes = b"", packages: Sequence[str] = ()) -> None:
        self._packed = packed
        self._packages = (None, *packages)

    def __len__(self) -> int:
        return len(self._packed) // _POINT.size

    @overload
    def __getitem__(self, index: int) -> HistoryPoint: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[HistoryPoint]: ...
    def __getitem__(self, index: int | slice) -> HistoryPoint | Sequence[HistoryPoint]:
        if isinstance(index, slice):
            return tuple(self[k] for k in range(*index.indices(len(self))))
        at = range(len(self))[index]
        return self._point(*_POINT.unpack_from(self._packed, at * _POINT.size))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    def __hash__(self) -> int:
        return hash(self._packed)

    def __repr__(self) -> str:
        return f"History({list(self)!r})"

    def _point(self, *packed: Any) -> HistoryPoint:
        epoch_s, level, status, plug, screen, flags, tenths, voltage, charge, package = packed
        return HistoryPoint(
            epoch_s=None if math.isnan(epoch_s) else epoch_s,
            level_pct=None if level == _NO_LEVEL else level,
            status=STATUS[status],
            plug=PLUG[plug],
            voltage_mv=None if voltage == _NO_COUNT else voltage,
            temperature_c=None if tenths == _NO_TENTHS else c_from_dc(tenths),
            charge_mah=None if charge == _NO_COUNT else charge,
            screen=SCREEN[screen],
            running=bool(flags & 1),
            in_call=bool(flags & 2),
            battery_saver=bool(flags & 4),
            package=self._packages[package],
        )


@dataclass(slots=True, kw_only=True)
class Now:
    """The running state as it is packed: words and packages by number, 0 for none."""

    level_pct: int | None = None
    status: int = 0
    plug: int = 0
    voltage_mv: int | None = None
    temperature_dc: int | None = None
    charge_mah: int | None = None
    screen: int = 0
    running: bool = False
    in_call: bool = False
    battery_saver: bool = False
    package: int = 0


def pack(epoch_s: float | None, now: Now) -> bytes:
    """One point."""
    return _POINT.pack(
        math.nan if epoch_s is None else epoch_s,
        _NO_LEVEL if now.level_pct is None else now.level_pct,
        now.status,
        now.plug,
        now.screen,
        now.running | now.in_call << 1 | now.battery_saver << 2,
        _NO_TENTHS if now.temperature_dc is None else now.temperature_dc,
        _NO_COUNT if now.voltage_mv is None else now.voltage_mv,
        _NO_COUNT if now.charge_mah is None else now.charge_mah,
        now.package,
    )
