"""What the live view shows beside what the pollers know."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.screen.conductor import Progress
from collector.screen.meter import Meter
from parsers.slips import SlipRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """All that the view is made of, beside what the pollers know.

    Attributes:
        progress: where the test is.
        slips: going on now.
        n_slips: seen since the start.
        meters: by label.
        since_s: beginning of the segment on the computer's clock; None between segments.
        ambient_c: room temperature as stated.
        message: what has just happened, or what the user must decide.
        is_urgent: the message is about safety.
        entry: what is being typed, with what is asked for; None if nothing is.
        keys: what can be pressed.
    """

    progress: Progress = field(default_factory=Progress)
    slips: Sequence[SlipRecord] = ()
    n_slips: int = 0
    meters: Mapping[str, Meter] = field(default_factory=dict)
    since_s: float | None = None
    ambient_c: float | None = None
    message: str = ""
    is_urgent: bool = False
    entry: tuple[str, str] | None = None
    keys: Sequence[tuple[str, str]] = ()
