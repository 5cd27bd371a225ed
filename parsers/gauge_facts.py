"""Pairs of units as hypotheses, and what each piece of evidence leaves of them."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

from parsers.gauge_evidence import Evidence
from parsers.plausible import SURELY_UA
from parsers.units import ma_from_ua, mah_from_uah

CURRENT_UNITS = {"uA": ma_from_ua(1), "mA": 1.0}
"""Milliamperes per count."""
COUNTER_UNITS = {
    "uAh": mah_from_uah(1),
    "10uAh": mah_from_uah(10),
    "0.1mAh": mah_from_uah(100),
    "mAh": 1.0,
}
"""Milliampere-hours per count."""
_AGREES = (0.4, 2.5)
"""Of two charges that should be equal: units lie a factor of ten apart, gauges of double cells err
by two."""
_DRAIN_MA = (1.0, 8_000.0)
"""A running phone's mean drain."""
_LIT_MA = 10.0
"""With the screen on, a phone draws more."""
_LIKELY_MAH = (1_500.0, 12_000.0)
"""Capacity of a phone or tablet for which nobody stated it, to tell factors of ten apart."""
_POSSIBLE_MAH = (600.0, 30_000.0)
"""The same, to tell a factor of a thousand."""
_MIN_SECONDS = 60.0
_LONG_SECONDS = 300.0
"""Of recording on battery, after which a size alone is believed with the screen off too."""

Pair = tuple[str, str]
ALL: frozenset[Pair] = frozenset(product(CURRENT_UNITS, COUNTER_UNITS))


@dataclass(frozen=True, slots=True)
class Fact:
    """A piece of evidence: what it is, and the pairs of units it does not contradict."""

    text: str
    allows: frozenset[Pair]


def _allows(test: Callable[[float, float], bool]) -> frozenset[Pair]:
    """The pairs of units whose factors (mA and mAh per count) pass the test."""
    return frozenset(
        (current, counter)
        for current, counter in ALL
        if test(CURRENT_UNITS[current], COUNTER_UNITS[counter])
    )


def left(facts: list[Fact]) -> frozenset[Pair]:
    """The pairs that no fact contradicts."""
    return frozenset.intersection(ALL, *(fact.allows for fact in facts))


def only(units: set[str]) -> str | None:
    """The one unit left, or None while there are several."""
    return next(iter(units)) if len(units) == 1 else None


def _within(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]


def magnitude_facts(evidence: Evidence) -> list[Fact]:
    """By size: no phone draws 60 A, nor less than 10 mA with the screen on.

    In a short standby a size alone proves nothing: too few readings, and all from the moments of
    waking. Then a counter that goes with the current has to be there.
    """
    facts = []
    median, peak = evidence.median_raw, evidence.lit_peak_raw
    moved = evidence.moved
    backed = moved is not None and moved.charge_per_count is not None and not moved.scattered
    lit = evidence.lit_s >= _MIN_SECONDS
    if median >= SURELY_UA and (lit or backed or evidence.battery_s >= _LONG_SECONDS):
        text = f"half of the currents on battery exceed {SURELY_UA}"
        facts.append(Fact(text, _allows(lambda ma, _: ma < 1)))
    if lit and peak > 0:
        text = f"with the screen on the current peaks at {peak}"
        facts.append(Fact(text, _allows(lambda ma, _: peak * ma >= _LIT_MA)))
    return facts


def level_facts(evidence: Evidence, capacity_mah: float | None) -> list[Fact]:
    """By the charge that each percent of level took."""
    if evidence.charge_per_level is None:
        return []
    full = evidence.charge_per_level * 100
    limits = _capacity_limits(capacity_mah, _POSSIBLE_MAH)
    text = f"by current and level the battery would hold {full:.3g} raw units times an hour"
    return [Fact(text, _allows(lambda ma, _: _within(full * ma, limits)))]


def counter_facts(evidence: Evidence, capacity_mah: float | None) -> list[Fact]:
    """By the speed of the counter, its agreement with the current, its counts per percent."""
    moved, facts = evidence.moved, []
    if moved is None or moved.scattered:
        return []
    if moved.awake_s >= _MIN_SECONDS:
        drain = moved.counts * 3600 / moved.awake_s
        text = f"the counter moves by {moved.counts} in {moved.awake_s:.0f} s on battery"
        facts.append(Fact(text, _allows(lambda _, mah: _within(drain * mah, _DRAIN_MA))))
    if (ratio := moved.charge_per_count) is not None:
        text = f"the raw current over time is {ratio:.3g} times the counter's raw movement"
        facts.append(Fact(text, _allows(lambda ma, mah: _within(ratio * ma / mah, _AGREES))))
    if evidence.counts_per_level is not None:
        full = evidence.counts_per_level * 100
        limits = _capacity_limits(capacity_mah, _LIKELY_MAH)
        text = f"by counter and level the battery would hold {full:.3g} counts"
        facts.append(Fact(text, _allows(lambda _, mah: _within(full * mah, limits))))
    return facts


def missing(evidence: Evidence) -> list[str]:
    """What would tell the unit of a current and is not there; none without a current."""
    moved = evidence.moved
    if evidence.no_current:
        return []
    return [
        text
        for text, is_missing in (
            (
                f"a current of {evidence.median_raw:.0f} can be in either",
                evidence.median_raw < SURELY_UA,
            ),
            (
                f"{evidence.battery_s:.0f} s on battery are too few to go by its size alone",
                evidence.median_raw >= SURELY_UA and evidence.battery_s < _LONG_SECONDS,
            ),
            ("the screen was not on for a minute", evidence.lit_s < _MIN_SECONDS),
            ("no whole percent of level went by", evidence.charge_per_level is None),
            (
                "no counter went along with it",
                moved is None or moved.scattered or moved.charge_per_count is None,
            ),
        )
        if is_missing
    ]


def _capacity_limits(
    stated_mah: float | None, otherwise_mah: tuple[float, float]
) -> tuple[float, float]:
    if stated_mah is None:
        return otherwise_mah
    return stated_mah * _AGREES[0], stated_mah * _AGREES[1]
