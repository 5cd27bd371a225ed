"""Every way a link can fail, as a host behind a real adb server meets it."""

import asyncio
import logging
import socket
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from adbutils import AdbClient, AdbConnection, AdbDevice, AdbTimeout

from collector.adb_server import PrivateAdbServer
from collector.errors import PhoneGoneError
from collector.virtual.farm import Hosted, VirtualFarm

WAIT_S = 15.0


@pytest.fixture
def device(server: PrivateAdbServer, address: str) -> AdbDevice:
    return AdbClient("127.0.0.1", server.port, socket_timeout=WAIT_S).device(address)


@pytest.fixture
def ticking(device: AdbDevice) -> Iterator[AdbConnection]:
    with device.shell("tick", stream=True, timeout=WAIT_S) as stream:
        assert stream.read(5) == b"tick\n"
        yield stream


def rest_of(stream: AdbConnection) -> bytes:
    return bytes(stream.read_until_close(encoding=None))


def wait_until(condition: Callable[[], bool]) -> None:
    """Ask again and again; how long adb takes is its own affair."""
    until_s = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < until_s
        time.sleep(0.01)


def open_v2(device: AdbDevice, command: str) -> AdbConnection:
    stream = device.open_transport(timeout=WAIT_S)
    stream.send_command(f"shell,v2,raw:{command}")
    stream.check_okay()
    return stream


class TestVanish:
    def test_streams_end_and_new_hosts_are_refused(
        self, farm: VirtualFarm, hosted: Hosted, ticking: AdbConnection
    ) -> None:
        farm.call(hosted.adbd.vanish)

        assert set(rest_of(ticking).split(b"\n")) <= {b"tick", b"", b"t", b"ti", b"tic"}
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", hosted.adbd.port), timeout=WAIT_S)

    def test_the_other_side_sees_a_reset(self, farm: VirtualFarm, hosted: Hosted) -> None:
        with socket.create_connection(("127.0.0.1", hosted.adbd.port), timeout=WAIT_S) as host:
            host.sendall(b"\0" * 10)
            farm.call(hosted.adbd.come_back)  # a round trip, so that the host was let in
            farm.call(hosted.adbd.vanish)

            with pytest.raises(ConnectionResetError):
                host.recv(1)

    @pytest.mark.parametrize("protocol", ["v2", "plain"])
    def test_v2_commands_hang_up_and_plain_ones_lose_their_pipe(
        self, farm: VirtualFarm, hosted: Hosted, device: AdbDevice, phone: Any, protocol: str
    ) -> None:
        stream = open_v2(device, "tick") if protocol == "v2" else device.open_shell("tick")
        with stream:
            assert stream.read(1)
            farm.call(hosted.adbd.vanish)

            assert phone.ended.get(timeout=WAIT_S) == (
                "hung up" if protocol == "v2" else "broken pipe"
            )

    def test_comes_back_at_the_same_address(
        self, farm: VirtualFarm, hosted: Hosted, device: AdbDevice, server: PrivateAdbServer
    ) -> None:
        for _ in range(3):
            farm.call(hosted.adbd.vanish)
            farm.call(hosted.adbd.vanish)
            wait_until(lambda: server.states().get(hosted.address) != "device")
            with pytest.raises(PhoneGoneError):
                server.connect(hosted.address)
            farm.call(hosted.adbd.come_back)
            farm.call(hosted.adbd.come_back)
            server.connect(hosted.address)

            assert server.states()[hosted.address] == "device"
            assert device.shell("say again") == "again"

    def test_a_leftover_is_replaced(
        self, farm: VirtualFarm, hosted: Hosted, device: AdbDevice, server: PrivateAdbServer
    ) -> None:
        farm.call(hosted.adbd.vanish)
        wait_until(lambda: server.states()[hosted.address] == "offline")
        farm.call(hosted.adbd.come_back)

        server.connect(hosted.address)

        assert device.shell("say again") == "again"

    def test_the_server_finds_it_again_by_itself(
        self, farm: VirtualFarm, hosted: Hosted, device: AdbDevice, server: PrivateAdbServer
    ) -> None:
        farm.call(hosted.adbd.vanish)
        wait_until(lambda: server.states()[hosted.address] == "offline")
        farm.call(hosted.adbd.come_back)

        wait_until(lambda: server.states()[hosted.address] == "device")

        assert device.shell("say again") == "again"


