"""One time axis per phone: its boot clock, anchored to the computer's monotonic clock."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.estimation.profile import Floats, usual
from parsers.runfolder import ClockAnchor

DRIFT_LIMIT_RATIO = 1e-4
"""Two free-running quartz clocks differ by less than this; common practice, no source."""

_LATE_S = 5.0
_FLOOR_S = 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One boot session of a phone.

    Attributes:
        boot_id: first eight hexadecimal digits.
        boot_s: boot clock of each reading, ascending, (n,).
        host_s: the computer's clock at each reading, latency taken out, ascending, (n,).
        shift_s: `t_s` minus boot clock, constant in the session.
        live_s: boot clock of the readings that arrived at once, ascending.
        jitter_s: standard uncertainty of the offset where readings arrived at once.
    """

    boot_id: str
    boot_s: Floats
    host_s: Floats
    shift_s: float
    live_s: Floats
    jitter_s: float

    @property
    def offset_s(self) -> Floats:
        """Computer's clock minus boot clock at zero latency, (n,)."""
        return self.host_s - self.boot_s

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


def nearest(times: Floats, at_s: float) -> int:
    """Where the one of some ascending moments is that lies closest to another."""
    after = int(np.searchsorted(times, at_s))
    if after == 0 or after == len(times):
        return min(after, len(times) - 1)
    return after - int(at_s - times[after - 1] <= times[after] - at_s)


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
    delay_s = host_s - boot_s
    tilt_s = DRIFT_LIMIT_RATIO * boot_s
    forward = np.minimum.accumulate(delay_s - tilt_s) + tilt_s
    backward = np.minimum.accumulate((delay_s + tilt_s)[::-1])[::-1] - tilt_s
    offset_s = np.minimum(forward, backward)
    late_s = delay_s - offset_s
    soon = late_s < _LATE_S
    live = slice(None) if soon.all() else soon
    # The quickest arrival was late by something between nothing and the usual lateness.
    jitter_s = usual(late_s[live]) / np.sqrt(3.0)
    shift_s = float(offset_s[0]) - origin_host_s
    return Session(
        boot_id=boot_id,
        boot_s=boot_s,
        host_s=boot_s + offset_s,
        shift_s=max(shift_s, not_before_s - float(boot_s[0])),
        live_s=boot_s[live],
        jitter_s=float(np.hypot(jitter_s, _FLOOR_S)),
    )
