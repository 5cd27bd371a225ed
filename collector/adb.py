"""Phones behind an adb server; the only module that talks to adbutils.

Bytes in, bytes out, shell protocol v2 only (the older one returns a cut answer as if it were
whole), one deadline over a whole answer, and every error translated into one of ours.
"""

import os
import socket
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol, Self

from adbutils import AdbClient, AdbConnection, AdbError

from collector.errors import PhoneGoneError, PhoneRefusedError, PhoneSilentError, ServerGoneError

MAX_REPLY_BYTES = 16 * 1024 * 1024
MAX_PACKET_BYTES = 16 * 1024 * 1024
_PACKET = struct.Struct("<BI")
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Attached:
    """One line of the server's list of phones.

    Attributes:
        serial: the server's name for the link; never written to disk.
        state: `device` when it can be used, else `offline`, `unauthorized`, ...
    """

    serial: str
    state: str


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


class AdbServer:
    """A running adb server, reached by its socket protocol.

    Args:
        port: of the server on this computer; None for the environment's choice or adb's default.
    """

    def __init__(self, port: int | None = None) -> None:
        chosen = port or int(os.environ.get("ANDROID_ADB_SERVER_PORT", "5037"))
        self._client = AdbClient("127.0.0.1", chosen, socket_timeout=_CONNECT_TIMEOUT_S)

    @property
    def port(self) -> int:
        """The server's port."""
        return int(self._client.port)

    def check(self) -> None:
        """Makes sure a server answers, without starting one.

        Raises:
            ServerGoneError: if none does.
        """
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=_CONNECT_TIMEOUT_S).close()
        except OSError as exc:
            raise ServerGoneError(self.port) from exc

    def attached(self) -> list[Attached]:
        """Every phone the server lists, in its order.

        Raises:
            ServerGoneError: if no server answers.
        """
        lines = self._host_query("host:devices").split("\n")
        pairs = (line.rpartition("\t") for line in lines if "\t" in line)
        return [Attached(serial=serial, state=state) for serial, _, state in pairs]

    def connect(self, address: str) -> None:
        """Connects a phone that is reached by network; a stale entry is dropped first.

        Raises:
            PhoneGoneError: if it does not answer there.
            ServerGoneError: if no server answers.
        """
        if any(a.serial == address and a.state != "device" for a in self.attached()):
            self._host_query(f"host:disconnect:{address}")
        answer = self._host_query(f"host:connect:{address}")
        if not answer.startswith(("connected to", "already connected")):
            raise PhoneGoneError(address, "connecting")

    def disconnect(self, address: str) -> None:
        """Forgets a phone that was reached by network; unknown addresses are no error.

        Raises:
            ServerGoneError: if no server answers.
        """
        self._host_query(f"host:disconnect:{address}")

    def phone(self, serial: str) -> "AdbPhone":
        """The phone with that link name; nothing is asked of it yet."""
        return AdbPhone(self, serial)

    def _host_query(self, query: str) -> str:
        self.check()
        with _translated(self.port, "", query), self._client.make_connection() as link:
            link.send_command(query)
            try:
                link.check_okay()
                return str(link.read_string_block())
            except AdbError as exc:
                if query.startswith(("host:connect", "host:disconnect")):
                    return str(exc)
                raise
        raise AssertionError  # pragma: no cover - the context manager raises or returns

    def open_shell(self, serial: str, command: str, during: str) -> AdbConnection:
        """A v2 shell on one phone; for `AdbPhone`."""
        self.check()
        with _translated(self.port, serial, during):
            link = self._client.make_connection()
            try:
                link.send_command(f"host:transport:{serial}")
                link.check_okay()
                link.send_command(f"shell,v2,raw:{command}")
                link.check_okay()
            except BaseException:
                link.close()
                raise
            return link
        raise AssertionError  # pragma: no cover


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


class AdbStream:
    """A running v2 shell command; belongs to one thread."""

    def __init__(self, server: AdbServer, serial: str, command: str) -> None:
        self._server = server
        self._serial = serial
        self._during = command.split("\n", 1)[0][:60]
        self._link = server.open_shell(serial, command, self._during)
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
