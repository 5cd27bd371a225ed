"""The recorder on a virtual phone: what `collector/onphone/recorder.sh` does, told not run."""

import asyncio
import re
from collections.abc import Callable
from contextlib import suppress
from math import inf
from typing import Protocol

from collector.onphone import FOLDER, RECORDER_VERSION, SCRIPT_PATH, FastSource, LoopSettings
from collector.virtual.clock import VirtualTime
from collector.virtual.files import VirtualFiles
from collector.virtual.handset import Handset
from collector.virtual.loop import LoopTwin
from parsers.blocks import Block, render_block

_COMMAND = re.compile(
    rf"((?:[A-Z_]+=[A-Za-z0-9_-]* )+)sh {SCRIPT_PATH} (start|status|stop|remove)"
)
_MOST_UNWRITTEN_BYTES = 64 * 1024
_LOOK_EVERY_S = 5.0
_FAST: dict[str, FastSource] = {
    "uevent": "uevent",
    "property": "property",
    "none": "none",
}


class Host(Protocol):
    """The phone that the recorder runs on."""

    handset: Handset
    files: VirtualFiles
    time: VirtualTime

    def live_on(self, boot_s: float) -> bool:
        """Leads the handset on, at most to the present; False once it is off."""
        ...

    def shared_s(self, boot_s: float) -> float:
        """A moment of the handset's clock, on the time it shares with the computer."""
        ...

    def grown(self) -> None:
        """A file has grown."""
        ...


