"""What a virtual phone does and will do, load event by load event."""

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from collector.virtual.loads import Activity, Load, LoadEvent

_SHORTEST_S = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One entry of a day.

    Attributes:
        name: what the person with the phone calls it.
    """

    activity: Activity
    duration_s: float
    name: str


class Schedule:
    """The running load event and, as far as somebody asked, those to come.

    Args:
        stages: what is done, in order.
        last: what is done for ever after.
        power_ratios: this phone's power per activity name, 1 where there is none.
        seed: same seed, same events.
        start_s: when the first event begins.

    Attributes:
        activity: running now.
        end_s: when the running event ends.
        power_mw: of the running event.
        awake: whether the processor is awake in it.
    """

    def __init__(
        self,
        stages: Sequence[Stage],
        last: Activity,
        power_ratios: Mapping[str, float],
        *,
        seed: str,
        start_s: float,
    ) -> None:
        self._power_ratios = power_ratios
        self._seed = seed
        self._events = self._play(stages, last)
        self._ahead: deque[tuple[Activity, LoadEvent]] = deque()
        self.end_s = start_s
        self.next_event(start_s)

    def next_event(self, start_s: float) -> None:
        """The following event begins."""
        self.activity, event = self._ahead.popleft() if self._ahead else next(self._events)
        duration_s, self.power_mw, self.awake = event
        self.end_s = start_s + duration_s

    def coming(self, from_s: float) -> Iterator[tuple[float, float, bool]]:
        """Start, end and awake of all events from a time within the running one on, endlessly."""
        yield from_s, self.end_s, self.awake
        start_s, i = self.end_s, 0
        while True:
            if i == len(self._ahead):
                self._ahead.append(next(self._events))
            _, (duration_s, _, awake) = self._ahead[i]
            yield start_s, start_s + duration_s, awake
            start_s, i = start_s + duration_s, i + 1

    def _play(
        self, stages: Sequence[Stage], last: Activity
    ) -> Iterator[tuple[Activity, LoadEvent]]:
        for i, stage in enumerate(stages):
            left_s = stage.duration_s
            for duration_s, power_mw, awake in self._load(stage.activity, i):
                if duration_s > left_s - _SHORTEST_S:
                    yield stage.activity, (left_s, power_mw, awake)
                    break
                yield stage.activity, (duration_s, power_mw, awake)
                left_s -= duration_s
        for event in self._load(last, len(stages)):
            yield last, event

    def _load(self, activity: Activity, index: int) -> Load:
        return Load(
            activity=activity,
            seed=f"{self._seed}/{index}/{activity.name}",
            power_ratio=self._power_ratios.get(activity.name, 1.0),
        )
