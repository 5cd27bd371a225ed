"""A virtual handset: a phone with known true energy and a day to get through."""

import random
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from collector.virtual.cell import Cell
from collector.virtual.clock import VIRTUAL_START_UTC
from collector.virtual.hardware import Hardware
from collector.virtual.loads import POCKET_IDLE, STANDBY, Activity
from collector.virtual.models import ALDER, BIRCH, CEDAR, HANDSETS, HandsetSpec
from collector.virtual.schedule import Schedule, Stage
from collector.virtual.state import PhoneState, warmth_of

__all__ = ["ALDER", "BIRCH", "CEDAR", "HANDSETS", "Handset", "HandsetSpec", "PhoneState", "Stage"]

_BOOT_S = 5000.0
_TOUCH_S = 7.0


@dataclass(frozen=True, slots=True)
class _Boot:
    boot_id: str
    zero_s: float
    awake_zero_s: float


class Handset:
    """One phone with known true energy, led along by `advance_to`.

    What it does and reports depends on spec, schedule, seed and what is done to it, never on how
    often it is asked. Times are of the running boot's clock unless said otherwise.

    Args:
        spec: the model.
        stages: what it does; after them it goes on with the last one or lies idle.
        seed: same seed, same phone.
        ambient_c: temperature of the air, and of the phone at the start.
        until_off: the last stage goes on until the phone shuts off.
        charge_ratio: state of charge at the start.

    Attributes:
        settings: by namespace and name, those that somebody has changed.
    """

    def __init__(
        self,
        spec: HandsetSpec,
        stages: Sequence[Stage],
        seed: int,
        ambient_c: float = 22.0,
        *,
        until_off: bool = True,
        charge_ratio: float = 1.0,
    ) -> None:
        self.spec = spec
        self.settings: dict[tuple[str, str], str] = {}
        self._seed = f"{spec.key}/{seed}"
        self._n_schedules = 0
        self._rng = random.Random(self._seed)  # noqa: S311 - a repeatable phone, not a secret
        start_s = _BOOT_S + self._rng.uniform(0.0, 60.0)
        self._boots = [_Boot(self._new_boot_id(), 0.0, 0.0)]
        self._wall_offset_s = VIRTUAL_START_UTC.timestamp() - start_s
        self._ambient_c = ambient_c
        last = stages[-1].activity if until_off and stages else POCKET_IDLE
        self._hardware = Hardware(
            Cell(spec.cell, charge_ratio=charge_ratio, ambient_c=ambient_c),
            spec.gauge,
            self._plan(stages, last, start_s),
            seed=self._seed,
            start_s=start_s,
        )

    @property
    def boot_id(self) -> str:
        """The running boot session's id."""
        return self._boots[-1].boot_id

    @property
    def boot_s(self) -> float:
        """The boot clock now; it goes on counting after shut-off, for whoever waits beside it."""
        return self._hardware.now_s - self._boots[-1].zero_s

    @property
    def is_off(self) -> bool:
        """True once the cell could not hold the phone up, until `reboot`."""
        return self._hardware.off_s is not None

    @property
    def off_boot_s(self) -> float | None:
        """When it shut off."""
        off_s = self._hardware.off_s
        return None if off_s is None else off_s - self._boots[-1].zero_s

    @property
    def activity(self) -> Activity:
        """What it is used for now."""
        return self._hardware.schedule.activity

    @property
    def n_plans(self) -> int:
        """How often it was given something to do, the first time included."""
        return self._n_schedules

    def advance_to(self, boot_s: float) -> None:
        """Lives on until a time; earlier times change nothing."""
        self._hardware.advance_to(boot_s + self._boots[-1].zero_s)

    def state(self) -> PhoneState:
        """What every source would report now."""
        boot, hardware = self._boots[-1], self._hardware
        step, platform = hardware.step, hardware.platform_now()
        return PhoneState(
            spec=self.spec,
            boot_id=boot.boot_id,
            boot_s=self.boot_s,
            awake_s=step.awake_at(hardware.now_s) - boot.awake_zero_s,
            epoch_s=hardware.now_s + self._wall_offset_s,
            live=platform.gauge.reading(),
            status=platform.status(step),
            plugged=hardware.plugged,
            shown=platform.shown,
            pushed_boot_s=max(platform.shown.pushed_s - boot.zero_s, 0.0),
            updates_stopped=platform.updates_stopped,
            context=hardware.context,
            brightness=hardware.brightness,
            last_user_activity_s=self._last_touch_s() - boot.awake_zero_s,
            warmth=warmth_of(step.temperature_c, self._ambient_c, step.load_mw),
            settings=self.settings,
        )

    def awake_s_at(self, boot_s: float) -> float:
        """The awake clock at a time of this boot; of a time to come, as far as it is planned."""
        boot, hardware = self._boots[-1], self._hardware
        at_s = boot_s + boot.zero_s
        if at_s <= hardware.step.start_s:
            return hardware.trace.awake_at(at_s) - boot.awake_zero_s
        awake_s = hardware.step.awake_s - boot.awake_zero_s
        for start_s, end_s, awake in hardware.coming():
            awake_s += min(end_s, at_s) - start_s if awake else 0.0
            if end_s >= at_s:
                break
        return awake_s

    def next_awake(self, boot_s: float, awake_delay_s: float) -> float:
        """When a timer set at `boot_s`, not in the past, goes off: it stands still in suspend.

        Without a delay: the first moment awake. Infinite if the phone is off; a shut-off still to
        come is not foreseen.
        """
        zero_s = self._boots[-1].zero_s
        at_s, left_s = boot_s + zero_s, awake_delay_s
        for start_s, end_s, awake in self._hardware.coming():
            from_s = max(start_s, at_s)
            if not awake or end_s <= from_s:
                continue
            if left_s < end_s - from_s:
                return from_s + left_s - zero_s
            left_s -= end_s - from_s
        return inf

    def true_energy_mwh(self, boot_s: float, boot_id: str | None = None) -> float:
        """Energy taken out at the terminals since the phone was made, up to a time now or past.

        `boot_id` names an earlier boot session whose clock `boot_s` is of.

        Raises:
            KeyError: if there was no such session.
        """
        zero_s = {boot.boot_id: boot.zero_s for boot in self._boots}[boot_id or self.boot_id]
        return self._hardware.energy_at(min(boot_s + zero_s, self._hardware.now_s))

    def trace(self, spacing_s: float = 0.25) -> tuple[list[float], list[float]]:
        """Boot clock and true cumulative mWh of this boot, at least `spacing_s` apart, and now."""
        zero_s, now_s = self._boots[-1].zero_s, self._hardware.now_s
        times_s, energies_mwh = self._hardware.trace.thinned(zero_s, spacing_s)
        if not times_s or now_s > times_s[-1]:
            times_s.append(now_s)
            energies_mwh.append(self._hardware.energy_at(now_s))
        return [at_s - zero_s for at_s in times_s], energies_mwh

    def set_activity(self, activity: Activity) -> None:
        """Drops the schedule: from now on the phone does this. A phone that is off stays off."""
        if not self.is_off:
            self._hardware.replan(self._plan((), activity, self._hardware.now_s))

    def add_overhead(self, power_mw: float) -> None:
        """From now on, while awake, the phone takes so much more than its activity."""
        if power_mw != self._hardware.overhead_mw and not self.is_off:
            self._hardware.add_overhead(power_mw)

    def plug(self, connected: bool) -> None:  # noqa: FBT001 - reads as plug(True)
        """Attaches or takes away a USB supply; a phone that is plugged does not suspend."""
        if connected != self._hardware.plugged:
            self._hardware.plug(connected=connected)

    def fake_unplugged(self) -> None:
        """The platform is told that it is unplugged, and freezes what it shows."""
        self._hardware.framework.follow(self._hardware.step, self._hardware.now_s)
        self._hardware.framework.fake_unplugged()

    def reset_faked(self) -> None:
        """The platform shows the truth again."""
        self._hardware.framework.follow(self._hardware.step, self._hardware.now_s)
        self._hardware.framework.reset()

    def reboot(self) -> None:
        """A new boot session whose clocks start at 0; also how a phone that is off comes back."""
        hardware = self._hardware
        if self.is_off:
            hardware.schedule = self._plan((), STANDBY, hardware.now_s)
        hardware.reboot()
        self._boots.append(_Boot(self._new_boot_id(), hardware.now_s, hardware.step.awake_s))

    def jump_wall_clock(self, jump_s: float) -> None:
        """Sets the phone's wall clock forward, or back."""
        self._wall_offset_s += jump_s

    def _plan(self, stages: Sequence[Stage], last: Activity, start_s: float) -> Schedule:
        self._n_schedules += 1
        seed = f"{self._seed}/{self._n_schedules}"
        return Schedule(stages, last, self.spec.power_ratios, seed=seed, start_s=start_s)

    def _new_boot_id(self) -> str:
        return str(uuid.UUID(int=self._rng.getrandbits(128), version=4))

    def _last_touch_s(self) -> float:
        """On the awake clock: when the activity began, and now and then while the screen is on."""
        hardware = self._hardware
        if not hardware.context.screen_on:
            return hardware.touched_s
        since_s = hardware.step.awake_at(hardware.now_s) - hardware.touched_s
        return hardware.touched_s + since_s // _TOUCH_S * _TOUCH_S
