"""Slips found while recording: what changed on a phone that should have stayed as it was.

What a segment should be like is the plan's word; without a plan, what it was like once it had
settled. Another app is told as soon as the planned one has been in front, or the segment has
settled without it. A look around comes every half minute, so a slip may be that much older than
it is seen.
"""

import secrets
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from collector.planning.plan import Limits, Segment
from collector.tagging.append import append_lines
from parsers.assemble import Tick
from parsers.runfolder import RunFolder
from parsers.slips import Kind, SlipRecord
from parsers.text import printable

SETTLES_S = 40.0
"""After the beginning of a segment, and one look around, things are as they will be."""
SEVERE = 2
"""AOSP ThrottlingSeverity.aidl: moderate; light is not felt in use."""
_BRIGHTER = 2.0
_NOTHING = "none"
"""In front, as the context calls it: dark, or only a window of the system."""
_IN_USE = ("ringing", "off_hook")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What a phone is meant to do now.

    Attributes:
        segment: name of the open segment; empty between segments.
        since_s: when it began, on the computer's monotonic clock.
        wanted: the plan's segment; None in a free run.
    """

    segment: str = ""
    since_s: float = 0.0
    wanted: Segment | None = None

    @property
    def may_call(self) -> bool:
        """Whether a call belongs to it."""
        drives_call = self.wanted is not None and any(
            action.action == "call" for action in self.wanted.drive
        )
        return drives_call or "call" in self.segment.lower()


@dataclass(slots=True)
class _Phone:
    context: dict[str, str] = field(default_factory=dict)
    plugged: bool | None = None
    temperature_c: float | None = None
    settled: dict[str, str] = field(default_factory=dict)
    settled_in: tuple[str, float] = ("", -1.0)
    going_on: dict[Kind, SlipRecord] = field(default_factory=dict)
    arrived_s: float | None = None
    is_due: bool = False


class SlipWatch:
    """Follows what the phones tell and keeps the slips of a run.

    Args:
        run: where `slips.jsonl` is kept.
        labels: the phones.
        limits: temperatures, and how far starts may be apart.
    """

    def __init__(self, run: RunFolder, labels: list[str], limits: Limits) -> None:
        self._run = run
        self._limits = limits
        self._phones = {label: _Phone() for label in labels}
        self._uneven: set[tuple[str, float]] = set()

    @property
    def going_on(self) -> list[SlipRecord]:
        """Slips that are not over, in the order they were seen."""
        found = [slip for phone in self._phones.values() for slip in phone.going_on.values()]
        return sorted(found, key=lambda slip: slip.at_utc)

    def context(self, label: str) -> dict[str, str]:
        """What is known around the battery of a phone, as words by name."""
        return self._phones[label].context

    def follow(self, label: str, tick: Tick, scene: Scene) -> list[SlipRecord]:
        """Takes one tick in; what began or was over with it, already written down.

        Raises:
            OSError: if it cannot be written.
        """
        phone = self._phones[label]
        phone.context |= {change.name: change.value for change in tick.changes}
        reading = tick.reading
        phone.plugged = phone.plugged if reading.plugged is None else reading.plugged
        phone.temperature_c = reading.temperature_c or phone.temperature_c
        self._settle(phone, scene, reading.host_s)
        wrong = dict(_wrong(phone, scene, self._limits))
        changed = [
            _record("began", kind, label, scene, text, reading.host_utc, reading.host_s)
            for kind, text in wrong.items()
            if kind not in phone.going_on
        ]
        phone.going_on |= {slip.kind: slip for slip in changed}
        for kind in [kind for kind in phone.going_on if kind not in wrong]:
            begun = phone.going_on.pop(kind)
            over = {"what": "over", "at_utc": reading.host_utc, "at_host_s": reading.host_s}
            changed.append(begun.model_copy(update=over))
        changed += self._uneven_start(label, phone, scene, reading.host_utc, reading.host_s)
        if changed:
            append_lines(self._run.slips_path, [slip.model_dump_json() for slip in changed])
        return changed

    def _settle(self, phone: _Phone, scene: Scene, now_s: float) -> None:
        """Remembers how things were once the segment had settled."""
        segment = (scene.segment, scene.since_s)
        if phone.settled_in != segment:
            phone.settled_in, phone.settled, phone.arrived_s = segment, {}, None
        phone.is_due = bool(scene.segment) and now_s - scene.since_s >= SETTLES_S
        if phone.is_due and not phone.settled and not _is_elsewhere(phone, scene):
            phone.settled = dict(phone.context)
        if phone.arrived_s is None and _has_arrived(phone, scene):
            phone.arrived_s = now_s

    def _uneven_start(
        self, label: str, phone: _Phone, scene: Scene, at_utc: datetime, at_s: float
    ) -> list[SlipRecord]:
        """A phone whose app came to the front long after the first one's."""
        key = (label, scene.since_s)
        if phone.arrived_s is None or key in self._uneven:
            return []
        self._uneven.add(key)
        arrived = [p.arrived_s for p in self._phones.values() if p.arrived_s is not None]
        apart_s = phone.arrived_s - min(arrived)
        if apart_s <= self._limits.start_apart_s + SETTLES_S:
            return []
        text = f"began {apart_s:.0f} s after the first phone"
        begun = _record("began", "uneven_start", label, scene, text, at_utc, at_s)
        return [begun, begun.model_copy(update={"what": "over"})]


