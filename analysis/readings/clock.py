"""One time axis per phone: its boot clock, anchored to the computer's monotonic clock."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from analysis.estimation.profile import Floats, Indices, enough_of, n_per_second, usual
from parsers.runfolder import ClockAnchor

DRIFT_LIMIT_RATIO = 1e-4
"""Two free-running quartz clocks differ by less than this; common practice, no source."""

_LATE_S = 5.0
_FLOOR_S = 0.002


@dataclass(frozen=True, kw_only=True)
class Session:
    """One boot session of a phone.

    Attributes:
        boot_id: first eight hexadecimal digits.
        boot_s: boot clock of readings, one in a second where they are very close, ascending, (n,).
        host_s: the computer's clock then, latency taken out, ascending, (n,).
        shift_s: `t_s` minus boot clock, constant in the session.
        live_s: boot clock of those that arrived at once, ascending.
        jitter_s: standard uncertainty of the offset where readings arrived at once.
    """

    boot_id: str
    boot_s: Floats
    host_s: Floats
    shift_s: float
    live_s: Floats
    jitter_s: float

    @cached_property
    def offset_s(self) -> Floats:
        """Computer's clock minus boot clock at zero latency, (n,)."""
        return self.host_s - self.boot_s

    @property
    def first_s(self) -> float:
        """The first reading, on the axis."""
        return float(self.boot_s[0]) + self.shift_s

    def to_host(self, t_s: Floats) -> Floats:
        """Moments of the axis on the computer's clock."""
        boot_s = t_s - self.shift_s
        result: Floats = boot_s + np.interp(boot_s, self.boot_s, self.offset_s)
        return result

    def known_at(self, anchors: Sequence[ClockAnchor]) -> "Session":
        """The same session of a phone whose link was up at these moments only, at least one.

        Its readings were fetched later and their `host_s` follows from the anchors: that they
        agree with them says nothing.
        """
        return replace(
            self,
            live_s=np.array(sorted(anchor.boot_s for anchor in anchors)),
            jitter_s=float(np.hypot(max(anchor.u_s for anchor in anchors), _FLOOR_S)),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneClock:
    """The boot sessions of a phone on one axis, in seconds since the run began.

    Durations on the axis are durations of the phone's boot clock; between sessions, of the
    computer's clock.

    Attributes:
        sessions: in the order of time.
    """

    sessions: tuple[Session, ...]

    def to_host(self, t_s: Floats) -> Floats:
        """Moments of the axis on the computer's clock, in any order."""
        number = np.searchsorted([session.first_s for session in self.sessions[1:]], t_s, "right")
        host_s = np.empty(len(t_s))
        for k, session in enumerate(self.sessions):
            mine = number == k
            host_s[mine] = session.to_host(t_s[mine])
        return host_s

    def from_host(self, host_s: float) -> tuple[float, float]:
        """A moment of the computer's clock on the axis, and its standard uncertainty, in s."""
        session = self.sessions[0]
        for later in self.sessions[1:]:
            if host_s >= later.host_s[0]:
                session = later
        known = session.host_s
        inside = float(np.clip(host_s, known[0], known[-1]))
        after = int(np.searchsorted(known, inside, side="right"))
        beside = slice(after - 1, after + 1)
        boot_s = float(np.interp(inside, known[beside], session.boot_s[beside])) + host_s - inside
        distance_s = abs(float(session.live_s[nearest(session.live_s, boot_s)]) - boot_s)
        drift_s = DRIFT_LIMIT_RATIO * distance_s / np.sqrt(3.0)
        return boot_s + session.shift_s, float(np.hypot(session.jitter_s, drift_s))


def nearest(times: Floats, at_s: Floats | float) -> Indices:
    """Which of some ascending moments lies closest to each of others."""
    last = len(times) - 1
    after = np.clip(np.searchsorted(times, at_s), min(1, last), last)
    before = np.maximum(after - 1, 0)
    return np.where(at_s - times[before] <= times[after] - at_s, before, after)


def fit_session(
    boot_id: str, boot_s: Floats, host_s: Floats, origin_host_s: float, not_before_s: float
) -> Session:
    """Anchors one boot session to the computer's clock.

    A reading never arrives before it was taken, so the offset lies under every `host_s - boot_s`;
    and clocks drift slowly, so it lies under the neighbours' too. The highest curve that keeps to
    both follows the quickest arrivals; readings fetched long after they were taken do no harm.

    Args:
        boot_id: name of the session.
        boot_s: boot clock of the readings, ascending.
        host_s: the computer's clock when they arrived.
        origin_host_s: the computer's clock at `t_s` = 0.
        not_before_s: `t_s` at which the session before ended.
    """
    n_each = n_per_second(boot_s)
    all_delays_s, known_s = host_s - boot_s, boot_s[::n_each]
    delay_s = np.minimum.reduceat(all_delays_s, np.arange(0, len(boot_s), n_each))
    tilt_s = DRIFT_LIMIT_RATIO * known_s
    forward = np.minimum.accumulate(delay_s - tilt_s) + tilt_s
    backward = np.minimum.accumulate((delay_s + tilt_s)[::-1])[::-1] - tilt_s
    offset_s = np.minimum(forward, backward)
    live = delay_s - offset_s < _LATE_S
    some = enough_of(len(boot_s))
    late_s = all_delays_s[some] - np.interp(boot_s[some], known_s, offset_s)
    # The quickest arrival was late by something between nothing and the usual lateness.
    jitter_s = usual(late_s[late_s < _LATE_S]) / np.sqrt(3.0)
    shift_s = float(offset_s[0]) - origin_host_s
    return Session(
        boot_id=boot_id,
        boot_s=known_s,
        host_s=known_s + offset_s,
        shift_s=max(shift_s, not_before_s - float(boot_s[0])),
        live_s=known_s[live],
        jitter_s=float(np.hypot(jitter_s, _FLOOR_S)),
    )
