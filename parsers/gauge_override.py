"""What the user states about a phone's gauge, in a few words; it goes before all evidence."""

import re
from dataclasses import dataclass

from parsers.gauge_facts import COUNTER_UNITS, CURRENT_UNITS

COUNTER_KINDS = ("cumulative", "tick", "stuck", "absent", "unknown")
SIGNS = {"documented": 1, "inverted": -1, "absolute": 0}
"""1 positive into the battery, -1 positive out of it, 0 magnitude only."""
_COUNTER = "counter:"
_SCALE = re.compile(r"x([0-9]{1,2}(?:\.[0-9]{1,4})?)")
_SCALES = (0.1, 10.0)
_WORDS = (
    f"{', '.join(CURRENT_UNITS)}; {', '.join(SIGNS)}; "
    f"{', '.join(_COUNTER + unit for unit in COUNTER_UNITS)}, {_COUNTER}none; x2 for a pack of "
    "which the gauge sees half"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeOverride:
    """What the user knows better; None leaves the decision to the evidence.

    Attributes:
        current_unit: a key of `CURRENT_UNITS`.
        current_sign: 1 positive into the battery, -1 positive out of it, 0 magnitude only.
        counter_unit: a key of `COUNTER_UNITS`.
        counter: one of `COUNTER_KINDS`.
        scale: what current and charge have to be multiplied by: 2 where the gauge sees one of two
            cells or packs.

    Raises:
        ValueError: for a word that names no unit, sign or kind, or a scale out of range.
    """

    current_unit: str | None = None
    current_sign: int | None = None
    counter_unit: str | None = None
    counter: str | None = None
    scale: float | None = None

    def __post_init__(self) -> None:
        allowed = (
            ("current unit", self.current_unit, tuple(CURRENT_UNITS)),
            ("current sign", self.current_sign, (1, -1, 0)),
            ("counter unit", self.counter_unit, tuple(COUNTER_UNITS)),
            ("counter", self.counter, COUNTER_KINDS),
        )
        for name, value, choices in allowed:
            if value is not None and value not in choices:
                raise ValueError(f"{name} {value!r}: use one of {', '.join(map(str, choices))}")
        if self.scale is not None and not _SCALES[0] <= self.scale <= _SCALES[1]:
            raise ValueError(f"scale {self.scale:g}: use {_SCALES[0]:g} to {_SCALES[1]:g}")


def parse_override(text: str) -> GaugeOverride:
    """The override that words such as `mA,inverted` or `counter:mAh,x2` state.

    Raises:
        ValueError: for a word that is none of them, or two of a kind.
    """
    stated: dict[str, str | int | float] = {}
    for word in filter(None, (part.strip() for part in text.split(","))):
        field, value = _stated(word)
        if field in stated:
            raise ValueError(f"{text!r} states its {field.replace('_', ' ')} twice")
        stated[field] = value
    return GaugeOverride(**stated)  # type: ignore[arg-type]  # each field has its own type


def _stated(word: str) -> tuple[str, str | int | float]:
    if word in CURRENT_UNITS:
        return "current_unit", word
    if word in SIGNS:
        return "current_sign", SIGNS[word]
    if word.startswith(_COUNTER):
        unit = word.removeprefix(_COUNTER)
        if unit in COUNTER_UNITS:
            return "counter_unit", unit
        if unit == "none":
            return "counter", "absent"
    if (scale := _SCALE.fullmatch(word)) is not None:
        return "scale", float(scale[1])
    raise ValueError(f"{word!r} says nothing of a gauge: use {_WORDS}")