def _is_elsewhere(phone: _Phone, scene: Scene) -> bool:
    """Whether something else than the planned app is in front: nothing to go by."""
    app = scene.wanted.app if scene.wanted else None
    return app is not None and phone.context.get("foreground") not in (None, _NOTHING, app)


def _has_arrived(phone: _Phone, scene: Scene) -> bool:
    app = scene.wanted.app if scene.wanted else None
    return app is not None and phone.context.get("foreground") == app


def _wrong(phone: _Phone, scene: Scene, limits: Limits) -> Iterator[tuple[Kind, str]]:
    if phone.plugged:
        yield "cable", "a supply is attached"
    if phone.context.get("battery_saver") == "1":
        yield "saver", "battery saver is on"
    if phone.context.get("call") in _IN_USE and not scene.may_call:
        yield "call", f"a call: {phone.context['call'].replace('_', ' ')}"
    status = phone.context.get("thermal_status", "")
    if status.isdecimal() and int(status) >= SEVERE:
        yield "throttled", f"slowed down for its warmth, status {status}"
    if phone.temperature_c is not None and phone.temperature_c >= limits.warn_c:
        yield "hot", f"{limits.warn_c:g} °C or more"
    screen = _screen_meant(phone, scene)
    if screen == "on" and (text := _wrong_app(phone, scene)):
        yield "wrong_app", text
    if phone.settled:
        yield from _changed(phone, screen)


def _screen_meant(phone: _Phone, scene: Scene) -> str | None:
    if scene.wanted is not None and scene.wanted.screen != "any":
        return scene.wanted.screen
    planned_app = scene.wanted.app if scene.wanted else None
    return phone.settled.get("screen", "on" if planned_app else None)


def _wrong_app(phone: _Phone, scene: Scene) -> str:
    """What is in front instead of what belongs there; empty while that cannot be said."""
    planned = scene.wanted.app if scene.wanted else None
    may_judge = phone.is_due or phone.arrived_s is not None
    app = (planned if may_judge else None) or phone.settled.get("foreground")
    shown = phone.context.get("foreground")
    if app is None or shown in (None, _NOTHING, app) or phone.context.get("screen") != "on":
        return ""
    return f"{printable(shown, 60)} in front, not {printable(app, 60)}"


def _changed(phone: _Phone, screen: str | None) -> Iterator[tuple[Kind, str]]:
    """What is not as the plan says or, without its word, as it was."""
    now, then = phone.context, phone.settled
    if screen == "off" and now.get("screen") == "on":
        yield "screen", "the screen is on"
    if screen == "on" and now.get("screen") not in ("on", None):
        yield "screen", "the screen is off"
    before, after = _number(then.get("brightness")), _number(now.get("brightness"))
    if before is not None and after is not None and abs(after - before) > _BRIGHTER:
        yield "brightness", f"brightness {after:g}, was {before:g}"


def _number(text: str | None) -> float | None:
    try:
        return None if text is None else float(text)
    except ValueError:
        return None


def _record(  # noqa: PLR0913, PLR0917 - one line of the file
    what: str, kind: Kind, label: str, scene: Scene, text: str, at_utc: datetime, at_s: float
) -> SlipRecord:
    return SlipRecord.model_validate(
        {
            "what": what,
            "id": secrets.token_hex(4),
            "kind": kind,
            "phone": label,
            "segment": scene.segment,
            "text": text,
            "at_utc": at_utc,
            "at_host_s": at_s,
        }
    )
