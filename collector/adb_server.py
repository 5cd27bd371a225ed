"""An adb server of our own, apart from the user's: other port, other keys, no discovery."""

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from importlib.util import find_spec
from pathlib import Path
from typing import Self

from collector.adb_host import HOST, USERS_PORT, AdbHost
from collector.errors import AdbMissingError, ServerGoneError

_PORT_TRIES = 5
_START_DEADLINE_S = 15.0
_KILL_WAIT_S = 5.0
_POLL_S = 0.02
_LOG_TAIL_CHARS = 300
_starting = threading.Lock()


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


class PrivateAdbServer(AdbHost):
    """Runs `adb server nodaemon` on a free port as a child of this process.

    It runs in a group of its own, so that a Ctrl-C reaches us and not the server in the middle of
    a recording. If this process is killed hard, the server and its temporary folder stay behind:
    harmless, as it looks for no phones by itself, and `adb -P PORT kill-server` ends it.

    Args:
        binary: the adb program; None takes `adb_binary()`. Clients of this server that are adb
            programs themselves must be the same one: adb replaces a server of another version.
    """

    def __init__(self, binary: Path | None = None) -> None:
        super().__init__(0)
        self.binary = binary or adb_binary()
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

    def restart(self) -> None:
        """Start it again on the same port, after it was ended by somebody else.

        Raises:
            ServerGoneError: it does not answer, or runs and was not ended.
        """
        if self._child is not None and self._child.poll() is None:
            raise ServerGoneError(self.port, "it still runs")
        self._child = self._launch()
        self._wait_until_it_answers()

    def kill(self) -> None:
        """End it as SIGKILL does; its phones are left hanging."""
        if self._child is not None:
            self._child.kill()
            self._child.wait()

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
                self.ask_server("host:version")
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
                self.ask_server("host:kill", has_body=False)
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


def start_server(port: int) -> None:
    """Starts adb's own server again, as `adb start-server` does; it outlives this program.

    The adb program of the PATH goes first: it is the one that ran before, and one of another
    version would replace the server again.

    Raises:
        AdbMissingError: no adb program is to be had.
        ServerGoneError: it did not start.
    """
    binary = shutil.which("adb") or str(adb_binary())
    with _starting:
        try:
            AdbHost(port).ask_server("host:version")
        except ServerGoneError:
            _run([binary, "-P", str(port), "start-server"], port)


def _run(command: list[str], port: int) -> None:
    try:
        subprocess.run(  # noqa: S603 - our own arguments, no shell
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=_START_DEADLINE_S,
            check=True,
        )
    except OSError as exc:
        raise AdbMissingError(command[0]) from exc
    except subprocess.SubprocessError as exc:
        raise ServerGoneError(port, str(exc)) from exc


def _free_port() -> int:
    while True:
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            probe.bind((HOST, 0))
            port: int = probe.getsockname()[1]
        if port != USERS_PORT:
            return port
