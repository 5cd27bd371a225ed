"""What a phone's raw current and counter mean, decided from evidence; 'cannot tell' is an answer.

Every combination of units is a hypothesis, evidence strikes out what it contradicts, and a unit is
decided only when all that is left agrees on it.
"""

from dataclasses import dataclass, fields, replace

from parsers.gauge_evidence import Evidence, gather
from parsers.gauge_facts import (
    ALL,
    COUNTER_UNITS,
    CURRENT_UNITS,
    Fact,
    counter_facts,
    left,
    level_facts,
    magnitude_facts,
    missing,
    only,
)
from parsers.gauge_override import COUNTER_KINDS, GaugeOverride, parse_override
from parsers.gauge_samples import GaugeSamples

__all__ = [
    "COUNTER_KINDS",
    "COUNTER_UNITS",
    "CURRENT_UNITS",
    "GaugeDecision",
    "GaugeOverride",
    "GaugeSamples",
    "decide",
    "parse_override",
]

_USABLE = ("cumulative", "tick")


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeDecision:
    """Meaning of one phone's raw integers.

    Attributes:
        current_unit: `uA`, `mA` or None: cannot tell.
        current_sign: 1 positive into the battery, -1 positive out of it, 0 magnitude only, None
            cannot tell.
        out_is_positive: on battery the raw current is positive; then a current on battery can be
            told even while -1 and 0 cannot be told apart.
        counter_unit: `uAh`, `10uAh`, `0.1mAh`, `mAh` or None: cannot tell.
        counter_sign: 1 falls while the phone is drained, -1 rises; None cannot tell.
        counter: `cumulative`, `tick` (moves with the level), `stuck`, `absent` or `unknown`.
        scale: stated by the user for a gauge that sees only part of the pack.
        why: the evidence, in words.
        confidence: of the current unit (of the counter's, where there is no current): 0 cannot
            tell, 0.9 for one piece of evidence, 0.99 for two, ..., 1 stated by the user.
    """

    current_unit: str | None = None
    current_sign: int | None = None
    out_is_positive: bool | None = None
    counter_unit: str | None = None
    counter_sign: int | None = None
    counter: str = "unknown"
    scale: float = 1.0
    why: str = ""
    confidence: float = 0.0

    def current_ma(self, raw: int | None, plugged: bool | None) -> float | None:  # noqa: FBT001
        """Current, positive into the battery; None where unit or direction cannot be told."""
        if raw is None or self.current_unit is None:
            return None
        scaled_ma = raw * CURRENT_UNITS[self.current_unit] * self.scale
        if self.current_sign:
            return self.current_sign * scaled_ma
        known_out = self.current_sign == 0 or self.out_is_positive
        return -abs(scaled_ma) if known_out and plugged is False else None

    def counter_mah(self, raw: int | None) -> float | None:
        """Charge; only its differences mean anything. None where its unit cannot be told."""
        if raw is None or self.counter_unit is None or self.counter not in _USABLE:
            return None
        return raw * COUNTER_UNITS[self.counter_unit] * self.scale * (self.counter_sign or 1)


def decide(
    samples: GaugeSamples, override: GaugeOverride | None = None, override_why: str = ""
) -> GaugeDecision:
    """Unit and sign of one phone's current and counter.

    Args:
        samples: readings of one phone; an unplugged period in use tells most.
        override: what is known otherwise goes before all evidence.
        override_why: whence, in words; empty: the user states it.
    """
    decided = _decided(gather(samples), samples.capacity_mah)
    return _overridden(decided, override or GaugeOverride(), override_why)


def _decided(evidence: Evidence, capacity_mah: float | None) -> GaugeDecision:
    of_current = magnitude_facts(evidence) + level_facts(evidence, capacity_mah)
    of_counter = counter_facts(evidence, capacity_mah)
    facts = of_current + of_counter
    pairs = left(facts)
    counter = evidence.counter
    if not pairs:
        facts, pairs = [*of_current], left(of_current)
        counter = counter if counter in ("absent", "stuck") else "unknown"
        facts.append(Fact("the counter contradicts the current and the level", ALL))
    current_unit = only({current for current, _ in pairs}) if not evidence.no_current else None
    counter_unit = only({unit for _, unit in pairs}) if evidence.moved and of_counter else None
    counter_unit = counter_unit if counter in _USABLE else None
    main = counter_unit if evidence.no_current else current_unit
    n_telling = sum(fact.allows != ALL for fact in facts)
    return GaugeDecision(
        current_unit=current_unit,
        current_sign=evidence.current_sign,
        out_is_positive=evidence.out_is_positive,
        counter_unit=counter_unit,
        counter_sign=evidence.moved.sign if evidence.moved else None,
        counter=counter,
        why="; ".join(
            [
                evidence.no_current or f"current in {current_unit or 'a unit we cannot tell'}",
                *([] if evidence.no_current else [evidence.sign_why]),
                *([] if current_unit else missing(evidence)),
                f"counter {counter}" + (f", in {counter_unit}" if counter_unit else ""),
                *(fact.text for fact in facts),
            ]
        ),
        confidence=1 - 0.1**n_telling if main else 0.0,
    )


def _overridden(decision: GaugeDecision, override: GaugeOverride, why: str) -> GaugeDecision:
    stated = {
        field.name: value
        for field in fields(override)
        if (value := getattr(override, field.name)) is not None
    }
    if not stated:
        return decision
    values = ", ".join(f"{name} {value}" for name, value in stated.items())
    said = why or f"stated by the user: {values}"
    if "counter_unit" in stated and decision.counter == "unknown":
        stated.setdefault("counter", "cumulative")
    return replace(decision, **stated, why=f"{said}; {decision.why}", confidence=1.0)
