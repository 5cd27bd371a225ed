"""What an adb server is asked about its phones: which there are, connect one, forget one."""

import os
import socket
import time

from collector.errors import PhoneGoneError, PhoneRefusedError, ServerGoneError

HOST = "127.0.0.1"
USERS_PORT = 5037
"""Where adb's own server listens unless told otherwise."""
_ANSWER_DEADLINE_S = 20.0
_CONNECT_DEADLINE_S = 5.0
_POLL_S = 0.02


class AdbHost:
    """An adb server on this computer, reached by its socket protocol; never started by it.

    Args:
        port: of the server; None for the environment's choice or adb's default.

    Attributes:
        port: of the server.
    """

    def __init__(self, port: int | None = None) -> None:
        self.port = (
            int(os.environ.get("ANDROID_ADB_SERVER_PORT", USERS_PORT)) if port is None else port
        )

    def states(self) -> dict[str, str]:
        """State (`device`, `offline`, `unauthorized`, …) by serial or address, in its order.

        Raises:
            ServerGoneError: the server does not answer.
        """
        lines = self.ask_server("host:devices").split("\n")
        pairs = (line.rpartition("\t") for line in lines if "\t" in line)
        return {serial: state for serial, _, state in pairs}

    def connect(self, address: str) -> None:
        """Connects a phone at HOST:PORT; an entry that is listed but no longer works goes first.

        Raises:
            PhoneGoneError: nothing answers there.
            PhoneRefusedError: the phone does not accept our key.
            ServerGoneError: the server does not answer.
        """
        until_s = time.monotonic() + _CONNECT_DEADLINE_S
        while True:
            if self.states().get(address, "device") != "device":
                self.disconnect(address)
            answer = self.ask_server(f"host:connect:{address}")
            # "already" may be about an entry that just went or is not ready: the list tells.
            unclear = answer.startswith("already connected to")
            if unclear and self.states().get(address) == "device":
                return
            if not unclear or time.monotonic() > until_s:
                break
            time.sleep(_POLL_S)
        if answer.startswith("failed to authenticate"):
            raise PhoneRefusedError(address, answer)
        if not answer.startswith("connected to"):
            raise PhoneGoneError(address, "connecting", answer)

    def disconnect(self, address: str) -> None:
        """Forgets a phone that was reached by network; one that is not listed is no error.

        Raises:
            ServerGoneError: the server does not answer.
        """
        self.ask_server(f"host:disconnect:{address}")

    def ask_server(self, service: str, *, has_body: bool = True) -> str:
        """The server's answer to one request, also where it is a refusal in words.

        Raises:
            ServerGoneError: the server does not answer, or not as one.
        """
        until_s = time.monotonic() + _ANSWER_DEADLINE_S
        request = service.encode()
        try:
            with socket.create_connection((HOST, self.port), timeout=_ANSWER_DEADLINE_S) as link:
                link.sendall(b"%04x" % len(request) + request)
                status = _receive(link, 4, until_s)
                if status not in (b"OKAY", b"FAIL"):
                    raise ServerGoneError(self.port, "what listens there is no adb server")
                if not has_body:
                    return ""
                length_bytes = int(_receive(link, 4, until_s), 16)
                return _receive(link, length_bytes, until_s).decode(errors="replace")
        except (OSError, EOFError, ValueError) as exc:
            raise ServerGoneError(self.port, f"no answer to '{service}': {exc}") from exc


def _receive(link: socket.socket, n_bytes: int, until_s: float) -> bytes:
    data = b""
    while len(data) < n_bytes:
        link.settimeout(max(0.001, until_s - time.monotonic()))
        piece = link.recv(n_bytes - len(data))
        if not piece:
            raise EOFError("the server closed the connection")
        data += piece
    return data
