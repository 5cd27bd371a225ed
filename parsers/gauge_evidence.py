"""What one phone's raw readings show about its gauge, before any unit is assumed."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median, quantiles

from parsers.gauge_samples import (
    LONGEST_STEP_S,
    GaugeSamples,
    Piece,
    charges,
    falling,
    pieces,
    settled_plug,
    steps,
    stretches,
)

_N_BLOCKS = 8
_LEAST_BLOCKS = 3
_SCATTER = 2.5
_LEAST_READINGS = 10
_MAJORITY = 0.95
_MOST_EVENTS = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterMove:
    """How the counter moves on battery.

    Attributes:
        counts: sum of its steps, without sign.
        sign: 1 if it falls, -1 if it rises.
        awake_s: time those steps took.
        charge_per_count: integrated raw current, in raw units times 1 h, per count; None without
            enough of either.
        scattered: the two do not go together, or the steps go both ways.
    """

    counts: int
    sign: int
    awake_s: float
    charge_per_count: float | None
    scattered: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What the readings show.

    Attributes:
        no_current: why the current is of no use; empty if it is.
        median_raw: of the current's magnitude on battery.
        battery_s: time on battery, without long gaps.
        lit_s: time on battery with the screen on.
        lit_peak_raw: largest magnitude then.
        current_sign: 1, -1, 0 (magnitude only) or None: cannot tell.
        out_is_positive: the raw current is positive on battery.
        sign_why: the reason in words.
        counter: kind of counter.
        moved: the counter on battery; None if it made too few steps.
        charge_per_level: integrated raw current, raw units times 1 h, per percent of level.
        counts_per_level: counts per percent of level.
    """

    no_current: str
    median_raw: float
    battery_s: float
    lit_s: float
    lit_peak_raw: int
    current_sign: int | None
    out_is_positive: bool | None
    sign_why: str
    counter: str
    moved: CounterMove | None
    charge_per_level: float | None
    counts_per_level: float | None


def gather(samples: GaugeSamples) -> Evidence:
    """Everything the readings of one phone show."""
    plug = settled_plug(samples)
    flagged = any(flag is not None for flag in samples.plugged)
    on_battery = [p is False for p in plug] if flagged else falling(samples)
    stretch = stretches(samples, on_battery)
    charge = charges(samples, stretch)
    drawn = [
        i
        for i, is_on in zip(samples.current_raw, on_battery, strict=True)
        if is_on and i is not None
    ]
    no_current = _no_current(samples, drawn)
    counter_pieces = pieces(samples, samples.counter_raw, stretch, charge)
    level_pieces = [p for p in pieces(samples, samples.level_pct, stretch, charge) if p.step < 0]
    n_percent = -sum(piece.step for piece in level_pieces)
    moved = _counter_move(counter_pieces, has_current=not no_current)
    sign, sign_why = (None, "") if no_current else _sign(samples, plug, drawn, moved)
    screen_on = samples.screen_on or [None] * len(on_battery)
    is_lit = [on and lit is True for on, lit in zip(on_battery, screen_on, strict=True)]
    lit = [abs(i or 0) for i, lit in zip(samples.current_raw, is_lit, strict=True) if lit]
    return Evidence(
        no_current=no_current,
        median_raw=median(abs(i) for i in drawn) if not no_current else 0.0,
        battery_s=_time_s(samples, on_battery),
        lit_s=_time_s(samples, is_lit),
        lit_peak_raw=max(lit, default=0),
        current_sign=sign,
        out_is_positive=None if no_current else _out_is_positive(drawn),
        sign_why=sign_why,
        counter=_counter_kind(samples),
        moved=moved,
        charge_per_level=(
            abs(sum(p.charge for p in level_pieces)) / n_percent
            if n_percent >= 1 and not no_current
            else None
        ),
        counts_per_level=(
            abs(sum(p.counts for p in level_pieces)) / n_percent if n_percent >= 3 else None
        ),
    )


def _no_current(samples: GaugeSamples, drawn: list[int]) -> str:
    read = [i for i in samples.current_raw if i is not None]
    if not any(read):
        return "no current"
    if len(drawn) < _LEAST_READINGS or not any(drawn):
        return f"current cannot be told from {len(drawn)} readings on battery"
    if len(set(drawn)) < 3:
        return "the current hardly changes: frozen, or too short a recording"
    return ""


