"""Where the collector takes its time from, so that tests and the demo can hand it another."""

import hashlib
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol


class Clock(Protocol):
    """The computer's two clocks."""

    def utc(self) -> datetime:
        """Wall clock, aware; may step."""
        ...

    def monotonic_s(self) -> float:
        """Seconds on a clock that never steps, suspend included; the same for all processes."""
        ...


class SystemClock:
    """The clocks of this computer."""

    def utc(self) -> datetime:
        """Wall clock, aware; may step."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Seconds on a clock that never steps; the same for all processes of one computer."""
        return time.clock_gettime(_NEVER_STEPS) if _NEVER_STEPS is not None else time.monotonic()


class RunClock:
    """A run's monotonic clock, also after the computer was restarted during the run.

    Args:
        clock: of the computer.
        utc: wall clock when the run began.
        host_s: monotonic clock then.
        same_boot: False if the computer has been restarted since; its wall clock has to do then.
    """

    def __init__(self, clock: Clock, utc: datetime, host_s: float, *, same_boot: bool) -> None:
        self._clock = clock
        self._utc = utc
        self._host_s = host_s
        self.same_boot = same_boot

    def utc(self) -> datetime:
        """Wall clock, aware; may step."""
        return self._clock.utc()

    def monotonic_s(self) -> float:
        """Seconds on the clock of the computer's boot session in which the run began."""
        if self.same_boot:
            return self._clock.monotonic_s()
        return self._host_s + (self._clock.utc() - self._utc).total_seconds()


def _clock_through_suspend() -> int | None:
    # Linux's CLOCK_MONOTONIC stands still in suspend; a phone's boot clock does not.
    boot: int | None = getattr(time, "CLOCK_BOOTTIME", None)
    if boot is None and sys.platform == "darwin":
        return time.CLOCK_MONOTONIC  # goes on in suspend there, unlike time.monotonic()
    return boot


_NEVER_STEPS = _clock_through_suspend()


def host_boot() -> str:
    """Names the computer's boot session, so that its monotonic times are not mixed up.

    Sixteen hexadecimal digits; empty where the system does not tell (not Linux).
    """
    try:
        boot_id = Path("/proc/sys/kernel/random/boot_id").read_bytes()
    except OSError:
        return ""
    return hashlib.sha256(boot_id).hexdigest()[:16]
