"""One host connected to a virtual phone: handshake, streams and the queue to the line."""

import asyncio
import itertools
import logging
import secrets
import socket
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass

from collector.virtual.link import Link
from collector.virtual.stream import Stream
from collector.virtual.wire import (
    MAX_PAYLOAD_BYTES,
    VERSION,
    Command,
    Message,
    WireError,
    pack,
    read_message,
)

FEATURES = ("shell_v2", "cmd", "stat_v2", "ls_v2", "fixed_push_mkdir", "sendrecv_v2")
_AUTH_TOKEN, _AUTH_SIGNATURE = 1, 2
_TOKEN_BYTES = 20
_LINGER = struct.pack("hh" if sys.platform == "win32" else "ii", 1, 0)
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
    """What a host finds behind the handshake.

    Attributes:
        banner: asks for the text that introduces the phone, each time a host connects.
        start: starts the named service on a stream, or answers False if there is none such.
        require_auth: ask for a key and accept none.
    """

    banner: Callable[[], bytes]
    start: Callable[[str, Stream], bool]
    require_auth: bool = False


class Connection:
    """The phone's end of one TCP connection."""

    def __init__(self, accepted: socket.socket, link: Link, door: Door) -> None:
        accepted.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # However it ends, the host shall see a reset: what is under way is lost with the link.
        accepted.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _LINGER)
        self._socket = accepted
        self._transport: asyncio.WriteTransport | None = None
        self._over = False
        self._link = link
        self._door = door
        self._outbox = bytearray()
        self._waiting = asyncio.Event()
        self._streams: dict[int, Stream] = {}
        self._ids = itertools.count(1)
        self._checksummed = True
        self._max_payload_bytes = MAX_PAYLOAD_BYTES
        self._online = False

    async def run(self) -> None:
        """Serve the host until either side closes."""
        reader, writer = await asyncio.open_connection(sock=self._socket)
        self._transport = writer.transport
        sender = asyncio.create_task(self._send(writer))
        try:
            while not self._over:
                message = await read_message(reader, checksummed=self._checksummed)
                await self._link.flowing()
                if not self._over:
                    self._handle(message)
        except WireError as exc:
            _log.warning("dropped a host: %s", exc)
        except (EOFError, ConnectionError):
            pass
        finally:
            sender.cancel()
            self.reset()

    def reset(self) -> None:
        """Break the connection at once: the host sees a reset, not an end."""
        self._over = True
        self._hang_up_all()
        if self._transport is not None:
            self._transport.abort()

    def post(self, message: Message) -> None:
        """Queue a message; what a stream may queue is bounded by its flow control."""
        if message.command is Command.CLSE:
            self._streams.pop(message.arg0, None)
        self._outbox += pack(message, checksummed=self._checksummed)
        self._waiting.set()

    async def _send(self, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                await self._waiting.wait()
                n_bytes = await self._link.share(len(self._outbox))
                writer.write(self._outbox[:n_bytes])
                del self._outbox[:n_bytes]
                if not self._outbox:
                    self._waiting.clear()
                await writer.drain()
        except ConnectionError:
            return  # the reading side ends the connection

    def _handle(self, message: Message) -> None:
        match message.command:
            case Command.CNXN:
                self._greet(message)
            case Command.AUTH:
                self._judge(message)
            case Command.OPEN if self._online:
                self._open(message)
            case Command.OKAY | Command.WRTE | Command.CLSE if self._online:
                self._pass_on(message)
            case _:
                _log.debug("ignored a %s message", message.command.name)

    def _greet(self, message: Message) -> None:
        self._hang_up_all()
        version = min(message.arg0, VERSION)
        self._checksummed = version < VERSION
        self._max_payload_bytes = max(1, min(message.arg1, MAX_PAYLOAD_BYTES))
        if self._door.require_auth:
            self._ask_for_key()
            return
        self._online = True
        self.post(Message(Command.CNXN, version, MAX_PAYLOAD_BYTES, self._door.banner()))

    def _judge(self, message: Message) -> None:
        # A signature is never known here; a public key waits for a person who never comes.
        if self._door.require_auth and message.arg0 == _AUTH_SIGNATURE:
            self._ask_for_key()

    def _ask_for_key(self) -> None:
        self.post(Message(Command.AUTH, _AUTH_TOKEN, 0, secrets.token_bytes(_TOKEN_BYTES)))

    def _open(self, message: Message) -> None:
        name = message.payload.split(b"\0", 1)[0].decode(errors="surrogateescape")
        ids = next(self._ids), message.arg0
        stream = Stream(ids, self._max_payload_bytes, self.post)
        if not self._door.start(name, stream):
            self.post(Message(Command.CLSE, 0, message.arg0))
            return
        self._streams[stream.local_id] = stream
        self.post(Message(Command.OKAY, *ids))

    def _pass_on(self, message: Message) -> None:
        stream = self._streams.get(message.arg1)
        if stream is None or message.arg0 not in (0, stream.remote_id):
            return  # a late word about a stream that the phone has closed
        match message.command:
            case Command.OKAY:
                stream.acknowledged()
            case Command.WRTE:
                stream.received(message.payload)
            case _:
                self.post(Message(Command.CLSE, stream.local_id, stream.remote_id))
                stream.hang_up()

    def _hang_up_all(self) -> None:
        streams, self._streams = list(self._streams.values()), {}
        for stream in streams:
            stream.hang_up()
