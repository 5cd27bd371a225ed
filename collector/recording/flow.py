"""How much a phone may send: enough for hours of back-fill, too little to hurt anybody."""

import threading

from collector.clock import Clock, SystemClock
from collector.errors import PhoneFloodError

BURST_BYTES = 32 * 1024 * 1024
"""At full speed: some hours of a phone's readings."""
SUSTAINED_BYTES_PER_S = 1024 * 1024
"""Hundreds of times what a recorder writes at ten readings a second."""
TOTAL_BYTES = 4 * 1024 * 1024 * 1024


class Budget:
    """Holds a reader back that gets more than a phone can honestly have to say.

    While nobody reads, adb's flow control stops the phone: nothing piles up here.

    Args:
        stop: ends the waiting.
        clock: real time.
    """

    def __init__(self, stop: threading.Event, clock: Clock | None = None) -> None:
        self._stop = stop
        self._clock = clock or SystemClock()
        self._left_bytes = float(BURST_BYTES)
        self._total_bytes = 0
        self._filled_s = self._clock.monotonic_s()

    def spend(self, n_bytes: int) -> None:
        """Accounts for bytes read; waits while the budget is overdrawn.

        Raises:
            PhoneFloodError: the phone has sent more than any run needs.
        """
        self._total_bytes += n_bytes
        if self._total_bytes > TOTAL_BYTES:
            raise PhoneFloodError(self._total_bytes)
        now_s = self._clock.monotonic_s()
        gained = (now_s - self._filled_s) * SUSTAINED_BYTES_PER_S
        self._left_bytes = min(self._left_bytes + gained, float(BURST_BYTES)) - n_bytes
        self._filled_s = now_s
        if self._left_bytes < 0:
            self._stop.wait(-self._left_bytes / SUSTAINED_BYTES_PER_S)
