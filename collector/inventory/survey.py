"""Everything a phone could tell, each source asked once: what it gives, or why it does not."""

import re
from dataclasses import dataclass, replace
from itertools import pairwise
from threading import Event
from typing import Any

from collector.adb import Phone
from collector.clock import Clock
from collector.errors import NoPhonesError
from collector.inventory.probe import (
    BATTERY,
    CURRENT,
    PROPERTY_COMMAND,
    SUPPLIES,
    Look,
    Offer,
    Question,
    look,
    pick,
)
from parsers.dump import Dump
from parsers.outcome import Parsed
from parsers.plausible import SURELY_UA
from parsers.sources import (
    battery_get,
    display,
    foreground,
    health,
    idle,
    power,
    power_rails,
    settings,
    telephony,
    thermal,
    wifi,
)

WATCH_S = 6.0
ENOUGH_CHANGES = 4
PAUSE_S = 0.1
_HIDL = "lshal debug android.hardware.health@{}::IHealth/default"
_HEALTH_COMMANDS = (
    (33, "dumpsys android.hardware.health.IHealth/default"),
    (30, _HIDL.format("2.1")),
    (28, _HIDL.format("2.0")),
    (0, "dumpsys batteryproperties"),
)
_DENIED_SUPPLY = re.compile(r"/sys/class/power_supply/([\w-]{1,64})/uevent: Permission denied")
_SUPPLY_NAME = re.compile(r"^POWER_SUPPLY_NAME=([\w-]{1,64})\r?$", re.MULTILINE)
_UPTIME = re.compile(r"[0-9]{1,12}\.[0-9]{2} [0-9.]{1,20}")


@dataclass(frozen=True, slots=True, kw_only=True)
class BootClock:
    """The boot clock is there; its value is of no interest here."""

    boot_clock: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentSeen:
    """How the source of the current behaves.

    Attributes:
        source: which one.
        n_answers: how often it was asked.
        n_changes: how often the number was another one.
        watched_s: for how long.
        unit: `uA` where the size leaves no doubt; None: cannot tell from so little.
        sign: 1 positive into the battery, -1 out of it, where this moment proves it; else None.
    """

    source: str
    n_answers: int
    n_changes: int
    watched_s: float
    unit: str | None
    sign: int | None

    @property
    def every_s(self) -> float | None:
        """Mean time between changes; None if there was none."""
        return self.watched_s / self.n_changes if self.n_changes else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """What a phone offers.

    Attributes:
        looks: one per source.
        supplies: power supplies that can be read.
        hidden_supplies: those that are there and cannot.
        current: None if no source gives one.
        offer: what would be polled; None if the phone gives no battery state.
        plugged: whether it is being charged; None if it does not tell.
        simulated: whether its battery values are faked or frozen.
    """

    looks: tuple[Look, ...]
    supplies: tuple[str, ...]
    hidden_supplies: tuple[str, ...]
    current: CurrentSeen | None
    offer: Offer | None
    plugged: bool | None
    simulated: bool


def questions(api_level: int | None) -> tuple[Question, ...]:
    """All there is to ask a phone of that platform version, in the order of asking."""
    api = api_level or 0
    health_command = next(command for since, command in _HEALTH_COMMANDS if api >= since)
    others = (
        ("thermal service", thermal.COMMAND, thermal),
        ("power manager", power.COMMAND, power),
        ("display", display.COMMAND, display),
        ("foreground app", foreground.COMMAND, foreground),
        ("doze", idle.COMMAND, idle),
        ("telephony", telephony.COMMAND, telephony),
        ("wifi", wifi.COMMAND, wifi),
        ("power rails", power_rails.HAL_COMMAND, power_rails),
        ("power rails, kernel", power_rails.FILE_COMMAND, power_rails),
    )
    return (
        BATTERY,
        SUPPLIES,
        CURRENT,
        _property("counter", 1, "charge_counter_raw"),
        _property("average", 3, "current_average_raw"),
        Question(
            source="cmd battery",
            command="cmd battery get current_now",
            parse=battery_get.parse,
            gives="current_raw",
            age="refreshed",
        ),
        Question(source="health HAL", command=health_command, parse=health.parse, age="live"),
        *(Question(source=s, command=c, parse=module.parse) for s, c, module in others),
        Question(
            source="settings",
            gives="screen_brightness",
            command="settings get system screen_brightness",
            parse=lambda text: settings.parse_value("screen_brightness", text),
        ),
        Question(source="boot clock", command="cat /proc/uptime", parse=_parse_uptime),
    )


