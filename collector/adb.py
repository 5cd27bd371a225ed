"""Phones behind an adb server; the only module that talks to adbutils.

Bytes in, bytes out, shell protocol v2 only (the older one returns a cut answer as if it were
whole), one deadline over a whole answer, and every error translated into one of ours.
"""

import socket
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol, Self

from adbutils import AdbClient, AdbConnection, AdbError

from collector.adb_host import HOST, AdbHost
from collector.errors import PhoneGoneError, PhoneRefusedError, PhoneSilentError, ServerGoneError

MAX_REPLY_BYTES = 16 * 1024 * 1024
MAX_PACKET_BYTES = 16 * 1024 * 1024
_PACKET = struct.Struct("<BI")
_SYNC = struct.Struct("<4sI")
_SYNC_CHUNK_BYTES = 64 * 1024
_REASON_MAX_BYTES = 1024
_STDOUT, _STDERR, _EXIT = 1, 2, 3
_CONNECT_TIMEOUT_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """A whole answer to one command.

    Attributes:
        stdout: as sent.
        stderr: as sent.
        exit_code: of the command on the phone.
    """

    stdout: bytes
    stderr: bytes
    exit_code: int


class ByteStream(Protocol):
    """What a long-lived command prints."""

    def read(self, timeout_s: float) -> bytes | None:
        """The next bytes of standard output, or None if none came in time.

        Raises:
            PhoneGoneError: if the stream broke, or the command ended.
        """
        ...

    def close(self) -> None:
        """Hangs up."""
        ...


class Phone(Protocol):
    """A phone that can be asked."""

    @property
    def serial(self) -> str:
        """The link's name; never written to disk."""
        ...

    def ask(self, command: str, deadline_s: float) -> Reply:
        """Runs a command and waits for its whole answer.

        Raises:
            PhoneGoneError: the link broke before the answer was whole.
            PhoneSilentError: the deadline passed.
            PhoneRefusedError: a person must act (unlock, authorise, plug in).
            ServerGoneError: no adb server answers.
        """
        ...

    def stream(self, command: str) -> ByteStream:
        """Starts a long-lived command.

        Raises:
            PhoneGoneError, PhoneSilentError, PhoneRefusedError, ServerGoneError: as `ask`.
        """
        ...


class WritablePhone(Phone, Protocol):
    """A phone that takes files, too."""

    def push(self, data: bytes, path: str, deadline_s: float) -> None:
        """Puts a file onto the phone, in place of one that is there.

        Raises:
            PhoneGoneError, PhoneSilentError, PhoneRefusedError, ServerGoneError: as `ask`.
        """
        ...


class AdbServer(AdbHost):
    """A running adb server and the phones behind it.

    Args:
        port: of the server on this computer; None for the environment's choice or adb's default.
    """

    def __init__(self, port: int | None = None) -> None:
        super().__init__(port)
        self._client = AdbClient(HOST, self.port, socket_timeout=_CONNECT_TIMEOUT_S)

    def phone(self, serial: str) -> "AdbPhone":
        """The phone with that link name; nothing is asked of it yet."""
        return AdbPhone(self, serial)

    def open_service(self, serial: str, service: str, during: str) -> AdbConnection:
        """A service of one phone; for `AdbPhone`.

        Raises:
            CollectorError: as `Phone.ask`.
        """
        self._check(during)
        with _translated(self.port, serial, during):
            link = self._client.make_connection()
            try:
                link.send_command(f"host:transport:{serial}")
                link.check_okay()
                link.send_command(service)
                link.check_okay()
            except BaseException:
                link.close()
                raise
            return link
        raise AssertionError  # pragma: no cover - the context manager raises or returns

    def _check(self, during: str) -> None:
        # The library would start a server that is missing.
        try:
            socket.create_connection((HOST, self.port), timeout=_CONNECT_TIMEOUT_S).close()
        except OSError as exc:
            raise ServerGoneError(self.port, during) from exc


