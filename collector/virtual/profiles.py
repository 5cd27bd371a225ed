"""Gauges as phones have them, by what can be read from them.

The steps of the windowed gauges (156.25 µA, 0.5 mAh, 5.625 s, 78.125 µV, with a 10 mΩ shunt) are
those that the Linux driver of a common gauge family works with.
"""

from dataclasses import dataclass, replace
from enum import StrEnum


class CurrentMode(StrEnum):
    """What a published current is."""

    NONE = "none"
    WINDOWED = "mean over the refresh window"
    INSTANTANEOUS = "sample at the refresh"


class CurrentSign(StrEnum):
    """Which way a published current counts."""

    DOCUMENTED = "positive into the battery"
    INVERTED = "positive out of the battery"
    ABSOLUTE = "never negative"


class CounterKind(StrEnum):
    """What moves a charge counter."""

    NONE = "none"
    CUMULATIVE = "charge"
    TICK = "level"
    STUCK = "nothing"
    SMOOTHED = "a modelled state of charge"


class CounterUnit(StrEnum):
    """The unit of the counter's integer."""

    UAH = "uAh"
    MAH = "mAh"
    TENTH = "a tenth of uAh"


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeProfile:
    """How a gauge measures and what of it the phone publishes.

    Attributes:
        current_in_ma: the integer is in mA instead of the documented µA.
        refresh_s: between two publications of current, voltage and temperature.
        gain_ratio: error of current and charge: 0.004 reads 0.4 % too much.
        offset_ma: what current reads at true zero; positive into the battery.
        counter_refresh_s: between two publications of the counter.
        recalibration_s: mean time between jumps of the counter; None for never.
        cached: a driver publishes by a timer of its own, and nothing while suspended.
        platform_refresh_s: awake time between two updates of the platform's own values.
        push_on_level: the platform's values also follow every change of level.
        has_sysfs: the shell may read the battery's `uevent`.
        reserve_ratio: state of charge at which the shown level reaches 0.
        level_wander: errors of the map from charge to level: size in points, and over how many
            points it stays alike.
    """

    name: str
    current: CurrentMode = CurrentMode.WINDOWED
    current_in_ma: bool = False
    current_sign: CurrentSign = CurrentSign.DOCUMENTED
    refresh_s: float = 0.25
    current_resolution_ma: float = 0.15625
    gain_ratio: float = 0.0
    offset_ma: float = 0.0
    voltage_gain_ratio: float = 0.0
    voltage_resolution_mv: float = 0.078125
    counter: CounterKind = CounterKind.CUMULATIVE
    counter_unit: CounterUnit = CounterUnit.UAH
    counter_lsb_mah: float = 1.0
    counter_refresh_s: float = 0.25
    recalibration_s: float | None = None
    cached: bool = False
    platform_refresh_s: float = 60.0
    push_on_level: bool = True
    has_sysfs: bool = True
    reserve_ratio: float = 0.02
    level_wander: tuple[tuple[float, float], ...] = ()


LIVE_MICROAMP = GaugeProfile(name="live_microamp", counter_lsb_mah=0.01)
"""Everything live in µA, with a counter fine enough to follow single bursts."""

WINDOWED_HALF_MAH = GaugeProfile(
    name="windowed_half_mah", counter_lsb_mah=0.5, counter_refresh_s=5.625
)
"""Live current beside a counter in half mAh every 5.6 s."""

MILLIAMP_INVERTED = GaugeProfile(
    name="milliamp_inverted",
    current_in_ma=True,
    current_sign=CurrentSign.INVERTED,
    refresh_s=5.0,
    current_resolution_ma=1.0,
    voltage_resolution_mv=1.0,
    counter_refresh_s=5.0,
    cached=True,
    has_sysfs=False,
)
"""A driver that caches everything for 5 s, in mA, counting discharge as positive."""

CACHED_HALF_MINUTE = GaugeProfile(
    name="cached_half_minute",
    current=CurrentMode.INSTANTANEOUS,
    refresh_s=30.0,
    current_resolution_ma=1.0,
    voltage_resolution_mv=1.0,
    counter_unit=CounterUnit.MAH,
    counter_refresh_s=30.0,
    cached=True,
)
"""A driver that looks twice a minute, at one moment; its counter is in plain mAh."""

ABSOLUTE_MILLIAMP = GaugeProfile(
    name="absolute_milliamp",
    current=CurrentMode.INSTANTANEOUS,
    current_in_ma=True,
    current_sign=CurrentSign.ABSOLUTE,
    refresh_s=0.1,
    current_resolution_ma=1.0,
    voltage_resolution_mv=1.0,
    counter_unit=CounterUnit.TENTH,
    counter_lsb_mah=10.0,
    counter_refresh_s=1.0,
)
"""Current at the moment of asking without a sign; a counter in tens of mAh, a tenth too small."""

LEVEL_COUNTER = GaugeProfile(
    name="level_counter", counter=CounterKind.TICK, counter_lsb_mah=0.001, counter_refresh_s=0.25
)
"""A counter that is only the level in another unit."""

STUCK_COUNTER = GaugeProfile(name="stuck_counter", counter=CounterKind.STUCK)
"""A counter that never moves."""

RECALIBRATING = GaugeProfile(name="recalibrating", counter_lsb_mah=0.01, recalibration_s=2700.0)
"""A fine counter that corrects itself about every three quarters of an hour."""

SMOOTHED_CHARGE = GaugeProfile(
    name="smoothed_charge", counter=CounterKind.SMOOTHED, counter_lsb_mah=0.1
)
"""A counter that follows a modelled state of charge, some per cent wrong for minutes."""

PERCENT_ONLY = GaugeProfile(
    name="percent_only",
    current=CurrentMode.NONE,
    refresh_s=5.0,
    voltage_resolution_mv=1.0,
    counter=CounterKind.NONE,
    push_on_level=False,
    has_sysfs=False,
    level_wander=((0.1, 5.0), (0.3, 40.0), (0.03, 0.0)),
)
"""Neither current nor counter: percent, voltage and temperature once a minute."""

PERCENT_PUSHED = replace(PERCENT_ONLY, name="percent_pushed", push_on_level=True)
"""The same, but every new level is told at once."""

WANDERING_LEVEL = replace(
    STUCK_COUNTER, name="wandering_level", level_wander=PERCENT_ONLY.level_wander
)
"""A live current beside a level that only roughly follows the charge."""

PROFILES: tuple[GaugeProfile, ...] = (
    LIVE_MICROAMP, WINDOWED_HALF_MAH, MILLIAMP_INVERTED, CACHED_HALF_MINUTE, ABSOLUTE_MILLIAMP,
    LEVEL_COUNTER, STUCK_COUNTER, RECALIBRATING, SMOOTHED_CHARGE, PERCENT_ONLY, PERCENT_PUSHED,
    WANDERING_LEVEL,
)  # fmt: skip
