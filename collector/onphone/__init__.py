"""What runs on the phone itself: one shell loop, and how it is started."""

import re
from dataclasses import dataclass
from importlib.resources import files

LOOP_SCRIPT = files("collector.onphone").joinpath("loop.sh").read_text("utf-8")
_SUPPLY = re.compile(r"[A-Za-z0-9_-]{1,64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopSettings:
    """What the loop reads and how often.

    Attributes:
        fast: read at every tick: `uevent` (the supply's file), `property` (live current, at every
            fifth tick the charge counter) or `none`.
        supply: name of the power supply for `uevent`; letters, digits, `-` and `_` only.
        tick_ms: time from tick to tick.
        slow_s: time from one platform battery dump to the next.
        context_s: time from one look at the surroundings to the next.
        first_seq: number of the first block; goes on where an earlier stream broke.
    """

    fast: str
    supply: str = "battery"
    tick_ms: int = 1000
    slow_s: int = 10
    context_s: int = 30
    first_seq: int = 0

    def command(self) -> str:
        """The shell command that runs the loop with these settings."""
        if _SUPPLY.fullmatch(self.supply) is None:
            raise ValueError(f"supply name {self.supply!r} is not safe in a shell line")
        return (
            f"FAST={self.fast} SUPPLY={self.supply} TICK_MS={self.tick_ms:d} "
            f"SLOW_S={self.slow_s:d} CONTEXT_S={self.context_s:d} FIRST_SEQ={self.first_seq:d}\n"
            + LOOP_SCRIPT
        )
