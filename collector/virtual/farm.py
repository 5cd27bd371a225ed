"""Any number of virtual phones on one event loop in one background thread."""

import asyncio
import inspect
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import ParamSpec, Self, TypeVar, overload

from collector.virtual.adbd import HOST, VirtualAdbd
from collector.virtual.device import Device

CALL_DEADLINE_S = 10.0
P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hosted:
    """One phone of a farm.

    Attributes:
        address: what `adb connect` takes.
        adbd: its daemon; reach it through `VirtualFarm.call`.
    """

    address: str
    adbd: VirtualAdbd


class VirtualFarm:
    """Hosts virtual phones until closed; usable from any thread but its own.

    The thread is a daemon: a program that ends without `close` is not held up.
    """

    def __init__(self) -> None:
        self._loop = asyncio.SelectorEventLoop()
        self._thread = threading.Thread(
            target=self._loop.run_forever, name="virtual-farm", daemon=True
        )
        self._hosted: list[Hosted] = []
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def add(self, device: Device, *, port: int = 0, require_auth: bool = False) -> Hosted:
        """Start serving a phone.

        Raises:
            OSError: the port is taken.
        """
        adbd = VirtualAdbd(device, port=port, require_auth=require_auth)
        hosted = Hosted(address=f"{HOST}:{self.call(adbd.start)}", adbd=adbd)
        self._hosted.append(hosted)
        return hosted

    @overload
    def call(self, fn: Callable[P, Awaitable[T]], *args: P.args, **kwargs: P.kwargs) -> T: ...
    @overload
    def call(self, fn: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T: ...
    def call(self, fn: Callable[..., object], *args: object, **kwargs: object) -> object:
        """Run a function or coroutine function on the farm's loop and hand back its result.

        Raises:
            RuntimeError: the farm is closed, or the caller is the farm's own thread.
            TimeoutError: no result within `CALL_DEADLINE_S`.
        """
        if threading.current_thread() is self._thread or self._loop.is_closed():
            raise RuntimeError("call needs an open farm and a thread other than the farm's own")

        async def run() -> object:
            result = fn(*args, **kwargs)
            return await result if inspect.isawaitable(result) else result

        future = asyncio.run_coroutine_threadsafe(run(), self._loop)
        try:
            return future.result(CALL_DEADLINE_S)
        except TimeoutError:
            future.cancel()
            raise

    def close(self) -> None:
        """Stop every phone and the thread; safe to repeat."""
        if self._loop.is_closed():
            return
        for hosted in self._hosted:
            self.call(hosted.adbd.stop)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()
