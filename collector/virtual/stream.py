"""One opened service of a virtual phone: bytes both ways under adb's flow control."""

import asyncio
import errno
from collections.abc import Callable

from collector.virtual.wire import Command, Message, WireError

INBOX_BYTES = 64 << 10
"""Acknowledged ahead of the reader, like a pipe's capacity, so that a host that goes away is
noticed although nobody reads what it sent."""
_GARBLED_AT = 8
"""Behind the head of a shell packet, in the first line of what it carries."""


class Stream:
    """The phone's end of one stream: one `WRTE` in flight each way until its `OKAY`.

    Args:
        ids: ours and the host's.
        max_payload_bytes: what the host takes in one message.
        post: queues a message on the link.
    """

    def __init__(
        self, ids: tuple[int, int], max_payload_bytes: int, post: Callable[[Message], None]
    ) -> None:
        self.local_id, self.remote_id = ids
        self.on_hang_up: Callable[[], object] | None = None
        self.closed = False
        self._max_payload_bytes = max_payload_bytes
        self._post = post
        self._writing = asyncio.Lock()
        self._may_write = asyncio.Event()
        self._may_write.set()
        self._inbox = bytearray()
        self._arrived = asyncio.Event()
        self._owes_okay = False
        self._left_bytes: int | None = None
        self._garbles = False

    async def write(self, data: bytes) -> None:
        """Send all of the data, in as many messages as it takes.

        Raises:
            BrokenPipeError: the stream is closed.
        """
        async with self._writing:
            for start in range(0, len(data), self._max_payload_bytes):
                await self._may_write.wait()
                if self.closed:
                    raise BrokenPipeError(errno.EPIPE, "the host closed the stream")
                self._send(data[start : start + self._max_payload_bytes])

    async def read(self, max_bytes: int = INBOX_BYTES) -> bytes:
        """Next bytes from the host, empty once the stream is closed and everything is read."""
        await self._wait_for(1)
        return self._take(min(max_bytes, len(self._inbox)))

    async def read_exactly(self, n_bytes: int) -> bytes:
        """So many bytes from the host, at most `INBOX_BYTES`.

        Raises:
            EOFError: the stream closed before.
        """
        await self._wait_for(n_bytes)
        if len(self._inbox) < n_bytes:
            raise EOFError("the host closed the stream")
        return self._take(n_bytes)

    def close(self) -> None:
        """End the stream from the phone's side; safe to repeat."""
        if not self.closed:
            self._tell(Command.CLSE)
            self._shut()

    def hang_up(self) -> None:
        """Note that the host or the link is gone, and tell who runs the service."""
        if not self.closed:
            self._shut()
            if self.on_hang_up is not None:
                self.on_hang_up()

    def cut(self, after_bytes: int) -> None:
        """End the stream without notice once this many more bytes were sent to the host."""
        self._left_bytes = after_bytes
        self._cut_if_spent()

    def garble(self) -> None:
        """Damage one byte of what is sent next."""
        self._garbles = True

    def received(self, payload: bytes) -> None:
        """Take a `WRTE` from the host.

        Raises:
            WireError: the host did not wait for the `OKAY` to the one before.
        """
        if self._owes_okay:
            raise WireError("a second WRTE before the OKAY to the first")
        self._inbox += payload
        self._owes_okay = True
        self._acknowledge_if_room()
        self._arrived.set()

    def acknowledged(self) -> None:
        """Take an `OKAY` from the host."""
        self._may_write.set()

    def _send(self, chunk: bytes) -> None:
        if self._left_bytes is not None:
            chunk = chunk[: self._left_bytes]
            self._left_bytes -= len(chunk)
        if self._garbles and chunk:
            at = min(_GARBLED_AT, len(chunk) - 1)
            chunk = chunk[:at] + bytes([chunk[at] ^ 0xFF]) + chunk[at + 1 :]
            self._garbles = False
        self._may_write.clear()
        self._tell(Command.WRTE, chunk)
        self._cut_if_spent()

    def _cut_if_spent(self) -> None:
        if self._left_bytes == 0 and not self.closed:
            self._tell(Command.CLSE)
            self.hang_up()

    async def _wait_for(self, n_bytes: int) -> None:
        while len(self._inbox) < n_bytes and not self.closed:
            self._arrived.clear()
            await self._arrived.wait()

    def _take(self, n_bytes: int) -> bytes:
        data = bytes(self._inbox[:n_bytes])
        del self._inbox[:n_bytes]
        self._acknowledge_if_room()
        return data

    def _acknowledge_if_room(self) -> None:
        if self._owes_okay and not self.closed and len(self._inbox) < INBOX_BYTES:
            self._owes_okay = False
            self._tell(Command.OKAY)

    def _shut(self) -> None:
        self.closed = True
        self._may_write.set()
        self._arrived.set()

    def _tell(self, command: Command, payload: bytes = b"") -> None:
        self._post(Message(command, self.local_id, self.remote_id, payload))
