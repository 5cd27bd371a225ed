"""Leads a test along its plan: what is on, what is next, how much time is left."""

from collections.abc import Iterator
from dataclasses import dataclass

from collector.clock import Clock
from collector.errors import TagError
from collector.planning.plan import Plan, Slot, turns
from collector.slips.watch import Scene
from collector.tagging.tags import Tagger
from parsers.tags import TaggedSegment


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Where a test is.

    Attributes:
        segment: name of what is tagged; empty if nothing is.
        on_s: how long it has been on.
        left_s: until it is over by the plan; None without one. Below 0 when it is overdue.
        lead_s: until it begins to count; None when it counts already.
        rest_s: pause still to go before the next one may begin.
        slot: the plan's turn that is tagged; None for a segment of the user's own.
        next_slot: None if the plan is over, or there is none.
    """

    segment: str = ""
    on_s: float = 0.0
    left_s: float | None = None
    lead_s: float | None = None
    rest_s: float = 0.0
    slot: Slot | None = None
    next_slot: Slot | None = None


class Conductor:
    """Begins and ends the segments of a plan; without a plan, those that the user names.

    Args:
        plan: None for a free run.
        tagger: of the run.
        clock: the computer's clocks.
    """

    def __init__(self, plan: Plan | None, tagger: Tagger, clock: Clock) -> None:
        self._tagger = tagger
        self._clock = clock
        self._turns: Iterator[Slot] = iter(()) if plan is None else turns(plan)
        self._next = next(self._turns, None)
        self._slot: Slot | None = None
        self._lead_until_s: float | None = None
        self._rest_until_s = float("-inf")
        self._open: TaggedSegment | None = None
        self._open_s = 0.0
        self._all_open: list[TaggedSegment] = []

    def go_on(self) -> str:
        """The next segment of the plan; what is open ends. Says what was done.

        Raises:
            TagError: if the tag does not fit.
        """
        if self._next is None:
            raise TagError("the plan is over: t begins a segment of your own")
        slot = self._next
        self._end_open()
        self._slot, self._next = slot, next(self._turns, None)
        if slot.segment.lead_s:
            self._lead_until_s = self._clock.monotonic_s() + slot.segment.lead_s
            return f"'{slot.segment.name}' counts in {slot.segment.lead_s:.0f} s"
        return self._begin(slot.segment.name)

    def begin_own(self, name: str) -> str:
        """A segment that the user names; what is open ends.

        Raises:
            TagError: if the name cannot be used.
        """
        self._slot = self._lead_until_s = None
        return self._begin(name)

    def end(self) -> str:
        """Ends what is open.

        Raises:
            TagError: if nothing is.
        """
        self._lead_until_s = None
        record = self._tagger.end()
        self._after_end()
        return f"'{record.name}' ended"

    def follow(self, open_segments: list[TaggedSegment]) -> str:
        """Keeps up with the clock and with tags set elsewhere; says what happened, if anything.

        Raises:
            TagError: if the tag does not fit.
        """
        now_s = self._clock.monotonic_s()
        self._all_open = open_segments
        shared = [segment for segment in open_segments if segment.phone is None]
        latest = next(reversed(shared or open_segments), None)
        if latest is not None and latest.start.at_host_s is not None:
            self._open_s = latest.start.at_host_s
        elif latest is None or self._open is None or latest.id != self._open.id:
            self._open_s = now_s
        self._open = latest
        if self._lead_until_s is not None and now_s >= self._lead_until_s and self._slot:
            self._lead_until_s = None
            return self._begin(self._slot.segment.name)
        left_s = self.progress().left_s
        if latest is not None and left_s is not None and left_s <= 0 and self._is_planned():
            self._tagger.end()
            self._after_end()
            return f"'{latest.whole}' is over"
        return ""

    def scene(self, label: str | None = None) -> Scene:
        """What a phone, or all, are meant to do now."""
        own = next((s for s in self._all_open if label is not None and s.on(label)), self._open)
        if self._open is None or own is None:
            return Scene()
        wanted = self._slot.segment if self._slot and self._is_planned() else None
        return Scene(segment=own.whole, since_s=self._open_s, wanted=wanted)

    def progress(self) -> Progress:
        """Where the test is now."""
        now_s = self._clock.monotonic_s()
        on_s = now_s - self._open_s if self._open else 0.0
        slot = self._slot if self._is_planned() else None
        planned_s = None if slot is None else slot.duration_s
        return Progress(
            segment=self._open.whole if self._open else "",
            on_s=on_s,
            left_s=None if planned_s is None else planned_s - on_s,
            lead_s=None if self._lead_until_s is None else self._lead_until_s - now_s,
            rest_s=max(0.0, self._rest_until_s - now_s),
            slot=slot,
            next_slot=self._slot if self._lead_until_s is not None else self._next,
        )

    def _is_planned(self) -> bool:
        return (
            self._slot is not None
            and self._open is not None
            and self._open.whole == self._slot.segment.name
        )

    def _begin(self, name: str) -> str:
        self._tagger.begin(name, close_open=True)
        return f"'{name}' has begun"

    def _end_open(self) -> None:
        self._lead_until_s = None
        if self._open is not None and self._next is not None and self._next.segment.lead_s:
            self._tagger.end()
            self._open = None

    def _after_end(self) -> None:
        self._open = None
        if self._slot is not None:
            self._rest_until_s = self._clock.monotonic_s() + self._slot.segment.rest_min * 60