class TestStall:
    def test_nothing_is_carried_and_nothing_is_said(
        self, farm: VirtualFarm, hosted: Hosted, device: AdbDevice, server: PrivateAdbServer
    ) -> None:
        farm.call(hosted.adbd.stall)

        with device.open_transport(timeout=0.3) as stream:
            stream.send_command("shell:say hello")
            with pytest.raises(AdbTimeout):
                stream.check_okay()
        assert server.states()[hosted.address] == "device"

        farm.call(hosted.adbd.resume)
        assert device.shell("say hello", timeout=WAIT_S) == "hello"

    def test_a_stream_goes_on_where_it_stopped(
        self, farm: VirtualFarm, hosted: Hosted, device: AdbDevice
    ) -> None:
        with device.shell("count n 2000", stream=True, timeout=WAIT_S) as stream:
            first = stream.read(4)
            farm.call(hosted.adbd.stall)
            farm.call(hosted.adbd.resume)
            text = (first + rest_of(stream)).decode()

        assert text == "".join(f"n {n}\n" for n in range(2000))

    def test_a_stalled_phone_can_vanish(
        self, farm: VirtualFarm, hosted: Hosted, device: AdbDevice, phone: Any
    ) -> None:
        with open_v2(device, "silence") as stream:
            assert stream.read(5 + 6)
            farm.call(hosted.adbd.stall)
            stream.conn.sendall(b"\0\x01\0\0\0x")
            farm.call(hosted.adbd.vanish)

            assert phone.ended.get(timeout=WAIT_S) == "hung up"
            assert stream.read(1) == b""
        farm.call(hosted.adbd.resume)

    def test_stopping_a_stalled_phone_does_not_hang(self, farm: VirtualFarm, phone: Any) -> None:
        other = farm.add(phone)
        with socket.create_connection(("127.0.0.1", other.adbd.port), timeout=WAIT_S):
            farm.call(other.adbd.stall)

            farm.call(other.adbd.stop)


class TestCutStream:
    def test_no_exit_code_and_the_link_stays(
        self, farm: VirtualFarm, hosted: Hosted, device: AdbDevice, phone: Any
    ) -> None:
        with open_v2(device, "silence") as stream:
            assert stream.read(5 + 6) == b"\x01\x06\0\0\0ready\n"
            farm.call(hosted.adbd.cut_stream)

            assert stream.read(1) == b""
        assert phone.ended.get(timeout=WAIT_S) == "hung up"
        assert device.shell2("exit 5", v2=True).returncode == 5

    def test_the_library_reports_the_missing_end(
        self, farm: VirtualFarm, hosted: Hosted, ticking: AdbConnection
    ) -> None:
        farm.call(hosted.adbd.cut_stream, after_bytes=12)

        text = b"tick\n" + rest_of(ticking)

        assert text == (b"tick\n" * len(text))[: len(text)]
        # Twelve bytes is no whole number of lines: the end falls within one.
        assert len(text) % 5 == 12 % 5


class TestDrip:
    def test_all_arrives_but_slowly(
        self, farm: VirtualFarm, hosted: Hosted, device: AdbDevice
    ) -> None:
        farm.call(hosted.adbd.drip, 20_000.0)
        loop_s = farm.call(_loop_s)

        assert device.shell("bytes 16", encoding=None) == bytes(range(256)) * 16

        assert farm.call(_loop_s) - loop_s >= 4096 / 20_000
        farm.call(hosted.adbd.drip, None)
        assert device.shell("bytes 4096", encoding=None) == bytes(range(256)) * 4096

    @pytest.mark.parametrize("rate", [0.0, -1.0, float("nan")])
    def test_a_rate_of_nothing_is_refused(
        self, farm: VirtualFarm, hosted: Hosted, rate: float
    ) -> None:
        with pytest.raises(ValueError, match="above 0"):
            farm.call(hosted.adbd.drip, rate)


async def _loop_s() -> float:
    return asyncio.get_running_loop().time()


class TestDefects:
    def test_a_mistake_in_the_phone_ends_its_command_only(
        self, device: AdbDevice, caplog: pytest.LogCaptureFixture
    ) -> None:
        with caplog.at_level(logging.ERROR, "asyncio"), pytest.raises(EOFError):
            device.shell2("crash", v2=True)

        assert device.shell("say fine") == "fine"
        assert "a mistake in the phone" in caplog.text

    def test_a_killed_server_hangs_up(self, farm: VirtualFarm, new_phone: Any) -> None:
        phone = new_phone()
        hosted = farm.add(phone)
        with PrivateAdbServer() as server:
            server.connect(hosted.address)
            stream = open_v2(AdbClient("127.0.0.1", server.port).device(hosted.address), "silence")
            assert stream.read(5 + 6)
            assert server._child is not None
            server._child.kill()

            assert phone.ended.get(timeout=WAIT_S) == "hung up"
            assert stream.read(1) == b""
            stream.close()
        farm.call(hosted.adbd.stop)

    def test_a_disconnect_hangs_up(
        self, device: AdbDevice, server: PrivateAdbServer, phone: Any, hosted: Hosted
    ) -> None:
        with open_v2(device, "silence") as stream:
            assert stream.read(5 + 6)
            server.disconnect(hosted.address)

            assert phone.ended.get(timeout=WAIT_S) == "hung up"
            assert stream.read(1) == b""
        assert hosted.address not in server.states()
