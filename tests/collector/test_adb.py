"""Our view of a real adb server: whole answers or our own errors, never a cut answer."""

import socket
import threading
from collections.abc import Iterator

import pytest

from collector.adb import AdbServer, AdbStream
from collector.adb_server import PrivateAdbServer
from collector.errors import (
    PhoneGoneError,
    PhoneRefusedError,
    PhoneSilentError,
    ServerGoneError,
)
from collector.virtual.device import ShellIO
from collector.virtual.farm import Hosted, VirtualFarm
from collector.virtual.files import VirtualFiles


class Parrot:
    """Answers a few commands in ways a phone may."""

    def __init__(self) -> None:
        self.files = VirtualFiles()
        self.hold = threading.Event()

    def properties(self) -> dict[str, str]:
        return {"ro.product.model": "a/../b\n\x1b[31m"}

    def power_off(self) -> None:
        pass

    async def shell(self, command: str, io: ShellIO) -> int:
        if command == "both":
            await io.out(b"out\x00\xff")
            await io.err(b"err")
            return 7
        if command == "half":
            await io.out(b"half an ans")
            await io.read()
        if command == "flood":
            while True:
                await io.out(bytes(256 * 1024))
        if command == "count":
            for number in range(50):
                await io.out(b"%d\n" % number)
            await io.read()
        return 0


@pytest.fixture(scope="module")
def bench() -> Iterator[tuple[VirtualFarm, Hosted, AdbServer]]:
    with VirtualFarm() as farm, PrivateAdbServer() as private:
        hosted = farm.add(Parrot())
        private.connect(hosted.address)
        yield farm, hosted, AdbServer(private.port)


@pytest.fixture
def address(bench: tuple[VirtualFarm, Hosted, AdbServer]) -> str:
    return bench[1].address


@pytest.fixture
def server(bench: tuple[VirtualFarm, Hosted, AdbServer]) -> AdbServer:
    bench[2].connect(bench[1].address)
    return bench[2]


def read_on(stream: AdbStream) -> None:
    while True:
        stream.read(5)


def test_an_answer_is_whole(server: AdbServer, address: str) -> None:
    reply = server.phone(address).ask("both", 5)
    assert (reply.stdout, reply.stderr, reply.exit_code) == (b"out\x00\xff", b"err", 7)


def test_the_list_of_phones(server: AdbServer, address: str) -> None:
    assert server.states() == {address: "device"}


def test_a_deadline_covers_the_whole_answer(server: AdbServer, address: str) -> None:
    with pytest.raises(PhoneSilentError) as caught:
        server.phone(address).ask("half", 0.3)
    assert caught.value.deadline_s == 0.3


def test_a_flood_is_cut_off(
    server: AdbServer, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.adb.MAX_REPLY_BYTES", 1_000_000)
    with pytest.raises(PhoneGoneError, match="far too long"):
        server.phone(address).ask("flood", 10)


def test_a_stream_gives_bytes_then_waits(server: AdbServer, address: str) -> None:
    stream = server.phone(address).stream("count")
    seen = b""
    while seen.count(b"\n") < 50:
        data = stream.read(5)
        assert data is not None
        seen += data
    assert seen == b"".join(b"%d\n" % n for n in range(50))
    assert stream.read(0.05) is None
    stream.close()


def test_a_command_that_ends_is_the_end_of_its_stream(server: AdbServer, address: str) -> None:
    stream = server.phone(address).stream("both")
    assert stream.read(5) == b"out\x00\xff"
    with pytest.raises(PhoneGoneError, match="the command ended"):
        stream.read(5)
    stream.close()


def test_a_vanishing_phone_is_gone_and_comes_back(
    bench: tuple[VirtualFarm, Hosted, AdbServer], server: AdbServer, address: str
) -> None:
    farm, hosted, _ = bench
    with server.phone(address).stream("count") as stream:
        assert stream.read(5)
        farm.call(hosted.adbd.vanish)
        with pytest.raises(PhoneGoneError):
            read_on(stream)
    with pytest.raises(PhoneGoneError):
        server.connect(address)
    farm.call(hosted.adbd.come_back)
    server.connect(address)
    assert server.phone(address).ask("both", 5).exit_code == 7


def test_an_unknown_phone_is_gone(server: AdbServer) -> None:
    with pytest.raises(PhoneGoneError):
        server.phone("127.0.0.1:1").ask("both", 1)


def test_an_unauthorized_phone_needs_a_person(
    bench: tuple[VirtualFarm, Hosted, AdbServer], server: AdbServer
) -> None:
    farm, _, _ = bench
    locked = farm.add(Parrot(), require_auth=True)
    with pytest.raises(PhoneRefusedError):
        server.connect(locked.address)
    states = server.states()
    assert states[locked.address] in ("unauthorized", "authorizing")
    with pytest.raises(PhoneRefusedError, match="accept this computer's key"):
        server.phone(locked.address).ask("both", 5)
    server.disconnect(locked.address)


def test_no_server_is_started_behind_the_users_back() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        free_port = unused.getsockname()[1]
    server = AdbServer(free_port)
    with pytest.raises(ServerGoneError) as caught:
        server.states()
    assert caught.value.port == free_port
    with pytest.raises(ServerGoneError):
        server.phone("x").ask("both", 1)
