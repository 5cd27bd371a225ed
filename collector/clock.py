"""Where the collector takes its time from, so that tests and the demo can hand it another."""

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """The computer's two clocks."""

    def utc(self) -> datetime:
        """Wall clock, aware; may step."""
        ...

    def monotonic_s(self) -> float:
        """Seconds on a clock that never steps; the same for all processes of one computer."""
        ...


class SystemClock:
    """The clocks of this computer."""

    def utc(self) -> datetime:
        """Wall clock, aware; may step."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Seconds on a clock that never steps; the same for all processes of one computer."""
        return time.monotonic()
