"""The adb daemon of a virtual phone, on a TCP port of this computer."""

import asyncio
import os
import socket
from collections.abc import Coroutine
from dataclasses import replace

from collector.virtual.connection import FEATURES, Connection, Door
from collector.virtual.device import Device
from collector.virtual.link import Link
from collector.virtual.shell import ShellRequest, serve_shell
from collector.virtual.stream import Stream
from collector.virtual.sync import serve_sync

HOST = "127.0.0.1"
_RESTART_S = 0.05
_BANNER_PROPERTIES = ("ro.product.name", "ro.product.model", "ro.product.device")


class VirtualAdbd:
    """Serves one phone to any number of hosts, and fails as a real link does when asked to.

    Everything but the constructor belongs on the event loop that serves the phone, which has to
    be one that watches sockets (`SelectorEventLoop`; Windows has another kind by default).

    Args:
        device: the phone behind the wire.
        port: 0 lets the system choose.
        require_auth: ask every host for a key and accept none, so that the phone stays
            `unauthorized`.
    """

    def __init__(self, device: Device, *, port: int = 0, require_auth: bool = False) -> None:
        self._device = device
        self._port = port
        self._door = Door(banner=self._banner, start=self._start, require_auth=require_auth)
        self._link = Link()
        self._socket: socket.socket | None = None
        self._listening = False
        self._connections: dict[Connection, asyncio.Task[None]] = {}
        self._shells: set[Stream] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def port(self) -> int:
        """Where hosts connect; the one asked for until started."""
        return self._port

    async def start(self) -> int:
        """Listen; returns the port.

        Raises:
            OSError: the port is taken.
        """
        self._socket = _bound(self._port)
        self._port = self._socket.getsockname()[1]
        self.come_back()
        return self._port

    async def stop(self) -> None:
        """Give up the port and end every connection and command, and what else runs there."""
        self._device.power_off()
        self._link.resume()
        self.vanish()
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        await asyncio.gather(*self._connections.values(), return_exceptions=True)
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def vanish(self) -> None:
        """Reset every connection and refuse new ones, as a phone that shut off or left.

        Commands in a v2 shell are cancelled, those in a plain one only lose their pipe.
        """
        if self._socket is None or not self._listening:
            return
        self._listening = False
        asyncio.get_running_loop().remove_reader(self._socket)
        self._socket.close()
        self._socket = _bound(self._port)  # bound but not listening: refuses, keeps the port
        for connection in self._connections:
            connection.reset()

    def come_back(self) -> None:
        """Listen on the same port again."""
        if self._socket is not None and not self._listening:
            self._listening = True
            self._socket.listen()
            asyncio.get_running_loop().add_reader(self._socket, self._accept, self._socket)

    def stall(self) -> None:
        """Carry no byte either way, without closing anything, until `resume`."""
        self._link.stall()

    def resume(self) -> None:
        """End a stall; what was held back goes out."""
        self._link.resume()

    def drip(self, bytes_per_s: float | None) -> None:
        """Let each connection send no faster than this; None lifts the limit.

        Raises:
            ValueError: the rate is not above zero (`stall` is the way to send nothing).
        """
        if bytes_per_s is not None and not bytes_per_s > 0:
            raise ValueError(f"bytes_per_s must be above 0, not {bytes_per_s}")
        self._link.bytes_per_s = bytes_per_s

    def cut_stream(self, *, after_bytes: int = 0) -> None:
        """Close each running shell stream after so many more bytes, v2 packet heads included.

        The connection lives on. No exit code is sent, and the end may fall within a packet.
        """
        for stream in list(self._shells):
            stream.cut(after_bytes)

    def garble_stream(self) -> None:
        """Damage one byte of what each running shell stream sends next."""
        for stream in list(self._shells):
            stream.garble()

    def require_auth(self, required: bool) -> None:  # noqa: FBT001 - reads as require_auth(True)
        """Ask every host that connects from now on for a key and accept none, or let all in."""
        self._door = replace(self._door, require_auth=required)

    def _accept(self, listener: socket.socket) -> None:
        # Not asyncio's own server: closed while it lets a host in, it forgets that host's socket.
        try:
            accepted, _ = listener.accept()
        except (BlockingIOError, ConnectionAbortedError):
            return  # the host has given up already
        accepted.setblocking(False)  # noqa: FBT003 - the standard library's signature
        connection = Connection(accepted, self._link, self._door)
        task = self._spawn(connection.run())
        self._connections[connection] = task
        task.add_done_callback(lambda _: self._connections.pop(connection))

    def _start(self, service: str, stream: Stream) -> bool:
        if service == "usb:":
            self._spawn(self._leave_network(stream))
            return True
        if service == "sync:":
            self._spawn(serve_sync(stream, self._device.files))
            return True
        request = ShellRequest.parse(service)
        if request is None:
            return False
        task = self._spawn(serve_shell(stream, self._device, request))
        self._shells.add(stream)
        task.add_done_callback(lambda _: self._shells.discard(stream))
        if request.packets:
            stream.on_hang_up = task.cancel
        return True

    async def _leave_network(self, stream: Stream) -> None:
        """What `adb usb` does to a phone that is reached by network: it is gone."""
        await stream.write(b"restarting in USB mode\n")
        stream.close()
        await asyncio.sleep(_RESTART_S)
        self.vanish()

    def _spawn(self, work: Coroutine[object, object, None]) -> asyncio.Task[None]:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and (error := task.exception()) is not None:
            task.get_loop().call_exception_handler(
                {"message": "a service of the virtual phone failed", "exception": error}
            )

    def _banner(self) -> bytes:
        known = self._device.properties()
        facts = [f"{name}={known.get(name, '')}" for name in _BANNER_PROPERTIES]
        text = "device::" + ";".join([*facts, f"features={','.join(FEATURES)}"])
        return text.encode(errors="surrogateescape")


def _bound(port: int) -> socket.socket:
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    bound.setblocking(False)  # noqa: FBT003 - the standard library's signature
    try:
        if os.name == "posix":  # elsewhere the option would let others share the port
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((HOST, port))
    except OSError:
        bound.close()
        raise
    return bound
