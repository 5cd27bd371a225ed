"""The script of actions on a virtual phone: what `drive.sh` on a real one does, told not run."""

import asyncio
import re
from contextlib import suppress
from dataclasses import dataclass

from collector.onphone import DRIVE_FOLDER, DRIVE_PATH
from collector.virtual.hands import Hands
from collector.virtual.recorder import Host

_COMMAND = re.compile(
    rf"((?:[A-Z_]+=\d{{1,9}} )*)sh {DRIVE_PATH} (start|status|stop|remove|lease(?: \d{{1,9}}))"
)
_LOOK_EVERY_S = 1.0
_LOOK_AT_HEAT_S = 10.0
_CPU_TICKS_PER_COMMAND = 4


@dataclass(slots=True)
class _Due:
    at_s: float
    every_s: float
    command: str


class DriveTwin:
    """At most one set of actions in the background; `Hands` gets what the shell would be given.

    Args:
        host: the phone.
        hands: where the commands go.
    """

    def __init__(self, host: Host, hands: Hands) -> None:
        self._host = host
        self._hands = hands
        self._task: asyncio.Task[None] | None = None
        self._lease_s = float("-inf")
        self._why, self._n_commands = "-", 0

    @property
    def is_running(self) -> bool:
        """Whether actions go on."""
        return self._task is not None and not self._task.done()

    async def answer(self, command: str) -> str | None:
        """What the script prints; None for a command that is none of its own."""
        found = _COMMAND.fullmatch(command)
        if found is None or self._host.files.find(DRIVE_PATH) is None:
            return None
        given = dict(item.split("=", 1) for item in found[1].split())
        word, _, argument = found[2].partition(" ")
        if word == "lease":
            self._lease_s = self._host.handset.boot_s + int(argument) / 10
        elif word == "start" and not self.is_running:
            self._why, self._n_commands = "-", 0
            work = self._work(int(given["TENTHS"]) / 10, int(given["STOP_DC"]) / 10)
            self._task = asyncio.get_running_loop().create_task(work)
        elif word in ("stop", "remove"):
            await self._stop()
        if word == "remove":
            self._host.files.remove(DRIVE_FOLDER)
            return ""
        return self._status()

    def kill(self) -> None:
        """Ends it with the boot session: nothing of its finale is done."""
        if self._task is not None:
            self._task.cancel()
            self._task = None

    def _status(self) -> str:
        state = "running" if self.is_running else "idle"
        cost = self._n_commands * _CPU_TICKS_PER_COMMAND
        if self.is_running:
            return f"drive 1 {state} - 0 -\n"
        known = cost if self._why != "-" else "-"
        return f"drive 1 {state} {self._why} {self._n_commands} {known}\n"

    async def _stop(self) -> None:
        if self.is_running and self._task is not None:
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task
            self._end("stopped")
        self._task = None

    async def _work(self, length_s: float, stop_c: float) -> None:
        handset = self._host.handset
        began_s = look_s = handset.boot_s
        due = [
            _Due(began_s + int(after) / 10, int(every) / 10, command)
            for after, every, command in (line.split(" ", 2) for line in self._lines("score"))
        ]
        while True:
            now_s = handset.boot_s
            if why := self._must_end(now_s - began_s >= length_s, stop_c, now_s >= look_s):
                self._end(why)
                return
            if now_s >= look_s:
                look_s = now_s + _LOOK_AT_HEAT_S
            next_s = now_s + _LOOK_EVERY_S
            for item in due:
                if now_s >= item.at_s:
                    self._send(item.command)
                    item.at_s += item.every_s or float("inf")
                    item.at_s = max(item.at_s, now_s + item.every_s)
                next_s = min(next_s, item.at_s)
            until_s = self._host.shared_s(max(next_s, now_s + 0.05))
            await self._host.time.until(until_s)
            if not self._host.live_on(float("inf")):
                return

    def _must_end(self, over: bool, stop_c: float, looks: bool) -> str:  # noqa: FBT001
        handset = self._host.handset
        if over:
            return "done"
        if handset.boot_s > self._lease_s:
            return "alone"
        warm_c = handset.state().shown.reading.temperature_dc / 10
        return "hot" if looks and warm_c >= stop_c else ""

    def _end(self, why: str) -> None:
        for command in self._lines("finale"):
            self._send(command)
        self._why = why

    def _send(self, commands: str) -> None:
        """One line of shell; commands in it are parted by `; `."""
        for command in commands.split("; "):
            self._hands.answer(command)
        self._n_commands += 1

    def _lines(self, name: str) -> list[str]:
        node = self._host.files.find(f"{DRIVE_FOLDER}/{name}")
        return [] if node is None else bytes(node.data).decode().splitlines()
