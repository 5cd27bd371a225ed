"""The shell services of a virtual phone: with packets (v2) or as a bare pipe.

References:
    AOSP packages/modules/adb/daemon/shell_service.cpp and shell_protocol.h.
"""

import struct
from dataclasses import dataclass
from typing import Self

from collector.virtual.device import Device, ShellIO
from collector.virtual.stream import Stream

PACKET = struct.Struct("<BI")
_STDIN, _STDOUT, _STDERR, _EXIT, _CLOSE_STDIN = range(5)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShellRequest:
    """What the host asked to be run, and how its streams travel.

    Attributes:
        packets: protocol v2, with separate streams and an exit code.
        terminal: standard error joins standard output, and lines end in CR LF.
    """

    command: str
    packets: bool
    terminal: bool

    @classmethod
    def parse(cls, service: str) -> Self | None:
        """Read `shell:CMD`, `shell,v2,TERM=…,pty:CMD`, `exec:CMD`; None for any other service.

        Unknown arguments are ignored, as a phone does.
        """
        head, colon, command = service.partition(":")
        name, *arguments = head.split(",")
        if not colon or name not in ("shell", "exec"):
            return None
        kinds = [a for a in arguments if a in ("raw", "pty")]
        terminal = kinds[-1] == "pty" if kinds else name == "shell" and not command
        return cls(command=command, packets="v2" in arguments, terminal=terminal)


async def serve_shell(stream: Stream, device: Device, request: ShellRequest) -> None:
    """Run the command with its streams on the wire, then close."""
    try:
        if request.packets:
            packets = _Packets(stream, terminal=request.terminal)
            code = await device.shell(request.command, packets)
            await packets.exit(code)
        else:
            pipe: ShellIO = _Pipe(stream, terminal=request.terminal)
            await device.shell(request.command, pipe)
    except BrokenPipeError:
        pass  # the host no longer listens: the usual end of an endless command
    finally:
        stream.close()


class _Pipe:
    """Both outputs in one pipe, and no exit code."""

    def __init__(self, stream: Stream, *, terminal: bool) -> None:
        self._stream = stream
        self._terminal = terminal

    async def out(self, data: bytes) -> None:
        await self._stream.write(_as_shown(data) if self._terminal else data)

    async def err(self, data: bytes) -> None:
        await self.out(data)

    async def read(self) -> bytes | None:
        return await self._stream.read() or None


class _Packets:
    """Each output in packets of its own, and the exit code last."""

    def __init__(self, stream: Stream, *, terminal: bool) -> None:
        self._stream = stream
        self._terminal = terminal
        self._stdin_left_bytes = 0
        self._stdin_closed = False

    async def out(self, data: bytes) -> None:
        await self._packet(_STDOUT, _as_shown(data) if self._terminal else data)

    async def err(self, data: bytes) -> None:
        if self._terminal:
            await self.out(data)
        else:
            await self._packet(_STDERR, data)

    async def exit(self, code: int) -> None:
        await self._packet(_EXIT, bytes([code & 0xFF]))

    async def read(self) -> bytes | None:
        try:
            while not self._stdin_left_bytes and not self._stdin_closed:
                await self._next_packet()
        except EOFError:
            return None
        if self._stdin_closed:
            return None
        data = await self._stream.read(self._stdin_left_bytes)
        self._stdin_left_bytes -= len(data)
        return data or None

    async def _next_packet(self) -> None:
        kind, length_bytes = PACKET.unpack(await self._stream.read_exactly(PACKET.size))
        if kind == _STDIN:
            self._stdin_left_bytes = length_bytes
            return
        self._stdin_closed = kind == _CLOSE_STDIN
        while length_bytes > 0:  # a window size, which nothing here depends on
            skipped = await self._stream.read(length_bytes)
            if not skipped:
                raise EOFError("the host closed the stream")
            length_bytes -= len(skipped)

    async def _packet(self, kind: int, data: bytes) -> None:
        if data:
            await self._stream.write(PACKET.pack(kind, len(data)) + data)


def _as_shown(data: bytes) -> bytes:
    """What a terminal driver makes of output (ONLCR)."""
    return data.replace(b"\n", b"\r\n")