class AdbPhone:
    """One phone behind an `AdbServer`; safe to use from several threads."""

    def __init__(self, server: AdbServer, serial: str) -> None:
        self._server = server
        self._serial = serial

    @property
    def serial(self) -> str:
        """The link's name; never written to disk."""
        return self._serial

    def ask(self, command: str, deadline_s: float) -> Reply:
        """Runs a command and waits for its whole answer (see `Phone.ask`)."""
        with AdbStream(self._server, self._serial, command) as stream:
            return stream.reply(deadline_s)

    def stream(self, command: str) -> "AdbStream":
        """Starts a long-lived command (see `Phone.stream`)."""
        return AdbStream(self._server, self._serial, command)

    def push(self, data: bytes, path: str, deadline_s: float) -> None:
        """Puts a file onto the phone (see `WritablePhone.push`).

        References:
            AOSP packages/modules/adb/SYNC.TXT.
        """
        during = f"push {path}"
        with self._server.open_service(self._serial, "sync:", during) as link:
            target = f"{path},{0o100644}".encode()
            message = _SYNC.pack(b"SEND", len(target)) + target
            for start in range(0, len(data), _SYNC_CHUNK_BYTES):
                chunk = data[start : start + _SYNC_CHUNK_BYTES]
                message += _SYNC.pack(b"DATA", len(chunk)) + chunk
            message += _SYNC.pack(b"DONE", 0)
            with _translated(self._server.port, self._serial, during):
                link.conn.settimeout(deadline_s)
                link.conn.sendall(message)
                answer, length = _SYNC.unpack(_exactly(link.conn, _SYNC.size))
                reason = _exactly(link.conn, min(length, _REASON_MAX_BYTES))
            if answer != b"OKAY":
                raise PhoneGoneError(self._serial, during, reason.decode(errors="replace"))


class AdbStream:
    """A running v2 shell command; belongs to one thread."""

    def __init__(self, server: AdbServer, serial: str, command: str) -> None:
        self._server = server
        self._serial = serial
        self._during = command.split("\n", 1)[0][:60]
        self._link = server.open_service(serial, f"shell,v2,raw:{command}", self._during)
        self._buffer = bytearray()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Hangs up; the command on the phone gets its hang-up signal."""
        self._link.close()

    def read(self, timeout_s: float) -> bytes | None:
        """The next bytes of standard output (see `ByteStream.read`)."""
        deadline = time.monotonic() + timeout_s
        while True:
            packet = self._packet(deadline)
            if packet is None:
                return None
            kind, body = packet
            if kind == _STDOUT:
                return body
            if kind == _EXIT:
                raise PhoneGoneError(self._serial, self._during, "the command ended")

    def reply(self, deadline_s: float) -> Reply:
        """Everything up to the exit code.

        Raises:
            PhoneGoneError: the link broke, or the answer was longer than `MAX_REPLY_BYTES`.
            PhoneSilentError: the deadline passed before the exit code.
        """
        deadline = time.monotonic() + deadline_s
        output = {_STDOUT: bytearray(), _STDERR: bytearray()}
        while (packet := self._packet(deadline)) is not None:
            kind, body = packet
            if kind == _EXIT:
                return Reply(
                    stdout=bytes(output[_STDOUT]),
                    stderr=bytes(output[_STDERR]),
                    exit_code=body[0] if body else 0,
                )
            if kind in output:
                output[kind] += body
            if sum(map(len, output.values())) > MAX_REPLY_BYTES:
                raise PhoneGoneError(self._serial, self._during, "the answer is far too long")
        raise PhoneSilentError(self._serial, self._during, deadline_s)

    def _packet(self, deadline: float) -> tuple[int, bytes] | None:
        while True:
            if len(self._buffer) >= _PACKET.size:
                kind, length = _PACKET.unpack_from(self._buffer)
                if length > MAX_PACKET_BYTES:
                    raise PhoneGoneError(self._serial, self._during, "the stream is garbled")
                end = _PACKET.size + length
                if len(self._buffer) >= end:
                    body = bytes(self._buffer[_PACKET.size : end])
                    del self._buffer[:end]
                    return kind, body
            left_s = deadline - time.monotonic()
            if left_s <= 0:
                return None
            if not self._fill(left_s):
                return None

    def _fill(self, timeout_s: float) -> bool:
        with _translated(self._server.port, self._serial, self._during):
            self._link.conn.settimeout(timeout_s)
            try:
                data = self._link.conn.recv(65536)
            except TimeoutError:
                return False
        if not data:
            raise PhoneGoneError(self._serial, self._during)
        self._buffer += data
        return True


def _exactly(link: socket.socket, n_bytes: int) -> bytes:
    data = b""
    while len(data) < n_bytes:
        piece = link.recv(n_bytes - len(data))
        if not piece:
            raise EOFError
        data += piece
    return data


@contextmanager
def _translated(port: int, serial: str, during: str) -> Iterator[None]:
    """Turns what adbutils and sockets raise into our errors."""
    try:
        yield
    except AdbError as exc:
        said = str(exc)
        if "unauthorized" in said or "authorizing" in said or "no permissions" in said:
            raise PhoneRefusedError(serial, said) from exc
        if "connect to adb server" in said:
            raise ServerGoneError(port) from exc
        raise PhoneGoneError(serial, during, said) from exc
    except TimeoutError as exc:
        raise PhoneSilentError(serial, during, _CONNECT_TIMEOUT_S) from exc
    except (OSError, EOFError) as exc:
        raise PhoneGoneError(serial, during) from exc
