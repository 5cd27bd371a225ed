"""One phone's raw readings as columns, and the stretches of them that can be trusted.

Only stretches on battery, awake and closely sampled count: a current read right after a suspend
overstates what the phone drew, and the counter goes on while nobody looks.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from statistics import median
from typing import Self

from parsers.schema import ContextChange, Reading

LONGEST_STEP_S = 20.0
_SUSPENDED_S = 0.3
_SUSPENDED_RATIO = 0.2
_FLAG_HOLDS_S = 60.0
"""How long a plug flag is believed without being read again."""
_SETTLING_S = 20.0
"""Readings lag behind a plug by so much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeSamples:
    """One phone's readings, one item per tick and equally long; None where a tick has no value.

    Attributes:
        boot_s: phone clock, suspend included; goes back only where the phone rebooted.
        current_raw: as sent.
        counter_raw: as sent.
        level_pct: as shown.
        plugged: None also where the platform's values are simulated.
        awake_s: phone clock, suspend left out.
        screen_on: empty if unknown throughout.
        capacity_mah: stated capacity of the pack.
    """

    boot_s: Sequence[float]
    current_raw: Sequence[int | None]
    counter_raw: Sequence[int | None]
    level_pct: Sequence[float | None]
    plugged: Sequence[bool | None]
    awake_s: Sequence[float | None]
    screen_on: Sequence[bool | None] = ()
    capacity_mah: float | None = None

    @classmethod
    def from_readings(
        cls,
        readings: Iterable[Reading],
        capacity_mah: float | None = None,
        changes: Iterable[ContextChange] = (),
    ) -> Self:
        """The columns of a readings table; simulated levels and plugs are left out.

        Args:
            readings: of one phone, in order.
            capacity_mah: stated capacity of the pack.
            changes: of its context table, for the screen.
        """
        rows = list(readings)
        return cls(
            boot_s=[row.boot_s for row in rows],
            current_raw=[row.current_raw for row in rows],
            counter_raw=[row.charge_counter_raw for row in rows],
            level_pct=[row.level_pct if row.trusted else None for row in rows],
            plugged=[row.plugged if row.trusted else None for row in rows],
            awake_s=[row.awake_s for row in rows],
            screen_on=_screen_on(rows, changes),
            capacity_mah=capacity_mah,
        )


def _screen_on(rows: list[Reading], changes: Iterable[ContextChange]) -> list[bool | None]:
    """The screen at each reading, as it was last seen in the same boot session."""
    seen = {(each.host_utc, each.boot_s): each.value for each in changes if each.name == "screen"}
    screen_on: list[bool | None] = []
    boot_id: str | None = None
    value: str | None = None
    for row in rows:
        value = seen.get((row.host_utc, row.boot_s), value if row.boot_id == boot_id else None)
        boot_id = row.boot_id
        screen_on.append(None if value is None else value == "on")
    return screen_on


@dataclass(frozen=True, slots=True)
class Piece:
    """From one step of counter or level to the next, within one good stretch."""

    seconds: float
    step: float
    charge: float
    counts: int


def settled_plug(samples: GaugeSamples) -> list[bool | None]:
    """The plug state at each reading where the flags before and after agree and have settled."""
    times = samples.boot_s
    before = _nearest(times, samples.plugged)
    after = _nearest([-t for t in reversed(times)], list(reversed(samples.plugged)))[::-1]
    settled: list[bool | None] = []
    changed_s = -math.inf
    last: bool | None = None
    for k, (t, past, future) in enumerate(zip(times, before, after, strict=True)):
        state = past if past == future else None
        if k and state != last:
            changed_s = t
        last = state
        settled.append(state if not 0 <= t - changed_s < _SETTLING_S else None)
    return settled


def _nearest(times: Sequence[float], flags: Sequence[bool | None]) -> list[bool | None]:
    """The last flag read, at each time, unless too long ago."""
    held: list[bool | None] = []
    seen_s = -math.inf
    flag: bool | None = None
    for t, read in zip(times, flags, strict=True):
        if read is not None:
            seen_s, flag = t, read
        held.append(flag if 0 <= t - seen_s <= _FLAG_HOLDS_S else None)
    return held


def falling(samples: GaugeSamples) -> list[bool]:
    """Without any plug flag: between the first and the last step of a level that only falls."""
    levels = steps(samples.level_pct)
    only_falls = len(levels) > 1 and all(change < 0 for _, change in levels)
    first, last = (levels[0][0], levels[-1][0]) if only_falls else (0, -1)
    return [first <= k <= last for k in range(len(samples.boot_s))]


def steps(values: Sequence[float | None]) -> list[tuple[int, float]]:
    """Where a value differs from the last one read, and by how much."""
    known = [(k, value) for k, value in enumerate(values) if value is not None]
    return [(k, b - a) for (_, a), (k, b) in pairwise(known) if a != b]


def stretches(samples: GaugeSamples, on_battery: list[bool]) -> list[int]:
    """A number for each reading that changes wherever the way from the last one is not good."""
    times = samples.boot_s
    spans_s = [b - a for a, b in pairwise(times)]
    usual_s = median(spans_s) if spans_s else 0.0
    longest_s = min(LONGEST_STEP_S, max(3.0, 3 * usual_s))
    asleep = _asleep(samples)
    broken = [
        not (on_battery[k] and on_battery[k + 1] and 0 < span_s < longest_s and not asleep[k])
        for k, span_s in enumerate(spans_s)
    ]
    return list(accumulate(broken, initial=0))


def _asleep(samples: GaugeSamples) -> list[bool]:
    """For the way from each reading to the next: the phone was suspended in between."""
    asleep = [False] * len(samples.boot_s)
    known = [(k, awake_s) for k, awake_s in enumerate(samples.awake_s) if awake_s is not None]
    for (a, awake_a), (b, awake_b) in pairwise(known):
        boot_s = samples.boot_s[b] - samples.boot_s[a]
        if boot_s - (awake_b - awake_a) > max(_SUSPENDED_S, _SUSPENDED_RATIO * boot_s):
            asleep[a:b] = [True] * (b - a)
    return asleep


def charges(samples: GaugeSamples, stretch: list[int]) -> list[float]:
    """Raw current integrated along each stretch, in raw units times 1 h, at each reading."""
    charge: list[float] = []
    total = 0.0
    last: int | None = None
    for k, current in enumerate(samples.current_raw):
        if last is not None and stretch[last] != stretch[k]:
            last = None
        since_h = (samples.boot_s[k] - samples.boot_s[last]) / 3600 if last is not None else 0.0
        before = 0 if last is None else samples.current_raw[last] or 0
        if current is None:
            charge.append(total + before * since_h)
            continue
        total += (before + current) / 2 * since_h
        charge.append(total)
        last = k
    return charge


def pieces(
    samples: GaugeSamples, values: Sequence[float | None], stretch: list[int], charge: list[float]
) -> list[Piece]:
    """From step to step of counter or level, where the way in between is good throughout."""
    counter = _held(samples.counter_raw)
    return [
        Piece(
            samples.boot_s[b] - samples.boot_s[a],
            change,
            charge[b] - charge[a],
            counter[b] - counter[a],
        )
        for (a, _), (b, change) in pairwise(steps(values))
        if stretch[a] == stretch[b]
    ]


def _held(values: Sequence[int | None]) -> list[int]:
    """Each value, or the last one before it; 0 before the first."""
    return list(accumulate(values, lambda last, v: last if v is None else v, initial=0))[1:]
