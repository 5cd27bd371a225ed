"""Time for virtual phones: faster than real time, or moved on step by step."""

import asyncio
import heapq
import itertools
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

VIRTUAL_START_UTC = datetime(2026, 5, 4, 6, tzinfo=UTC)
"""What wall clocks show when a virtual day begins; an arbitrary Monday, early."""


class VirtualTime(Protocol):
    """A time that phones and the computer share; also a `collector.clock.Clock`."""

    def utc(self) -> datetime:
        """Wall clock."""
        ...

    def monotonic_s(self) -> float:
        """Seconds since the virtual day began."""
        ...

    async def until(self, at_s: float) -> None:
        """Returns once `monotonic_s()` has reached `at_s`."""
        ...


class FastTime:
    """Runs by itself, `rate` times as fast as real time.

    Args:
        rate: virtual seconds per real second.
        start_s: where it starts.
    """

    def __init__(self, rate: float = 1.0, start_s: float = 0.0) -> None:
        self._rate = rate
        self._start_s = start_s
        self._real_start_s = time.monotonic()

    def monotonic_s(self) -> float:
        """Seconds since the virtual day began."""
        return self._start_s + (time.monotonic() - self._real_start_s) * self._rate

    def utc(self) -> datetime:
        """Wall clock."""
        return VIRTUAL_START_UTC + timedelta(seconds=self.monotonic_s())

    async def until(self, at_s: float) -> None:
        """Returns once `monotonic_s()` has reached `at_s`."""
        while (left_s := at_s - self.monotonic_s()) > 0:
            await asyncio.sleep(left_s / self._rate)


class SteppedTime:
    """Stands still until it is moved on: as fast as the machine can follow, and no faster.

    Args:
        start_s: where it starts.
    """

    def __init__(self, start_s: float = 0.0) -> None:
        self._now_s = start_s
        self._waiters: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()

    def monotonic_s(self) -> float:
        """Seconds since the virtual day began."""
        return self._now_s

    def utc(self) -> datetime:
        """Wall clock."""
        return VIRTUAL_START_UTC + timedelta(seconds=self._now_s)

    async def until(self, at_s: float) -> None:
        """Returns once `monotonic_s()` has reached `at_s`."""
        if at_s > self._now_s:
            future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            heapq.heappush(self._waiters, (at_s, next(self._order), future))
            await future

    def advance_to(self, at_s: float) -> None:
        """Moves on; everything that waited for a moment up to then starts running.

        To be called on the event loop of the waiters.
        """
        self._now_s = max(self._now_s, at_s)
        while self._waiters and self._waiters[0][0] <= self._now_s:
            _, _, future = heapq.heappop(self._waiters)
            if not future.done():
                future.set_result(None)
