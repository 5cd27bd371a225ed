"""Figures with as many places as their doubt leaves meaning in."""

import math

_MOST_DECIMALS = 3


def decimals(u: float) -> int:
    """Decimal places at which two figures of an uncertainty end, three at most.

    Negative for tens, hundreds and so on; 1 where the uncertainty is not known.

    References:
        JCGM 100:2008, 7.2.6.
    """
    if not math.isfinite(u) or u <= 0:
        return 1
    return min(1 - math.floor(math.log10(u)), _MOST_DECIMALS)


def rounded(value: float | None, places: int) -> float | int | None:
    """The value to so many decimal places, a whole number without any; None stays None."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, places) if places > 0 else int(round(value, places))