class RecorderTwin:
    """At most one recorder in the background, as a task that no host's hang-up ends.

    Attributes:
        last_seq: number of the last block that it wrote; None before.
        tick_cost_mj: energy that one tick of it takes.
        on_block: told of every block that it made, whether or not there was room for it.
    """

    def __init__(self, host: Host) -> None:
        self.last_seq: int | None = None
        self.tick_cost_mj = 0.0
        self.on_block: Callable[[Block], None] | None = None
        self._host = host
        self._task: asyncio.Task[None] | None = None
        self._run, self._mode = "-", "-"
        self._waits_for_s = -inf
        self._gap = b""

    @property
    def is_running(self) -> bool:
        """Whether it records now."""
        return self._task is not None and not self._task.done()

    @property
    def is_idle(self) -> bool:
        """True while it has nothing left to write up to the present moment."""
        return self._waits_for_s > self._host.time.monotonic_s()

    async def answer(self, command: str) -> str | None:
        """What the script prints; None for a command that is none of its own."""
        found = _COMMAND.fullmatch(command)
        if found is None:
            return None
        given = dict(item.split("=", 1) for item in found[1].split())
        run = given["RUN"]
        if found[2] == "start" and not self.is_running:
            self._begin(run, given)
        elif found[2] in ("stop", "remove"):
            await self.stop(run)
        if found[2] == "remove":
            self._clear_away(run)
        return self._status(run) if self._host.files.find(FOLDER) is not None else ""

    async def stop(self, run: str | None = None) -> None:
        """Ends it, as the stop file does; only if it works for that run, where one is named."""
        if run in (None, self._run) and self._task is not None:
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    def kill(self, *, torn_bytes: int = 0) -> None:
        """Ends it as SIGKILL does, with so much of one more block written."""
        if self._task is None:
            return
        self._task.cancel()
        self._task = None
        if torn_bytes and self.last_seq is not None:
            boot_id = self._host.handset.boot_id.split("-")[0]
            torn = f"@begin {self.last_seq + 1} {boot_id} 1.00\n@part uevent 300\n".encode()
            self._append((torn + b"x" * torn_bytes)[:torn_bytes])

    def _status(self, run: str) -> str:
        handset = self._host.handset
        node = self._host.files.find(_path(run))
        return (
            f"recorder {RECORDER_VERSION} {'running' if self.is_running else 'idle'} {self._run} "
            f"{self._mode} {handset.boot_id.split('-')[0]} {handset.boot_s:.2f} "
            f"{0 if node is None else len(node.data)}\n"
        )

    def _clear_away(self, run: str) -> None:
        files = self._host.files
        if files.find(_path(run)) is not None:
            files.remove(_path(run))
        if not any(name.endswith(".blocks") for name, _ in files.children(FOLDER)):
            files.remove(FOLDER)

    def _begin(self, run: str, given: dict[str, str]) -> None:
        self._run, self._mode = run, given["MODE"]
        loop = LoopTwin(settings_of(given), self._first_seq(given))
        self._task = asyncio.get_running_loop().create_task(self._record(loop, given))

    def _first_seq(self, given: dict[str, str]) -> int:
        """Where the last one of this boot stopped counting; a torn block's number is spent."""
        boot_id = self._host.handset.boot_id.split("-")[0]
        least = int(given["FIRST_SEQ"]) if given["FIRST_BOOT"] == boot_id else 0
        node = self._host.files.find(_path(self._run))
        data = bytes(node.data) if node is not None else b""
        self._gap = b"\n" if data else b""
        found = re.findall(rb"^@begin (\d+) %s " % boot_id.encode(), data, re.MULTILINE)
        return max(least, int(found[-1]) + 1) if found else least

    async def _record(self, loop: LoopTwin, given: dict[str, str]) -> None:
        """Block by block on the handset's clocks, until the file is full or the phone is off."""
        host, cap_bytes = self._host, int(given["CAP_KB"]) * 1024
        host.live_on(inf)
        host.handset.add_overhead(self.tick_cost_mj * 1e3 / int(given["TICK_MS"]))
        unwritten = bytearray()
        try:
            while True:
                block = loop.block(host.handset.state())
                if self.on_block is not None:
                    self.on_block(block)
                unwritten += render_block(block)
                fires_s = host.handset.next_awake(host.handset.boot_s, loop.wait_s(block.boot_s))
                until_s = host.shared_s(fires_s)
                if until_s > host.time.monotonic_s() or len(unwritten) > _MOST_UNWRITTEN_BYTES:
                    self._write(unwritten, block.seq)
                if self._size() >= cap_bytes:
                    return
                if until_s > host.time.monotonic_s():
                    await self._wait(until_s)
                if not host.live_on(fires_s):
                    return
        finally:
            self._write(unwritten, block.seq)
            host.handset.add_overhead(0.0)

    def _write(self, unwritten: bytearray, seq: int) -> None:
        if unwritten:
            self._append(bytes(unwritten))
            unwritten.clear()
            self.last_seq = seq

    def _append(self, data: bytes) -> None:
        # A full phone takes nothing, and the numbers are spent.
        with suppress(OSError):
            self._host.files.append(_path(self._run), self._gap + data)
            self._gap = b""
            self._host.grown()

    def _size(self) -> int:
        node = self._host.files.find(_path(self._run))
        return 0 if node is None else len(node.data)

    async def _wait(self, until_s: float) -> None:
        """Waits for a moment; a phone that shuts off before it does so on time.

        What somebody does to the phone meanwhile may wake it earlier than was foreseen.
        """
        host = self._host
        n_plans = host.handset.n_plans
        while host.time.monotonic_s() < until_s and host.handset.n_plans == n_plans:
            if not host.live_on(inf):
                return
            self._waits_for_s = min(until_s, host.time.monotonic_s() + _LOOK_EVERY_S)
            await host.time.until(self._waits_for_s)


def settings_of(given: dict[str, str]) -> LoopSettings:
    """The settings in the environment that a recorder is started with.

    Raises:
        KeyError: if one is missing, or the fast source is not known.
        ValueError: if a number is none.
    """
    return LoopSettings(
        fast=_FAST[given["FAST"]],
        supply=given["SUPPLY"],
        tick_ms=int(given["TICK_MS"]),
        slow_s=int(given["SLOW_S"]),
        context_s=int(given["CONTEXT_S"]),
        cap_kb=int(given["CAP_KB"]),
    )


def _path(run: str) -> str:
    return f"{FOLDER}/{run}.blocks"
