"""What a courier's phone does all day, as power that jumps about: base, bursts, sleep."""

import random
from collections.abc import Iterator
from dataclasses import dataclass

LoadEvent = tuple[float, float, bool]
"""Duration in s, power in mW, whether the processor is awake."""

CALL_IDLE, CALL_ACTIVE = 0, 2
"""Call states as the telephony registry numbers them (AOSP TelephonyManager.java)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What the platform would tell about the phone during an activity.

    Attributes:
        brightness: of the screen while it is on, 0..255.
        foreground: `package/class` of the activity in front; None while the screen is off.
        wake_lock: what keeps the processor awake although the screen is off.
    """

    screen_on: bool
    brightness: int = 110
    foreground: str | None = None
    call_state: int = CALL_IDLE
    wake_lock: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Doze:
    """How a phone that may suspend sleeps and wakes.

    Attributes:
        sleep_mw: power while suspended.
        sleep_s: shortest and longest sleep.
        wake_s: shortest and longest time awake in between.
        sync_s: the same for the wake-ups that fetch or send data.
        sync_ratio: share of wake-ups that do.
    """

    sleep_mw: float
    sleep_s: tuple[float, float]
    wake_s: tuple[float, float]
    sync_s: tuple[float, float] = (1.0, 1.0)
    sync_ratio: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Activity:
    """One use of the phone.

    Attributes:
        base_mw: power between bursts, while awake.
        burst_mw: least and most that a burst adds.
        burst_s: shortest and longest burst; their logarithm is evenly spread.
        quiet_s: mean time between bursts, exponentially spread.
        doze: None for an activity that keeps the processor awake.
    """

    name: str
    base_mw: float
    burst_mw: tuple[float, float]
    burst_s: tuple[float, float]
    quiet_s: float
    context: Context
    doze: Doze | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """The endless, repeatable load events of one activity on one phone.

    Attributes:
        seed: the same seed gives the same events at each iteration.
        power_ratio: this phone's power for the activity, 1 for the reference phone.
    """

    activity: Activity
    seed: str
    power_ratio: float = 1.0

    def __iter__(self) -> Iterator[LoadEvent]:
        rng = random.Random(self.seed)  # noqa: S311 - a repeatable load, not a secret
        doze = self.activity.doze
        while doze is not None:
            sync = rng.random() < doze.sync_ratio
            yield from self._awake(rng, rng.uniform(*(doze.sync_s if sync else doze.wake_s)))
            yield rng.uniform(*doze.sleep_s), doze.sleep_mw * self.power_ratio, False
        yield from self._bursts(rng)

    def _awake(self, rng: random.Random, left_s: float) -> Iterator[LoadEvent]:
        for duration_s, power_mw, awake in self._bursts(rng):
            if duration_s >= left_s:
                yield left_s, power_mw, awake
                return
            yield duration_s, power_mw, awake
            left_s -= duration_s

    def _bursts(self, rng: random.Random) -> Iterator[LoadEvent]:
        base_mw = self.activity.base_mw * self.power_ratio
        low_mw, high_mw = (each * self.power_ratio for each in self.activity.burst_mw)
        shortest_s, longest_s = self.activity.burst_s
        spread_ratio = longest_s / shortest_s
        quiet_hz = 1.0 / self.activity.quiet_s
        draw = rng.random
        while True:
            yield rng.expovariate(quiet_hz) + 0.01, base_mw, True
            power_mw = base_mw + low_mw + (high_mw - low_mw) * draw()
            yield shortest_s * spread_ratio ** draw(), power_mw, True


NAVIGATION = Activity(
    name="navigation",
    base_mw=2000.0,
    burst_mw=(300.0, 2600.0),
    burst_s=(0.05, 1.0),
    quiet_s=0.35,
    context=Context(
        screen_on=True, brightness=224, foreground="org.example.wayfinder/.GuidanceActivity"
    ),
)
VOICE_CALL = Activity(
    name="voice_call",
    base_mw=850.0,
    burst_mw=(100.0, 900.0),
    burst_s=(0.05, 0.6),
    quiet_s=0.3,
    context=Context(screen_on=False, call_state=CALL_ACTIVE, wake_lock="CallAudio"),
)
PARCEL_SCANNING = Activity(
    name="parcel_scanning",
    base_mw=1700.0,
    burst_mw=(800.0, 3800.0),
    burst_s=(0.1, 2.0),
    quiet_s=0.7,
    context=Context(
        screen_on=True, brightness=180, foreground="com.example.courier/.scan.ScanActivity"
    ),
)
STANDBY = Activity(
    name="standby",
    base_mw=560.0,
    burst_mw=(100.0, 700.0),
    burst_s=(0.05, 0.8),
    quiet_s=0.3,
    context=Context(screen_on=False),
    doze=Doze(
        sleep_mw=8.0, sleep_s=(20.0, 60.0), wake_s=(1.0, 3.0), sync_s=(14.0, 26.0), sync_ratio=0.2
    ),
)
"""In the pocket, with the courier app reporting the position every few minutes."""
POCKET_IDLE = Activity(
    name="pocket_idle",
    base_mw=600.0,
    burst_mw=(50.0, 500.0),
    burst_s=(0.05, 0.5),
    quiet_s=0.3,
    context=Context(screen_on=False),
    doze=Doze(sleep_mw=11.0, sleep_s=(120.0, 420.0), wake_s=(1.0, 2.0)),
)
"""In the pocket, with nothing to report."""
MUSIC = Activity(
    name="music",
    base_mw=290.0,
    burst_mw=(80.0, 700.0),
    burst_s=(0.05, 0.5),
    quiet_s=0.35,
    context=Context(screen_on=False, wake_lock="AudioMix"),
)
VIDEO_BRIEFING = Activity(
    name="video_briefing",
    base_mw=1250.0,
    burst_mw=(100.0, 1200.0),
    burst_s=(0.05, 0.8),
    quiet_s=0.35,
    context=Context(
        screen_on=True, brightness=160, foreground="com.example.courier/.briefing.PlayerActivity"
    ),
)
GAME = Activity(
    name="game",
    base_mw=2900.0,
    burst_mw=(400.0, 3400.0),
    burst_s=(0.05, 1.2),
    quiet_s=0.3,
    context=Context(screen_on=True, brightness=190, foreground="org.example.tiles/.BoardActivity"),
)

ACTIVITIES: tuple[Activity, ...] = (
    NAVIGATION, VOICE_CALL, PARCEL_SCANNING, STANDBY, POCKET_IDLE, MUSIC, VIDEO_BRIEFING, GAME
)  # fmt: skip
