"""What a single raw integer can mean, where the possible units do not overlap.

A phone's or tablet's pack has 1 to 20 V and 1.5 to 30 Ah; it is drained with less than 20 A.
"""

from parsers.dump import known
from parsers.units import ma_from_ua, mah_from_uah, mv_from_uv

_PACK_MV = (1_000, 20_000)
_PACK_MAH = (1_500, 30_000)
_FIRST_LEVEL_PCT = 5.0
"""Below, the level shown keeps a reserve back, and its ratio to the charge says nothing."""

SURELY_UA = 60_000
"""No phone's current has so many milliamperes."""
_MOST_MA = 20_000.0
HARDLY_UA = 4_000
"""A phone that answers draws more microamperes than this."""


def pack_mv(value: int) -> float | None:
    """Voltage of a pack, printed in mV or µV; None for zero or a sentinel.

    Raises:
        ValueError: if it is neither.
    """
    if value == 0 or known(value) is None:
        return None
    if _PACK_MV[0] <= value <= _PACK_MV[1]:
        return float(value)
    if _PACK_MV[0] <= mv_from_uv(value) <= _PACK_MV[1]:
        return mv_from_uv(value)
    raise ValueError(value)


def pack_mah(value: int) -> float | None:
    """Full charge of a pack, printed in mAh or µAh; None for zero or a sentinel.

    Raises:
        ValueError: if it is neither: in another unit, or for another kind of battery.
    """
    if value == 0 or known(value) is None:
        return None
    if _PACK_MAH[0] <= value <= _PACK_MAH[1]:
        return float(value)
    if _PACK_MAH[0] <= mah_from_uah(value) <= _PACK_MAH[1]:
        return mah_from_uah(value)
    raise ValueError(value)


def counter_mah(value: int | None, level_pct: float | None) -> float | None:
    """A charge counter in its documented µAh, if together with the level it gives a real pack.

    Other units cannot be told from a meaningless number by one reading.
    """
    if value is None or level_pct is None or level_pct < _FIRST_LEVEL_PCT:
        return None
    full_mah = mah_from_uah(value) * 100 / level_pct
    return mah_from_uah(value) if _PACK_MAH[0] <= full_mah <= _PACK_MAH[1] else None


def current_ma(
    value: int | None, *, unit: str, sign: int, plugged: bool | None, status: str | None
) -> float | None:
    """A current, positive into the battery, if one dump is enough to know; else None.

    The unit must follow from the magnitude, and the documented sign must agree with the plugs and
    the status: each alone is wrong on some phones.

    Args:
        value: the integer as sent.
        unit: the one documented for this source, `uA` or `mA`.
        sign: 1 if documented as positive into the battery, -1 if the other way round.
        plugged: whether a supply is attached.
        status: word of the charge status.
    """
    if not value:
        return None
    if abs(value) >= SURELY_UA:
        into_ma = sign * ma_from_ua(value)
    elif unit == "mA" and abs(value) <= HARDLY_UA:
        into_ma = sign * float(value)
    else:
        return None
    if abs(into_ma) > _MOST_MA:
        return None
    draining = plugged is not True and status != "charging"
    draining = draining and (plugged is False or status == "discharging")
    charging = plugged is not False and status == "charging"
    return into_ma if (into_ma < 0 and draining) or (into_ma > 0 and charging) else None
