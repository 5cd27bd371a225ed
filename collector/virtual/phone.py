"""A virtual phone as adb sees it: the shell commands it knows, and the on-phone loop."""

from collections.abc import Callable
from math import inf

from collector.onphone import LOOP_SCRIPT, LoopSettings
from collector.virtual import dumps_context
from collector.virtual.clock import VirtualTime
from collector.virtual.commands import answer_to
from collector.virtual.device import ShellIO
from collector.virtual.files import VirtualFiles
from collector.virtual.handset import Handset
from collector.virtual.loop import LoopTwin, settings_of
from parsers.blocks import render_block

DENIED, NOT_FOUND = 1, 127
_MOST_UNSENT_BYTES = 64 * 1024
_LOOK_EVERY_S = 5.0


class VirtualPhone:
    """A handset behind a shell. An unknown command fails, as on a phone that lacks it.

    Args:
        handset: the hardware.
        time: what the handset's clocks run on.

    Attributes:
        on_off: called when the phone has shut off; give it the way to drop its links.
        last_seq: number of the last block that the running loop has sent; None before.
    """

    def __init__(self, handset: Handset, time: VirtualTime) -> None:
        self.handset = handset
        self.files = VirtualFiles()
        self.on_off: Callable[[], None] | None = None
        self.last_seq: int | None = None
        self._waits_for_s = -inf
        self._time = time
        self._zero_s = time.monotonic_s() - handset.boot_s

    @property
    def is_idle(self) -> bool:
        """True while the loop has nothing left to send up to the present moment."""
        return self._waits_for_s > self._time.monotonic_s()

    def properties(self) -> dict[str, str]:
        """What the banner tells."""
        return dumps_context.properties(self.handset.state())

    def reboot(self) -> None:
        """Starts a new boot session now."""
        self._live_on(inf)
        self.handset.reboot()
        self._zero_s = self._time.monotonic_s() - self.handset.boot_s

    async def shell(self, command: str, io: ShellIO) -> int:
        """Runs one command line."""
        if command.endswith(LOOP_SCRIPT):
            return await self._loop(settings_of(command), io)
        self._live_on(inf)
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

    def _live_on(self, boot_s: float) -> bool:
        """Leads the handset on, at most to the present; False once it is off."""
        self.handset.advance_to(min(boot_s, self._time.monotonic_s() - self._zero_s))
        if self.handset.is_off and self.on_off is not None:
            self.on_off()
        return not self.handset.is_off

    async def _loop(self, settings: LoopSettings, io: ShellIO) -> int:
        """What `collector/onphone/loop.sh` does, tick by tick on the handset's clocks."""
        loop = LoopTwin(settings)
        self._live_on(inf)
        unsent = bytearray()
        while True:
            block = loop.block(self.handset.state())
            unsent += render_block(block)
            fires_s = self.handset.next_awake(self.handset.boot_s, loop.wait_s(block.boot_s))
            until_s = self._zero_s + fires_s
            if until_s > self._time.monotonic_s() or len(unsent) > _MOST_UNSENT_BYTES:
                await io.out(bytes(unsent))
                unsent.clear()
                self.last_seq = block.seq
            if until_s > self._time.monotonic_s():
                await self._wait(until_s)
            if not self._live_on(fires_s):
                return 0

    async def _wait(self, until_s: float) -> None:
        """Waits for a moment; a phone that shuts off before it does so on time."""
        while (now_s := self._time.monotonic_s()) < until_s:
            if not self._live_on(now_s - self._zero_s):
                return
            self._waits_for_s = min(until_s, now_s + _LOOK_EVERY_S)
            await self._time.until(self._waits_for_s)
