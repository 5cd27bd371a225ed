"""The way back to a phone, and what is said while there is none."""

from collections.abc import Callable

import pytest

from collector.adb import AdbServer
from collector.errors import (
    CollectorError,
    JournalFullError,
    PhoneGoneError,
    PhoneRefusedError,
    ServerGoneError,
)
from collector.inventory.probe import Offer
from collector.onphone import LoopSettings
from collector.recording.bench import Ready
from collector.recording.exposure import listening, stop_listening
from collector.recording.link import Link, advice_for, waiting_for
from collector.virtual.device import ShellIO
from collector.virtual.farm import VirtualFarm
from collector.virtual.files import VirtualFiles
from parsers.runfolder import PhoneEntry

ADDRESS = "127.0.0.1:9"


class ListedServer(AdbServer):
    """A server that lists one phone in a state, and notes what it is asked to do."""

    def __init__(self, serial: str, *states: str | None) -> None:
        super().__init__(1)
        self._serial = serial
        self._states = list(states)
        self.done: list[str] = []

    def states(self) -> dict[str, str]:
        state = self._states.pop(0) if len(self._states) > 1 else self._states[0]
        if state is None:
            raise ServerGoneError(self.port)
        return {self._serial: state} if state else {}

    def connect(self, address: str) -> None:
        self.done.append(f"connect {address}")

    def disconnect(self, address: str) -> None:
        self.done.append(f"disconnect {address}")


def test_a_phone_on_the_network_is_connected_again() -> None:
    server = ListedServer(ADDRESS, "offline")
    Link(server, ADDRESS).restore(stalled=False)
    assert server.done == [f"connect {ADDRESS}"]


def test_a_stalled_link_is_given_up_first() -> None:
    server = ListedServer(ADDRESS, "device")
    Link(server, ADDRESS).restore(stalled=True)
    assert server.done == [f"disconnect {ADDRESS}", f"connect {ADDRESS}"]


def test_a_phone_on_a_cable_is_only_looked_for() -> None:
    server = ListedServer("S1", "device")
    Link(server, "S1").restore(stalled=True)
    assert server.done == []


@pytest.mark.parametrize(
    ("state", "error", "advice"),
    [
        ("unauthorized", PhoneRefusedError, "accept the debugging key"),
        ("offline", PhoneGoneError, "connect again"),
        ("recovery", PhoneGoneError, "start the phone normally"),
        ("no permissions (user)", PhoneGoneError, "udev rule"),
        ("", PhoneGoneError, "not listed"),
        ("strange", PhoneGoneError, "debugging allowed"),
    ],
)
def test_each_state_has_its_advice(state: str, error: type[CollectorError], advice: str) -> None:
    with pytest.raises(error) as caught:
        Link(ListedServer("S1", state), "S1").restore(stalled=False)
    assert advice in waiting_for(caught.value)[1]
    assert advice in advice_for(state)


def test_a_missing_server_is_started_once_somebody_may() -> None:
    with pytest.raises(ServerGoneError):
        Link(ListedServer("S1", None), "S1").restore(stalled=False)
    started: list[int] = []
    Link(ListedServer("S1", None, "device"), "S1", started.append).restore(stalled=False)
    assert started == [1]


def test_a_full_disk_and_an_unknown_error_are_said_too() -> None:
    assert waiting_for(JournalFullError("j", "full"))[0] == "disk full"
    assert waiting_for(CollectorError("?")) == ("waiting for the link", "")


class Exposed:
    """A phone that says on which port its adb listens."""

    def __init__(self, told: bytes) -> None:
        self.files = VirtualFiles()
        self._told = told

    def properties(self) -> dict[str, str]:
        return {}

    def power_off(self) -> None:
        pass

    async def shell(self, command: str, io: ShellIO) -> int:
        assert command == "getprop service.adb.tcp.port"
        await io.out(self._told)
        return 0


def test_open_ports_are_found_and_closed(
    farm: VirtualFarm, own_server: AdbServer, wait_for: Callable[[Callable[[], object]], None]
) -> None:
    server = AdbServer(own_server.port)
    phones = {}
    for label, told in {"open": b"5555\n", "shut": b"\n", "off": b"-1\n"}.items():
        hosted = farm.add(Exposed(told))
        server.connect(hosted.address)
        offer = Offer(settings=LoopSettings(fast="none"), sources={}, refused={}, design_mah=None)
        entry = PhoneEntry(label=label, phone_hash=label)
        phones[label] = Ready(serial=hosted.address, entry=entry, offer=offer)
    found = listening(server, phones.values())
    assert found == {"open": phones["open"].serial}
    assert stop_listening(server, found) == []
    wait_for(lambda: server.states().get(found["open"]) != "device")
    assert server.states()[phones["shut"].serial] == "device"
    assert stop_listening(server, {"gone": "127.0.0.1:1"}) == ["gone"]