def _property(name: str, number: int, gives: str) -> Question:
    return replace(
        CURRENT,
        source=f"{CURRENT.source} {name}",
        command=PROPERTY_COMMAND.format(number),
        gives=gives,
    )


def _parse_uptime(text: str) -> Parsed[BootClock]:
    dump = Dump("boot clock", text)
    found = _UPTIME.fullmatch(dump.head[0][1].strip()) is not None
    return dump.parsed(BootClock(), found=found, needs="two numbers")


def survey(
    phone: Phone, clock: Clock, api_level: int | None = None, watch_s: float = WATCH_S
) -> Survey:
    """Asks for everything, and watches the current for a few seconds.

    Args:
        phone: to be asked.
        clock: times the watching.
        api_level: of the phone's platform; None if it does not tell.
        watch_s: how long the current is watched at most.

    Raises:
        CollectorError: if the link breaks meanwhile.
    """
    looks = {each.source: look(phone, each) for each in questions(api_level)}
    battery, supplies = looks[BATTERY.source], looks[SUPPLIES.source]
    try:
        offer = pick(battery, supplies, lambda: looks[CURRENT.source])
    except NoPhonesError:
        offer = None
    live = {"uevent": SUPPLIES, "property": CURRENT}.get(offer.settings.fast) if offer else None
    row = battery.row
    return Survey(
        looks=tuple(looks.values()),
        supplies=tuple(dict.fromkeys(_SUPPLY_NAME.findall(supplies.text))),
        hidden_supplies=tuple(_DENIED_SUPPLY.findall(supplies.complaints)),
        current=_watched(phone, live, clock, watch_s, row) if live is not None else None,
        offer=offer,
        plugged=row.plugged if row is not None else None,
        simulated=bool(row is not None and row.updates_stopped),
    )


def _watched(
    phone: Phone, question: Question, clock: Clock, watch_s: float, battery: Any
) -> CurrentSeen:
    start_s, watched_s, n_changes = clock.monotonic_s(), 0.0, 0
    seen: list[int] = []
    pause = Event()
    while watched_s < watch_s and n_changes < ENOUGH_CHANGES:
        answer = look(phone, question)
        raw = None if answer.row is None else getattr(answer.row, _RAW[question.source])
        if raw is None:
            break
        seen.append(raw)
        pause.wait(PAUSE_S)
        n_changes = sum(a != b for a, b in pairwise(seen))
        watched_s = clock.monotonic_s() - start_s
    return CurrentSeen(
        source=question.source,
        n_answers=len(seen),
        n_changes=n_changes,
        watched_s=watched_s,
        unit="uA" if max(map(abs, seen), default=0) >= SURELY_UA else None,
        sign=proved_sign(seen, plugged=battery.plugged, status=battery.status),
    )


_RAW = {SUPPLIES.source: "current_raw", CURRENT.source: "value"}


def proved_sign(raw: list[int], *, plugged: bool | None, status: str | None) -> int | None:
    """1 if positive is into the battery, -1 if out of it, None if this moment cannot tell.

    A positive number on battery may be a mere magnitude, and one while charging says nothing.
    """
    if not raw or max(raw) >= 0:
        return None
    if plugged is False:
        return 1
    return -1 if plugged and status == "charging" else None
