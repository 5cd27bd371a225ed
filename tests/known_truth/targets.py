"""What the estimators are to reach, and which of it they miss."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from analysis.estimators import charge_counter, fused, level, power_integral
from collector.virtual.profiles import (
    ABSOLUTE_MILLIAMP,
    CACHED_HALF_MINUTE,
    LEVEL_COUNTER,
    LIVE_MICROAMP,
    MILLIAMP_INVERTED,
    PERCENT_ONLY,
    PERCENT_PUSHED,
    RECALIBRATING,
    SMOOTHED_CHARGE,
    STUCK_COUNTER,
    WINDOWED_HALF_MAH,
    GaugeProfile,
)
from tests.known_truth.cells import Cell, Key, duel
from tests.known_truth.trial import ACTIVE, IDLE, Outcome

AT_HZ = 1.0
_SINGLES = (power_integral.NAME, charge_counter.NAME)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Largest root mean square error at 1 Hz, gain and offset of the gauge apart.

    The limits are those that a first study with a prototype reached, on loads of its own.
    """

    gauge: GaugeProfile
    kind: str = ACTIVE
    rms_pct: float | None = None
    rms_mwh: float | None = None


TARGETS = (
    Target(gauge=LIVE_MICROAMP, rms_pct=0.1),
    Target(gauge=WINDOWED_HALF_MAH, rms_pct=0.1),
    Target(gauge=RECALIBRATING, rms_pct=0.1),
    Target(gauge=ABSOLUTE_MILLIAMP, rms_pct=0.2),
    Target(gauge=MILLIAMP_INVERTED, rms_pct=0.3),
    Target(gauge=CACHED_HALF_MINUTE, rms_pct=0.7),
    Target(gauge=LEVEL_COUNTER, rms_pct=0.3),
    Target(gauge=STUCK_COUNTER, rms_pct=0.3),
    Target(gauge=SMOOTHED_CHARGE, rms_pct=0.7),
    Target(gauge=PERCENT_ONLY, rms_pct=5.5),
    Target(gauge=PERCENT_PUSHED, rms_pct=5.5),
    Target(gauge=LIVE_MICROAMP, kind=IDLE, rms_pct=2.5),
    Target(gauge=RECALIBRATING, kind=IDLE, rms_pct=2.5),
    Target(gauge=WINDOWED_HALF_MAH, kind=IDLE, rms_mwh=1.0),
    Target(gauge=MILLIAMP_INVERTED, kind=IDLE, rms_mwh=1.0),
)


def missed(
    found: Sequence[Outcome], cells: Mapping[Key, Cell], margin: float = 1.0
) -> Iterator[str]:
    """A sentence for each target, coverage and comparison that is missed.

    Args:
        found: what `cells` was made of.
        cells: figures of merit.
        margin: factor on the targets, for few segments.
    """
    for target in TARGETS:
        yield from _over(target, cells, margin)
    for key, each in cells.items():
        if each.judged:
            yield from _uncovered(key, each)
    yield from _beaten(found, cells)


def default_of(gauge: GaugeProfile | str, cells: Mapping[Key, Cell]) -> str:
    """The estimator that a user of such a phone gets."""
    name = gauge if isinstance(gauge, str) else gauge.name
    return fused.NAME if any(key[:2] == (name, fused.NAME) for key in cells) else level.NAME


def _over(target: Target, cells: Mapping[Key, Cell], margin: float) -> Iterator[str]:
    name, method = target.gauge.name, default_of(target.gauge, cells)
    each = cells.get((name, method, AT_HZ, target.kind))
    if each is None:
        return
    where = f"{name}, {method}, {target.kind}"
    if target.rms_mwh is not None and each.rms_mwh > margin * target.rms_mwh:
        yield f"{where}: RMS {each.rms_mwh:.2f} mWh, wanted {target.rms_mwh:g}"
    if target.rms_pct is None:
        return
    limit = margin * target.rms_pct
    if each.rms_pct > limit:
        yield f"{where}: RMS {each.rms_pct:.3f} %, wanted {limit:.3g} %"


def _uncovered(key: Key, each: Cell) -> Iterator[str]:
    gauge, method, rate_hz, kind = key
    for name, coverage in (("own", each.own), ("whole", each.whole)):
        if coverage.verdict:
            yield (
                f"{gauge}, {method}, {rate_hz:g} Hz, {kind}: {name} interval {coverage.verdict}, "
                f"holds the truth in {coverage.ratio:.1%} of {coverage.n}"
            )


def _beaten(found: Iterable[Outcome], cells: Mapping[Key, Cell]) -> Iterator[str]:
    groups: dict[Key, list[Outcome]] = {}
    for each in found:
        key = (each.gauge, each.estimator, each.rate_hz, each.kind)
        groups.setdefault(key, []).append(each)
    for (gauge, method, rate_hz, kind), group in groups.items():
        ours = (gauge, fused.NAME, rate_hz, kind)
        # What rests on a stated draw asleep is as good as the one true draw happens to fit it.
        if method not in _SINGLES or ours not in groups or not cells[ours].judged:
            continue
        fight = duel(groups[ours], group)
        if fight.lost:
            yield (
                f"{gauge}, {rate_hz:g} Hz, {kind}: {fused.NAME} has {fight.rms_ratio:.2f} times "
                f"the error of {method} ({fight.sigma:.1f} σ)"
            )
