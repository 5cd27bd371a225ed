"""What battery statistics hold, whichever form they are printed in."""

from collections.abc import Sequence
from dataclasses import dataclass

from parsers.sources.battery_history_points import History, HistoryPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class DischargeStep:
    """How long one step of the level took.

    Attributes:
        level_pct: level at the end of the step.
        screen: `on`, `off`, `doze`; None if it changed or was not recorded.
    """

    level_pct: int
    duration_s: float
    screen: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerUse:
    """The platform's model of one consumer, not a measurement.

    Attributes:
        consumer: `uid`, or a component in the release's own word: `screen`, `cell_standby`, ...
        uid: which app, user included; None for a component.
    """

    consumer: str
    uid: int | None
    drain_mah: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryStatsRow:
    """The summary; charge figures come from the charge counter and inherit its unit faults.

    Attributes:
        start_local: wall clock of the reset in the phone's own time zone, `yyyy-mm-ddThh:mm:ss`.
        start_epoch_s: the same instant; only in the check-in form.
        battery_realtime_s: time on battery; `realtime` includes suspend, `uptime` does not.
        discharge_lower_pct: of the level, between two steps' uncertainty and `upper`.
        modelled_drain_mah: from the power profile.
        actual_drain_lo_mah: from the level, with `hi` the range of a whole per cent.
        steps: newest first.
        history: only in the check-in form.
        history_overflowed: changes are missing; only in the check-in form.
    """

    n_starts: int | None = None
    on_battery: bool | None = None
    start_local: str | None = None
    start_epoch_s: float | None = None
    estimated_capacity_mah: float | None = None
    last_learned_capacity_mah: float | None = None
    min_learned_capacity_mah: float | None = None
    max_learned_capacity_mah: float | None = None
    battery_realtime_s: float | None = None
    battery_uptime_s: float | None = None
    screen_off_realtime_s: float | None = None
    screen_off_uptime_s: float | None = None
    screen_doze_realtime_s: float | None = None
    total_realtime_s: float | None = None
    total_uptime_s: float | None = None
    screen_on_s: float | None = None
    discharge_mah: float | None = None
    screen_on_discharge_mah: float | None = None
    screen_off_discharge_mah: float | None = None
    screen_doze_discharge_mah: float | None = None
    light_doze_discharge_mah: float | None = None
    deep_doze_discharge_mah: float | None = None
    discharge_lower_pct: int | None = None
    discharge_upper_pct: int | None = None
    screen_on_discharge_pct: int | None = None
    screen_off_discharge_pct: int | None = None
    screen_doze_discharge_pct: int | None = None
    time_remaining_s: float | None = None
    profile_capacity_mah: float | None = None
    modelled_drain_mah: float | None = None
    actual_drain_lo_mah: float | None = None
    actual_drain_hi_mah: float | None = None
    power_use: tuple[PowerUse, ...] = ()
    steps: tuple[DischargeStep, ...] = ()
    history: Sequence[HistoryPoint] = History()
    history_overflowed: bool | None = None
