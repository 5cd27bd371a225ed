"""An adb server of our own, apart from the user's: other port, other keys, no discovery."""

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from importlib.util import find_spec
from pathlib import Path
from typing import Self

from collector.errors import AdbMissingError, PhoneGoneError, PhoneRefusedError, ServerGoneError

_HOST = "127.0.0.1"
_USERS_PORT = 5037
_PORT_TRIES = 5
_START_DEADLINE_S = 15.0
_ANSWER_DEADLINE_S = 20.0
_KILL_WAIT_S = 5.0
_CONNECT_DEADLINE_S = 5.0
_POLL_S = 0.02
_LOG_TAIL_CHARS = 300


def adb_binary() -> Path:
    """The adb program to start: the one in the adbutils wheel, else the first on the PATH.

    Raises:
        AdbMissingError: there is neither.
    """
    name = "adb.exe" if sys.platform == "win32" else "adb"
    spec = find_spec("adbutils")
    if spec is not None and spec.origin is not None:
        bundled = Path(spec.origin).parent / "binaries" / name
        if os.access(bundled, os.X_OK):
            return bundled
    found = shutil.which("adb")
    if found is None:
        raise AdbMissingError("the 'adbutils' package and the PATH")
    return Path(found)


class PrivateAdbServer:
    """Runs `adb server nodaemon` on a free port as a child of this process.

    It runs in a group of its own, so that a Ctrl-C reaches us and not the server in the middle of
    a recording. If this process is killed hard, the server and its temporary folder stay behind:
    harmless, as it looks for no phones by itself, and `adb -P PORT kill-server` ends it.

    Args:
        binary: the adb program; None takes `adb_binary()`. Clients of this server that are adb
            programs themselves must be the same one: adb replaces a server of another version.
    """

    def __init__(self, binary: Path | None = None) -> None:
        self.binary = binary or adb_binary()
        self.port = 0
        self._child: subprocess.Popen[bytes] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def environment(self) -> dict[str, str]:
        """What the server, and any adb program that shall talk to it, is started with.

        Raises:
            ServerGoneError: the server is not running.
        """
        if self._folder is None:
            raise ServerGoneError(self.port, "it was not started")
        # Leftovers such as ADB_SERVER_SOCKET or ADB_VENDOR_KEYS would lead to the user's server.
        kept = {k: v for k, v in os.environ.items() if not k.startswith(("ADB_", "ANDROID_"))}
        return kept | {
            "ADB_EMU": "0",
            "ADB_MDNS": "0",
            "ADB_USB": "0",
            "ANDROID_ADB_LOG_PATH": str(Path(self._folder.name) / "adb.log"),
            "ANDROID_ADB_SERVER_PORT": str(self.port),
            "HOME": self._folder.name,
        }

    def start(self) -> None:
        """Start the server and wait until it answers.

        Raises:
            AdbMissingError: the program is not there or cannot be run.
            ServerGoneError: it ended at once or does not answer.
        """
        self._folder = tempfile.TemporaryDirectory(prefix="rundown-adb-")
        try:
            for tries_left in reversed(range(_PORT_TRIES)):
                self.port = _free_port()
                self._child = self._launch()
                try:
                    self._wait_until_it_answers()
                except ServerGoneError:
                    # Only a child that ended may have lost its port to somebody else.
                    if not tries_left or self._child.poll() is None:
                        raise
                else:
                    return
        except BaseException:
            self.close()
            raise

    def connect(self, address: str) -> None:
        """Connect a phone at HOST:PORT; an entry that is listed but no longer works goes first.

        Raises:
            PhoneGoneError: nothing answers there.
            PhoneRefusedError: the phone does not accept our key.
            ServerGoneError: the server does not answer.
        """
        until_s = time.monotonic() + _CONNECT_DEADLINE_S
        while True:
            if self.states().get(address, "device") != "device":
                self.disconnect(address)
            answer = self._ask(f"host:connect:{address}")
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
        """Forget a phone; one that is not listed is no error.

        Raises:
            ServerGoneError: the server does not answer.
        """
        self._ask(f"host:disconnect:{address}")

    def states(self) -> dict[str, str]:
        """State (`device`, `offline`, `unauthorized`, …) by serial or address.

        Raises:
            ServerGoneError: the server does not answer.
        """
        lines = self._ask("host:devices").split("\n")
        pairs = (line.rpartition("\t") for line in lines if "\t" in line)
        return {serial: state for serial, _, state in pairs}

    def close(self) -> None:
        """End the server and remove its folder; safe to repeat."""
        child, self._child = self._child, None
        if child is not None:
            self._end(child)
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _launch(self) -> subprocess.Popen[bytes]:
        command = [str(self.binary), "-P", str(self.port), "server", "nodaemon"]
        flags = 0
        if sys.platform == "win32":
            flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW
        with self._log_path().open("wb") as log:
            try:
                return subprocess.Popen(  # noqa: S603 - our own arguments, no shell
                    command,
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=subprocess.STDOUT,
                    env=self.environment,
                    creationflags=flags,
                    start_new_session=sys.platform != "win32",
                )
            except OSError as exc:
                raise AdbMissingError(str(self.binary)) from exc

    def _wait_until_it_answers(self) -> None:
        until_s = time.monotonic() + _START_DEADLINE_S
        while self._child is not None and self._child.poll() is None:
            try:
                self._ask("host:version")
            except ServerGoneError:
                if time.monotonic() > until_s:
                    raise
                time.sleep(_POLL_S)
            else:
                return
        raise ServerGoneError(self.port, f"it ended at once: {self._last_words()}")

    def _end(self, child: subprocess.Popen[bytes]) -> None:
        try:
            if child.poll() is None:
                self._ask("host:kill", has_body=False)
                child.wait(timeout=_KILL_WAIT_S)
        except (ServerGoneError, subprocess.TimeoutExpired):
            child.terminate()
        try:
            child.wait(timeout=_KILL_WAIT_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()

    def _log_path(self) -> Path:
        if self._folder is None:
            raise ServerGoneError(self.port, "it was not started")
        return Path(self._folder.name) / "server.log"

    def _last_words(self) -> str:
        return self._log_path().read_text(errors="replace").strip()[-_LOG_TAIL_CHARS:]

    def _ask(self, service: str, *, has_body: bool = True) -> str:
        """The server's answer to one request, also where it is a refusal in words."""
        until_s = time.monotonic() + _ANSWER_DEADLINE_S
        request = service.encode()
        try:
            with socket.create_connection((_HOST, self.port), timeout=_ANSWER_DEADLINE_S) as link:
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


def _free_port() -> int:
    while True:
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            probe.bind((_HOST, 0))
            port: int = probe.getsockname()[1]
        if port != _USERS_PORT:
            return port