def _time_s(samples: GaugeSamples, holds: list[bool]) -> float:
    spans = pairwise(zip(samples.boot_s, holds, strict=True))
    return sum(b - a for (a, x), (b, y) in spans if x and y and 0 < b - a < LONGEST_STEP_S)


def _out_is_positive(drawn: list[int]) -> bool | None:
    positive, total = sum(i for i in drawn if i > 0), sum(abs(i) for i in drawn)
    if _MAJORITY * total <= positive:
        return True
    return False if positive <= (1 - _MAJORITY) * total else None


def _sign(
    samples: GaugeSamples, plug: list[bool | None], drawn: list[int], moved: CounterMove | None
) -> tuple[int | None, str]:
    out_is_positive = _out_is_positive(drawn)
    supplied = [i for i, p in zip(samples.current_raw, plug, strict=True) if p and i]
    n_negative = sum(i < 0 for i in supplied)
    charging = _is_charging(samples, plug, moved) and len(supplied) >= _LEAST_READINGS
    if out_is_positive is None:
        return None, "its sign changes on battery"
    if not out_is_positive:
        if charging and n_negative > _MOST_EVENTS * len(supplied):
            return None, "negative on battery and while charging"
        return 1, "negative on battery"
    if n_negative >= _LEAST_BLOCKS and n_negative >= (1 - _MAJORITY) * len(supplied):
        return -1, "positive on battery, negative on a supply"
    if charging and n_negative == 0:
        return 0, "positive on battery and while charging"
    return None, "positive on battery: inverted or a mere magnitude, which only charging can show"


def _is_charging(
    samples: GaugeSamples, plug: list[bool | None], moved: CounterMove | None
) -> bool:
    """Whether level or counter only rise on a supply."""
    sign = moved.sign if moved is not None else 0
    level = [change for k, change in steps(samples.level_pct) if plug[k]]
    counter = [change * sign for k, change in steps(samples.counter_raw) if plug[k]]
    by_level = bool(level) and min(level) > 0
    return by_level or (len(counter) >= _LEAST_BLOCKS and min(counter) > 0)


def _counter_kind(samples: GaugeSamples) -> str:
    if not any(samples.counter_raw):
        return "absent"
    counter, level = steps(samples.counter_raw), steps(samples.level_pct)
    if len(counter) < 2:
        return "stuck" if len(level) > 1 else "unknown"
    near_s = 2 * max(
        _spacing_s(samples, samples.counter_raw), _spacing_s(samples, samples.level_pct)
    )
    level_s = [samples.boot_s[k] for k, _ in level]
    n_together = sum(
        any(abs(samples.boot_s[k] - t) <= near_s for t in level_s) for k, _ in counter
    )
    about_as_many = len(level) > 1 and len(counter) <= 1.5 * len(level) + 1
    if about_as_many and n_together >= _MOST_EVENTS * len(counter):
        return "tick"
    return "cumulative" if len(counter) > 2 else "unknown"


def _spacing_s(samples: GaugeSamples, values: Sequence[float | None]) -> float:
    read_s = [t for t, value in zip(samples.boot_s, values, strict=True) if value is not None]
    return median([abs(b - a) for a, b in pairwise(read_s)] or [0.0])


def _counter_move(pieces: list[Piece], *, has_current: bool) -> CounterMove | None:
    if len(pieces) < _LEAST_BLOCKS:
        return None
    n_falling = sum(piece.step < 0 for piece in pieces)
    sign = 1 if 2 * n_falling >= len(pieces) else -1
    n_with_sign = n_falling if sign == 1 else len(pieces) - n_falling
    size = max(1, len(pieces) // _N_BLOCKS)
    blocks = [pieces[k : k + size] for k in range(0, len(pieces) - size + 1, size)]
    sums = [(sum(p.charge for p in block), sum(p.step for p in block)) for block in blocks]
    ratios = [abs(charge / counts) for charge, counts in sums if charge and counts]
    low, middle, high = quantiles(ratios, n=4) if len(ratios) >= _LEAST_BLOCKS else (1.0, 0.0, 1.0)
    return CounterMove(
        counts=round(sum(abs(p.step) for p in pieces if p.step * sign < 0)),
        sign=sign,
        awake_s=sum(p.seconds for p in pieces),
        charge_per_count=middle if has_current and middle else None,
        scattered=n_with_sign < _MOST_EVENTS * len(pieces)
        or (has_current and high > _SCATTER * max(low, 0.0)),
    )
