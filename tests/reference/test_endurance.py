"""The European endurance figure: its sequence, its rounding, its classes."""

from decimal import Decimal

import pytest

from analysis.lasting.endurance import (
    SEQUENCE,
    class_of,
    endurance,
    endurance_index,
    follows_sequence,
    rounded,
    whole_loops,
)
from analysis.readings.segments import Segment
from analysis.statistics.inference import symmetric

ANNEX_2 = "Delegated Regulation (EU) 2023/1669, Annex II, as two summaries give it"
ANNEX_4 = "Delegated Regulation (EU) 2023/1669, Annex IV, as quoted by third parties"


def ran(n: int, **changed: float) -> list[Segment]:
    """The first n segments of the sequence, one after the other; `s3=10`: the third lasts 10 s."""
    at_s, segments = 0.0, []
    for k in range(n):
        name, minutes = SEQUENCE[k % len(SEQUENCE)]
        length_s = changed.get(f"s{k + 1}", minutes * 60)
        segments.append(
            Segment(
                name=name,
                occurrence=1 + k // len(SEQUENCE),
                start_s=at_s,
                end_s=at_s + length_s,
            )
        )
        at_s += length_s
    return segments


@pytest.mark.reference(source=ANNEX_4, locator="1.2.1, sequence")
def test_the_sequence() -> None:
    assert sum(minutes for _, minutes in SEQUENCE) == 150
    assert sum(minutes for name, minutes in SEQUENCE if name == "idle") == 120
    assert [name for name, _ in SEQUENCE if name != "idle"] == [
        "call", "web", "video streaming", "gaming", "network transfer", "video playback",
    ]  # fmt: skip
    assert [minutes for _, minutes in SEQUENCE] == [4, 30, 9, 30, 4, 1, 30, 8, 30, 4]


@pytest.mark.reference(source=ANNEX_4, locator="1.2.1, sequence, repeated to shut-off")
def test_a_run_that_followed_it_is_recognised() -> None:
    assert follows_sequence(ran(10))
    assert follows_sequence(ran(27, s27=3.0)), "the last one is cut short by the shut-off"
    assert whole_loops(ran(27, s27=3.0)) == whole_loops(ran(20)) == 2
    assert whole_loops(ran(20, s20=3.0)) == 1
    assert not follows_sequence(ran(9)), "no whole loop"
    assert not follows_sequence(ran(12, s3=400.0)), "a segment is not as long as it should be"
    assert not follows_sequence(ran(12)[1:]), "it begins elsewhere"


@pytest.mark.reference(source=ANNEX_4, locator="END_device and EEI, two decimals each")
@pytest.mark.parametrize(
    ("hours", "nominal_mv", "capacity_mah", "index", "energy_class"),
    [(41.75, 3850, 5000, "2.17", "C"), (52.25, 3870, 5000, "2.70", "B")],
)
def test_the_index_is_rounded_before_it_is_classed(
    hours: float, nominal_mv: float, capacity_mah: float, index: str, energy_class: str
) -> None:
    found = endurance(symmetric(hours, 0.001), 16, nominal_mv, capacity_mah)
    assert found.declared_h == Decimal(str(hours))
    assert found.index_per_w == Decimal(index)
    assert found.energy_class == energy_class
    assert found.n_loops == 16
    assert endurance(symmetric(hours, 0.001), 16, None, capacity_mah).energy_class is None


@pytest.mark.reference(source=ANNEX_4, locator="END_device, two decimals")
def test_halves_are_rounded_up() -> None:
    assert [rounded(x) for x in (2.675, 41.745, 41.744)] == [
        Decimal("2.68"), Decimal("41.75"), Decimal("41.74"),
    ]  # fmt: skip
    assert endurance_index(Decimal("52.25"), 3870, 5000) == Decimal("2.70")


@pytest.mark.reference(source=ANNEX_2, locator="energy efficiency classes of smartphones")
@pytest.mark.parametrize(
    ("bound", "above", "at"),
    [
        ("2.70", "A", "B"), ("2.30", "B", "C"), ("1.95", "C", "D"),
        ("1.66", "D", "E"), ("1.41", "E", "F"), ("1.20", "F", "G"),
    ],
)  # fmt: skip
def test_a_bound_belongs_to_the_lower_class(bound: str, above: str, at: str) -> None:
    assert class_of(Decimal(bound) + Decimal("0.01")) == above
    assert class_of(Decimal(bound)) == at
