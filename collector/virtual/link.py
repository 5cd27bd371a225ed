"""How well a virtual phone's link carries: everything at once, slowly, or nothing."""

import asyncio

_SLICE_S = 0.05


class Link:
    """The faults that all connections of one phone share."""

    def __init__(self) -> None:
        self.bytes_per_s: float | None = None
        self._flowing = asyncio.Event()
        self._flowing.set()

    def stall(self) -> None:
        """Carry nothing in either direction, with no sign of it to the host."""
        self._flowing.clear()

    def resume(self) -> None:
        """Carry again what was held back."""
        self._flowing.set()

    async def flowing(self) -> None:
        """Wait while the link is stalled."""
        await self._flowing.wait()

    async def share(self, waiting_bytes: int) -> int:
        """Wait for the link's next turn; returns how many of the waiting bytes may go now."""
        if self.bytes_per_s is None:
            await self._flowing.wait()
            return waiting_bytes
        n_bytes = min(waiting_bytes, max(1, int(self.bytes_per_s * _SLICE_S)))
        await asyncio.sleep(n_bytes / self.bytes_per_s)
        await self._flowing.wait()
        return n_bytes
