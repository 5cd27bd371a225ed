"""A virtual phone as adb sees it: the shell commands it knows, its files, and its recorder."""

import asyncio
import re
from collections.abc import Callable
from math import inf

from collector.onphone import RECORDER_SCRIPT, SCRIPT_PATH
from collector.virtual import dumps_context
from collector.virtual.clock import VirtualTime
from collector.virtual.commands import answer_to
from collector.virtual.device import ShellIO
from collector.virtual.driver import DriveTwin
from collector.virtual.files import VirtualFiles
from collector.virtual.hands import Hands
from collector.virtual.handset import Handset
from collector.virtual.recorder import RecorderTwin

DENIED, NOT_FOUND = 1, 127
_TAIL = re.compile(r"exec tail -c \+(\d{1,12})( -f)? (/\S+)")
_CHUNK_BYTES = 256 * 1024


class VirtualPhone:
    """A handset behind a shell. An unknown command fails, as on a phone that lacks it.

    Args:
        handset: the hardware.
        time: what the handset's clocks run on.

    Attributes:
        files: what is on the phone; the recorder's script has to be pushed before it runs.
        hands: what is done to it through its shell, and what it received.
        driver: the script of actions that it runs by itself.
        recorder: lives through hang-ups, and ends with the boot session.
        on_off: called when the phone has shut off; give it the way to drop its links.
    """

    def __init__(self, handset: Handset, time: VirtualTime) -> None:
        self.handset = handset
        self.time = time
        self.files = VirtualFiles()
        self.hands = Hands(handset)
        self.recorder = RecorderTwin(self)
        self.driver = DriveTwin(self, self.hands)
        self.on_off: Callable[[], None] | None = None
        self._growth = asyncio.Event()
        self._zero_s = time.monotonic_s() - handset.boot_s

    @property
    def is_idle(self) -> bool:
        """True while the recorder has nothing left to write up to the present moment."""
        return self.recorder.is_idle

    @property
    def last_seq(self) -> int | None:
        """Number of the last block that the recorder wrote; None before."""
        return self.recorder.last_seq

    def properties(self) -> dict[str, str]:
        """What the banner tells."""
        return dumps_context.properties(self.handset.state())

    def reboot(self) -> None:
        """Starts a new boot session now; files stay, what ran is gone."""
        self.live_on(inf)
        self.power_off()
        self.handset.reboot()
        self._zero_s = self.time.monotonic_s() - self.handset.boot_s

    def power_off(self) -> None:
        """Ends what runs on the phone; to be called on its event loop."""
        self.recorder.kill()
        self.driver.kill()

    async def shell(self, command: str, io: ShellIO) -> int:
        """Runs one command line."""
        if (tail := _TAIL.fullmatch(command)) is not None:
            return await self._tail(tail[3], int(tail[1]) - 1, io, follow=tail[2] is not None)
        self.live_on(inf)
        answer = await self._scripted(command)
        if answer is None:
            answer = await self.driver.answer(command)
        if answer is None:
            answer = self.hands.answer(command)
        if answer is None:
            answer = answer_to(command, self.handset.state())
        name, _, argument = command[:200].partition(" ")
        if answer is None and name == "cat":
            await io.err(f"cat: {argument}: Permission denied\n".encode("utf-8", "replace"))
            return DENIED
        if answer is None:
            text = f"/system/bin/sh: {name}: inaccessible or not found\n"
            await io.err(text.encode("utf-8", "replace"))
            return NOT_FOUND
        await io.out(answer.encode("utf-8", "surrogateescape"))
        return 0

    def live_on(self, boot_s: float) -> bool:
        """Leads the handset on, at most to the present; False once it is off."""
        self.handset.advance_to(min(boot_s, self.time.monotonic_s() - self._zero_s))
        if self.handset.is_off and self.on_off is not None:
            self.on_off()
        return not self.handset.is_off

    def shared_s(self, boot_s: float) -> float:
        """A moment of the handset's clock, on the time it shares with the computer."""
        return self._zero_s + boot_s

    def grown(self) -> None:
        """A file has grown: whoever follows one looks again."""
        grown, self._growth = self._growth, asyncio.Event()
        grown.set()

    async def _scripted(self, command: str) -> str | None:
        script = self.files.find(SCRIPT_PATH)
        if script is None or script.data != RECORDER_SCRIPT.encode():
            return None
        return await self.recorder.answer(command)

    async def _tail(self, path: str, from_bytes: int, io: ShellIO, *, follow: bool) -> int:
        """What `tail -c +N` prints, and with `-f` what is added to the file afterwards."""
        node = self.files.find(path)
        if node is None:
            await io.err(f"tail: {path}: No such file or directory\n".encode())
            return 1
        while True:
            growth = self._growth
            if data := bytes(node.data[from_bytes : from_bytes + _CHUNK_BYTES]):
                from_bytes += len(data)
                await io.out(data)
            elif follow:
                await growth.wait()
            else:
                return 0
