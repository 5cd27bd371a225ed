"""Everything a virtual phone could be asked, at one moment."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from collector.virtual.framework import PushedBattery
from collector.virtual.gauge import GaugeReading
from collector.virtual.loads import Context
from collector.virtual.models import HandsetSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmth:
    """What the thermal service would tell.

    Attributes:
        status: 0 none to 6 shutdown (AOSP ThrottlingSeverity.aidl).
    """

    battery_c: float
    skin_c: float
    cpu_c: float
    status: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneState:
    """What each source of a phone would report now.

    Attributes:
        boot_s: clock since boot, suspend included.
        awake_s: clock since boot without suspend.
        epoch_s: the phone's wall clock.
        live: what the drivers answer.
        status: charge status as the drivers tell it.
        plugged: a supply is truly attached.
        shown: what the platform shows; frozen while `updates_stopped`.
        pushed_boot_s: when the platform took that over.
        updates_stopped: the platform's values are faked.
        context: the activity's; its brightness is of interest only while the screen is on.
        brightness: the setting, 0..255, also while the screen is off.
        last_user_activity_s: on the awake clock.
        settings: by namespace and name, those that somebody has changed.
    """

    spec: HandsetSpec
    boot_id: str
    boot_s: float
    awake_s: float
    epoch_s: float
    live: GaugeReading
    status: int
    plugged: bool
    shown: PushedBattery
    pushed_boot_s: float
    updates_stopped: bool
    context: Context
    brightness: int
    last_user_activity_s: float
    warmth: Warmth
    settings: Mapping[tuple[str, str], str] = field(default_factory=dict)

    @property
    def wakefulness(self) -> str:
        """As the power service spells it; the processor may be awake while it says Asleep."""
        return "Awake" if self.context.screen_on else "Asleep"


_SKIN_STATUS_C = (38.5, 41.0, 44.0, 47.0, 50.0, 54.0)


def warmth_of(battery_c: float, ambient_c: float, load_mw: float) -> Warmth:
    """The other sensors, as the battery's warmth and the running load suggest them."""
    skin_c = ambient_c + 0.85 * (battery_c - ambient_c) + 8e-4 * load_mw
    return Warmth(
        battery_c=battery_c,
        skin_c=skin_c,
        cpu_c=battery_c + 3.0 + 6e-3 * load_mw,
        status=sum(skin_c >= limit_c for limit_c in _SKIN_STATUS_C),
    )
