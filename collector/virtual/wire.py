"""adb messages as bytes: six little-endian words, then a payload of bounded length.

References:
    AOSP packages/modules/adb/protocol.txt and adb.h (amessage).
"""

import asyncio
import struct
from dataclasses import dataclass
from enum import IntEnum

from collector.errors import CollectorError

HEADER = struct.Struct("<6I")
MAX_PAYLOAD_BYTES = 1 << 20
VERSION = 0x01000001
"""The newest protocol version; from here on payloads carry no checksum."""
_WORD = 0xFFFFFFFF


class Command(IntEnum):
    """What a message asks for: its four letters, read as a little-endian word."""

    CNXN = 0x4E584E43
    AUTH = 0x48545541
    OPEN = 0x4E45504F
    OKAY = 0x59414B4F
    CLSE = 0x45534C43
    WRTE = 0x45545257
    STLS = 0x534C5453


class WireError(CollectorError):
    """The other side does not speak adb: drop the connection."""


@dataclass(frozen=True, slots=True)
class Message:
    """One adb message; what the two arguments mean depends on the command."""

    command: Command
    arg0: int
    arg1: int
    payload: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """The words in front of a payload that has still to be read."""

    command: Command
    arg0: int
    arg1: int
    payload_bytes: int
    checksum: int

    def message(self, payload: bytes, *, checksummed: bool) -> Message:
        """Join the header and its payload.

        Raises:
            WireError: the checksum is in use and wrong.
        """
        # A host that reconnects greets without one: it remembers the version agreed on before.
        exempt = self.command is Command.CNXN and self.arg0 >= VERSION
        if checksummed and not exempt and checksum(payload) != self.checksum:
            raise WireError(f"wrong checksum on a {self.command.name} message")
        return Message(self.command, self.arg0, self.arg1, payload)


def checksum(payload: bytes) -> int:
    """Sum of the bytes, modulo 2**32."""
    return sum(payload) & _WORD


def pack(message: Message, *, checksummed: bool) -> bytes:
    """The message as it goes over the line.

    Raises:
        WireError: the payload is longer than any peer accepts.
    """
    payload = message.payload
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise WireError(f"payload of {len(payload)} bytes is over {MAX_PAYLOAD_BYTES}")
    header = HEADER.pack(
        message.command,
        message.arg0,
        message.arg1,
        len(payload),
        checksum(payload) if checksummed else 0,
        message.command ^ _WORD,
    )
    return header + payload


def unpack_header(data: bytes) -> Header:
    """Read the 24 bytes in front of a payload.

    Raises:
        WireError: wrong size, wrong magic, unknown command or a payload over the limit.
    """
    if len(data) != HEADER.size:
        raise WireError(f"a header has {HEADER.size} bytes, not {len(data)}")
    command, arg0, arg1, payload_bytes, check, magic = HEADER.unpack(data)
    if magic != command ^ _WORD:
        raise WireError(f"wrong magic {magic:#010x} after command {command:#010x}")
    if payload_bytes > MAX_PAYLOAD_BYTES:
        raise WireError(f"payload of {payload_bytes} bytes is over {MAX_PAYLOAD_BYTES}")
    try:
        known = Command(command)
    except ValueError as exc:
        raise WireError(f"unknown command {command:#010x}") from exc
    return Header(command=known, arg0=arg0, arg1=arg1, payload_bytes=payload_bytes, checksum=check)


async def read_message(reader: asyncio.StreamReader, *, checksummed: bool) -> Message:
    """Wait for the next whole message.

    Raises:
        WireError: what came is no adb message.
        EOFError: the other side closed, between messages or within one.
    """
    header = unpack_header(await reader.readexactly(HEADER.size))
    payload = await reader.readexactly(header.payload_bytes) if header.payload_bytes else b""
    return header.message(payload, checksummed=checksummed)
