"""A virtual phone with a script instead of physics, and the adb servers to reach it through."""

import asyncio
import queue
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.adb_server import PrivateAdbServer, adb_binary
from collector.virtual.device import ShellIO
from collector.virtual.farm import Hosted, VirtualFarm
from collector.virtual.files import VirtualFiles

DEBIAN_ADB = Path("/usr/bin/adb")


class ScriptedPhone:
    """Runs a handful of commands; `ended` tells how the endless ones came to their end."""

    def __init__(self, **properties: str) -> None:
        self.files = VirtualFiles(limit_bytes=8 << 20)
        self.ended: queue.Queue[str] = queue.Queue()
        self._properties = {f"ro.product.{name}": text for name, text in properties.items()}

    def properties(self) -> dict[str, str]:
        return self._properties

    async def shell(self, command: str, io: ShellIO) -> int:
        name, _, argument = command.partition(" ")
        run: Callable[[str, ShellIO], object] | None = getattr(self, f"_{name}", None)
        if run is None:
            await io.err(f"sh: {name}: inaccessible or not found\n".encode())
            return 127
        code = await run(argument, io)  # type: ignore[misc]  # every command is a coroutine
        return int(code or 0)

    async def _say(self, text: str, io: ShellIO) -> None:
        await io.out(text.encode() + b"\n")

    async def _exit(self, code: str, io: ShellIO) -> int:
        return int(code)

    async def _both(self, code: str, io: ShellIO) -> int:
        await io.out(b"to out\n")
        await io.err(b"to err\n")
        return int(code)

    async def _bytes(self, repeats: str, io: ShellIO) -> None:
        await io.out(bytes(range(256)) * int(repeats))

    async def _count(self, spec: str, io: ShellIO) -> None:
        tag, n_lines = spec.split()
        for number in range(int(n_lines)):
            await io.out(f"{tag} {number}\n".encode())

    async def _cat(self, _: str, io: ShellIO) -> None:
        while (data := await io.read()) is not None:
            await io.out(data)

    async def _tick(self, _: str, io: ShellIO) -> None:
        try:
            while True:
                await io.out(b"tick\n")
                await asyncio.sleep(0.005)
        except BrokenPipeError:
            self.ended.put("broken pipe")
            raise
        except asyncio.CancelledError:
            self.ended.put("hung up")
            raise

    async def _silence(self, _: str, io: ShellIO) -> None:
        await io.out(b"ready\n")
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            self.ended.put("hung up")
            raise

    async def _crash(self, _: str, io: ShellIO) -> None:
        await io.out(b"half an ans")
        raise ZeroDivisionError("a mistake in the phone")


@pytest.fixture(scope="session", params=["bundled", "debian"])
def server(request: pytest.FixtureRequest) -> Iterator[PrivateAdbServer]:
    """Both adb programs in turn; a missing one is a failure, as neither may go untested."""
    binary = adb_binary() if request.param == "bundled" else DEBIAN_ADB
    with PrivateAdbServer(binary) as running:
        yield running


@pytest.fixture(scope="session")
def farm() -> Iterator[VirtualFarm]:
    with VirtualFarm() as running:
        yield running


@pytest.fixture
def phone() -> ScriptedPhone:
    return ScriptedPhone(name="alder", model="Alder 1", device="alder1")


@pytest.fixture
def new_phone() -> type[ScriptedPhone]:
    return ScriptedPhone


@pytest.fixture
def hosted(farm: VirtualFarm, phone: ScriptedPhone) -> Iterator[Hosted]:
    """The phone on a port of its own, not yet connected."""
    running = farm.add(phone)
    yield running
    farm.call(running.adbd.stop)


@pytest.fixture
def address(server: PrivateAdbServer, hosted: Hosted) -> Iterator[str]:
    """The phone, connected to the adb server."""
    server.connect(hosted.address)
    yield hosted.address
    server.disconnect(hosted.address)
