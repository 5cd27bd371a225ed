"""When a source that keeps time was brought up to date, closer than its readings were apart."""

from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from analysis.estimation.profile import Bools, Floats, running

_N_AROUND = (30, 300)
_N_LEAST = 20
_CLOSE = 20
_LEAST_U_RATIO = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Refreshes:
    """When a source was brought up to date, as far as that was seen.

    Attributes:
        seen_s: first readings of something new, ascending, (n,).
        at_s: moments of the refreshes before them, (n,).
        u_s: their standard uncertainties, (n,).
        watched_s: moments at which one would have been seen, ascending.
    """

    seen_s: Floats
    at_s: Floats
    u_s: Floats
    watched_s: Floats

    @classmethod
    def between(cls, before_s: Floats, seen_s: Floats, period_s: float, watched_s: Floats) -> Self:
        """The refreshes of a source of one period, each between two readings; see `refreshes`."""
        at_s, u_s, _ = refreshes(np.maximum(before_s, seen_s - period_s), seen_s, period_s)
        return cls(seen_s=seen_s, at_s=at_s, u_s=u_s, watched_s=watched_s)

    def last(self, t_s: Floats) -> npt.NDArray[np.intp]:
        """Which was the last one seen by some moments, -1 before the first."""
        return np.searchsorted(self.seen_s, t_s, side="right") - 1


def refreshes(before_s: Floats, seen_s: Floats, period_s: float) -> tuple[Floats, Floats, Bools]:
    """Moments of refreshes of which each fell between two readings, and how uncertain they are.

    A source that looks by the clock does so at whole multiples of its period: the spacings of
    readings around, each with a refresh in it, leave less room together than each of them. Where
    they leave none, it keeps to no clock, and its own spacing is all there is.

    Args:
        before_s: last reading of the old value, ascending, (n,).
        seen_s: first reading of the new one, (n,).
        period_s: of the source.

    Returns:
        Moments, their standard uncertainties, and whether they keep time with their neighbours, so
        that all are early or late together, (n,) each.
    """
    low, high = before_s.copy(), seen_s.copy()
    in_time = np.zeros(len(low), dtype=bool)
    middle_s = (low + high) / 2
    number = running(np.round(np.diff(middle_s) / period_s))
    # Over a long pause, nobody can say how many periods passed.
    pauses = np.flatnonzero(np.diff(number, prepend=-np.inf, append=np.inf) > _CLOSE)
    longest = int(np.argmax(np.diff(pauses)))
    run = slice(pauses[longest], pauses[longest + 1])
    if number[run][-1] - number[run][0] >= _N_LEAST:
        clock_s = number * np.polyfit(number[run], middle_s[run], 1)[0]
        since, until = before_s - clock_s, seen_s - clock_s
        for n_around in _N_AROUND:
            size = 2 * n_around + 1
            latest = maximum_filter1d(since, size, mode="nearest")
            soonest = minimum_filter1d(until, size, mode="nearest")
            room = soonest > latest
            low[room], high[room] = (latest + clock_s)[room], (soonest + clock_s)[room]
            in_time |= room
    u_s = np.maximum(high - low, _LEAST_U_RATIO * (seen_s - before_s)) / np.sqrt(12.0)
    return (low + high) / 2, u_s, in_time
