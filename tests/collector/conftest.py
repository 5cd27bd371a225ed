"""Virtual phones with a script or with physics, and the adb servers to reach them through."""

import asyncio
import queue
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer, adb_binary
from collector.clock import Clock
from collector.recording.bench import Bench, Ready, make_ready
from collector.recording.tidy import tidy
from collector.recording.watch import Patience
from collector.virtual.clock import FastTime
from collector.virtual.device import Device, ShellIO
from collector.virtual.farm import Hosted, VirtualFarm
from collector.virtual.files import VirtualFiles
from collector.virtual.handset import ALDER, Handset, HandsetSpec, Stage
from collector.virtual.loads import NAVIGATION
from collector.virtual.phone import VirtualPhone
from parsers.runfolder import RunFolder
from parsers.tables import read_table

DEBIAN_ADB = Path("/usr/bin/adb")


class ScriptedPhone:
    """Runs a handful of commands; `ended` tells how the endless ones came to their end."""

    def __init__(self, **properties: str) -> None:
        self.files = VirtualFiles(limit_bytes=8 << 20)
        self.ended: queue.Queue[str] = queue.Queue()
        self._properties = {f"ro.product.{name}": text for name, text in properties.items()}

    def properties(self) -> dict[str, str]:
        return self._properties

    def power_off(self) -> None:
        pass

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


class Stand:
    """Virtual phones on a fast clock, recorded by a bench; knows every block that they made.

    Attributes:
        made: boot session and number of each block, by label, in the order they were made.
    """

    RATE = 40.0

    def __init__(self, farm: VirtualFarm, server: PrivateAdbServer, path: Path) -> None:
        self.farm = farm
        self.server = server
        self.run = RunFolder(path)
        self.time = FastTime(self.RATE)
        self.phones: dict[str, VirtualPhone] = {}
        self.hosted: dict[str, Hosted] = {}
        self.made: dict[str, list[tuple[str, int]]] = {}

    def add(
        self, label: str = "alder-1", seed: int = 4, spec: HandsetSpec = ALDER
    ) -> VirtualPhone:
        stages = [Stage(activity=NAVIGATION, duration_s=1e6, name="navigation")]
        phone = VirtualPhone(Handset(spec, stages, seed=seed), self.time)
        self.host(label, phone)
        made: list[tuple[str, int]] = []
        phone.recorder.on_block = lambda block: made.append((block.boot_id, block.seq))
        self.phones[label], self.made[label] = phone, made
        return phone

    def host(self, label: str, device: Device) -> None:
        self.hosted[label] = self.farm.add(device)
        self.server.connect(self.hosted[label].address)

    def ready(self, tick_ms: int = 1000) -> list[Ready]:
        labels = {hosted.address: label for label, hosted in self.hosted.items()}
        return make_ready(AdbServer(self.server.port), labels, tick_ms=tick_ms)

    def bench(self, clock: Clock | None = None, patience: Patience | None = None) -> Bench:
        return Bench(
            self.run,
            AdbServer(self.server.port),
            self.ready(),
            clock or self.time,
            virtual=True,
            patience=patience or Patience(silent_s=20.0),
            start_server=lambda _: self.server.restart(),
        )

    def call(self, fn: Callable[..., Any], *args: Any, **kwargs: Any) -> Any:
        return self.farm.call(fn, *args, **kwargs)

    def away(self, label: str, during: Callable[[], Any] = lambda: None) -> None:
        """The phone leaves the network, something happens, and it is back."""
        self.call(self.hosted[label].adbd.vanish)
        during()
        self.call(self.hosted[label].adbd.come_back)

    def pass_s(self, seconds: float) -> None:
        """Lets so much of the phones' time go by."""
        until_s = self.time.monotonic_s() + seconds
        wait_until(lambda: self.time.monotonic_s() >= until_s)

    def tables(self) -> dict[str, list[tuple[str, int]]]:
        """Boot session and number of each row, by label."""
        tidy(self.run)
        frame = read_table(self.run.tables / "readings").to_pandas()
        return {
            label: list(zip(part["boot_id"], part["seq"], strict=True))
            for label, part in frame.groupby("phone", observed=True)
        }

    def missing(self, label: str) -> list[tuple[str, int]]:
        """What the manifest lists as missing, as far as it was made."""
        listed = self.run.read_manifest().phone(label).missing
        return [
            (boot_id, seq)
            for boot_id, seq in self.made[label]
            if any(
                m.reason
                and m.boot_id == boot_id
                and m.first_seq <= seq
                and (m.last_seq is None or seq <= m.last_seq)
                for m in listed
            )
        ]

    def check(self, label: str = "alder-1", n_missing: int | None = 0) -> list[tuple[str, int]]:
        """Every block made is in the tables once or listed as missing; returns the listed ones."""
        rows = self.tables()[label]
        assert len(rows) == len(set(rows)), "none twice"
        made, listed = self.made[label], self.missing(label)
        assert len(made) == len(set(made)), "the phone counted well"
        assert set(rows) <= set(made), "nothing invented"
        lost = [block for block in made if block not in set(rows)]
        assert set(lost) <= set(listed), "what is not there is said to be missing, with a reason"
        sessions = list(dict.fromkeys(boot_id for boot_id, _ in made))
        order = {boot_id: n for n, boot_id in enumerate(sessions)}
        assert rows == sorted(rows, key=lambda row: (order[row[0]], row[1])), "in order"
        if n_missing is not None:
            assert len(lost) == n_missing
        return lost


def wait_until(ready: Callable[[], object], wait_s: float = 30.0) -> None:
    deadline = time.monotonic() + wait_s
    while not ready():
        if time.monotonic() > deadline:
            pytest.fail("it never happened")
        time.sleep(0.005)


@pytest.fixture
def wait_for() -> Callable[[Callable[[], object]], None]:
    """Waits for something to become true, and fails if it never does."""
    return wait_until


@pytest.fixture(scope="module")
def own_server() -> Iterator[PrivateAdbServer]:
    """One that tests may kill."""
    with PrivateAdbServer() as running:
        yield running


@pytest.fixture
def stand(
    farm: VirtualFarm,
    own_server: PrivateAdbServer,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Iterator[Stand]:
    monkeypatch.setattr("collector.recording.poller.BACK_OFF_S", (0.05, 0.1, 0.2))
    stand = Stand(farm, own_server, tmp_path / "run")
    yield stand
    for hosted in stand.hosted.values():
        own_server.disconnect(hosted.address)
        farm.call(hosted.adbd.stop)
