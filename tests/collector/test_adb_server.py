"""An adb server of our own: found, started, kept apart from the user's, ended."""

import os
import socket
import subprocess
import threading
from pathlib import Path
from typing import Any

import pytest

from collector import adb_server
from collector.adb_server import PrivateAdbServer, adb_binary
from collector.errors import AdbMissingError, PhoneGoneError, ServerGoneError
from collector.virtual.farm import Hosted, VirtualFarm

WAIT_S = 15.0


def script(folder: Path, text: str) -> Path:
    """An executable that stands in for a broken adb."""
    path = folder / "adb"
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)
    return path


class TestBinary:
    def test_the_bundled_one_comes_first(self) -> None:
        binary = adb_binary()

        assert binary.parent.name == "binaries"
        version = subprocess.run([binary, "version"], capture_output=True, check=True).stdout
        assert version.startswith(b"Android Debug Bridge")

    def test_else_the_one_on_the_path(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        monkeypatch.setattr(adb_server, "find_spec", lambda _: None)
        monkeypatch.setenv("PATH", str(tmp_path))
        with pytest.raises(AdbMissingError, match="PATH"):
            adb_binary()

        assert adb_binary_after_adding(tmp_path) == tmp_path / "adb"

    @pytest.mark.parametrize("name", ["missing", "folder"])
    def test_a_named_one_must_run(self, tmp_path: Path, name: str) -> None:
        (tmp_path / "folder").mkdir()

        with pytest.raises(AdbMissingError) as raised:
            PrivateAdbServer(tmp_path / name).start()
        assert raised.value.looked_in == str(tmp_path / name)


def adb_binary_after_adding(folder: Path) -> Path:
    script(folder, "exit 0")
    return adb_binary()


class TestStart:
    def test_is_apart_from_the_users(
        self, server: PrivateAdbServer, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("ADB_SERVER_SOCKET", "tcp:5037")
        monkeypatch.setenv("ANDROID_SERIAL", "somebody")

        environment = server.environment

        assert server.port != 5037
        assert environment["ANDROID_ADB_SERVER_PORT"] == str(server.port)
        assert not {"ADB_SERVER_SOCKET", "ANDROID_SERIAL"} & environment.keys()
        home = Path(environment["HOME"])
        assert home != Path.home()
        assert (home / ".android" / "adbkey").exists()
        assert server.states() == {}

    def test_two_run_side_by_side(
        self, server: PrivateAdbServer, hosted: Hosted, farm: VirtualFarm
    ) -> None:
        with PrivateAdbServer(server.binary) as other:
            server.connect(hosted.address)
            other.connect(hosted.address)

            assert server.port != other.port
            assert server.states() == other.states() == {hosted.address: "device"}
        assert server.states() == {hosted.address: "device"}
        server.disconnect(hosted.address)

    def test_close_leaves_no_process_and_no_folder(self, server: PrivateAdbServer) -> None:
        other = PrivateAdbServer(server.binary)
        with other:
            child, home = other._child, Path(other.environment["HOME"])
            assert child is not None
        other.close()

        assert child.returncode == 0
        assert not home.exists()
        with pytest.raises(ServerGoneError, match="not started"):
            _ = other.environment
        with pytest.raises(ServerGoneError):
            other._log_path()

    def test_a_lost_port_is_replaced(self, monkeypatch: pytest.MonkeyPatch) -> None:
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            ports = iter([taken.getsockname()[1], adb_server._free_port()])
            monkeypatch.setattr(adb_server, "_free_port", lambda: next(ports))

            with PrivateAdbServer() as server:
                assert server.port != taken.getsockname()[1]

    def test_the_users_port_is_never_chosen(self, monkeypatch: pytest.MonkeyPatch) -> None:
        users_port = adb_server._free_port()
        monkeypatch.setattr(adb_server, "USERS_PORT", users_port)
        real = socket.socket.getsockname
        answers = iter([("127.0.0.1", users_port)])
        monkeypatch.setattr(socket.socket, "getsockname", lambda s: next(answers, None) or real(s))

        assert adb_server._free_port() != users_port

    def test_a_server_that_ends_at_once_is_quoted(self, tmp_path: Path) -> None:
        broken = script(tmp_path, "echo no keys for you >&2; exit 1")

        with pytest.raises(ServerGoneError, match="no keys for you"):
            PrivateAdbServer(broken).start()

    def test_a_server_that_never_answers_is_ended(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(adb_server, "_START_DEADLINE_S", 0.1)
        monkeypatch.setattr(adb_server, "_KILL_WAIT_S", 0.1)
        deaf = script(tmp_path, f"echo $$ > {tmp_path}/pid; trap '' TERM; exec sleep 60")

        with pytest.raises(ServerGoneError, match="no answer"):
            PrivateAdbServer(deaf).start()

        with pytest.raises(ProcessLookupError):
            os.kill(int((tmp_path / "pid").read_text()), 0)


class TestConnect:
    def test_nobody_there(self, server: PrivateAdbServer) -> None:
        address = f"127.0.0.1:{adb_server._free_port()}"

        with pytest.raises(PhoneGoneError) as raised:
            server.connect(address)
        assert raised.value.serial == address
        assert "failed to connect" in raised.value.reason or "refused" in raised.value.reason

    def test_twice_is_fine_and_so_is_disconnecting_twice(
        self, server: PrivateAdbServer, hosted: Hosted
    ) -> None:
        server.connect(hosted.address)
        server.connect(hosted.address)
        assert server.states()[hosted.address] == "device"

        server.disconnect(hosted.address)
        server.disconnect(hosted.address)
        assert hosted.address not in server.states()

    def test_a_dead_server_is_said(self, hosted: Hosted) -> None:
        with PrivateAdbServer() as server:
            assert server._child is not None
            server._child.kill()
            server._child.wait()

            with pytest.raises(ServerGoneError) as raised:
                server.connect(hosted.address)
        assert raised.value.port == server.port


@pytest.mark.parametrize(
    "answer", [b"HTTP/1.1 400 Bad Request", b"OKAYzzzz", b"OKAY00ff short", b""]
)
def test_whatever_else_listens_is_no_server(
    answer: bytes, server: PrivateAdbServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=_answer_once, args=(listener, answer))
        thread.start()
        monkeypatch.setattr(server, "port", listener.getsockname()[1])

        with pytest.raises(ServerGoneError):
            server.states()
        thread.join(WAIT_S)


def _answer_once(listener: Any, answer: bytes) -> None:
    link, _ = listener.accept()
    with link:
        link.recv(100)
        link.sendall(answer)
