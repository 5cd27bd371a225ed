"""What is known about a phone while it is recorded, and how long one is waited for."""

from collections import deque
from dataclasses import dataclass, field

from parsers.assemble import Tick
from parsers.runfolder import PhoneEnd
from parsers.schema import Reading

KEPT_READINGS = 120
KEPT_TICKS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long a silent phone is waited for.

    Attributes:
        after_empty_s: when its last readings say it was empty.
        after_loss_s: when they do not.
        silent_s: without a block on an open stream, before the phone is asked what is wrong. A
            phone asleep is silent too, and asking wakes it: each vain question doubles the time.
    """

    after_empty_s: float = 60.0
    after_loss_s: float = 1800.0
    silent_s: float = 60.0


@dataclass(slots=True)
class Watch:
    """What is known about a phone right now; written by its poller, read by the live view.

    Attributes:
        state: in a few words: `starting`, `recording`, what is waited for, `ended`.
        advice: what the user can do about it; empty if nothing.
        n_blocks: blocks recorded.
        last: the latest readings that were looked at, oldest first.
        ticks: what was looked at and nobody has taken from here yet, oldest first.
        last_seq: number of the newest block; None before the first.
        end: how it ended; None while it goes on.
        error: what this side lost or could not do, such as readings that a full disk did not take.
        left_on_phone: blocks may be on the phone that are not in the journal.
    """

    state: str = "starting"
    advice: str = ""
    n_blocks: int = 0
    last: deque[Reading] = field(default_factory=lambda: deque(maxlen=KEPT_READINGS))
    ticks: deque[Tick] = field(default_factory=lambda: deque(maxlen=KEPT_TICKS))
    last_seq: int | None = None
    end: PhoneEnd | None = None
    error: str | None = None
    left_on_phone: bool = False
