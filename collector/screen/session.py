"""A recording at the terminal: keys, tags, slips, limits of temperature, and the live view."""

import contextlib
from collections.abc import Callable

from rich.console import Console

from collector.clock import Clock
from collector.errors import TagError
from collector.planning.plan import Limits, Plan
from collector.recording.bench import Bench
from collector.screen.conductor import Conductor
from collector.screen.driven import Driving, NothingDriven
from collector.screen.keys import BACKSPACE, ENTER, ESCAPE, Keys
from collector.screen.live import LiveView
from collector.screen.meter import Meter
from collector.screen.status import Status
from collector.slips.cut import cut_slip
from collector.slips.watch import SlipWatch
from collector.tagging.tags import Tagger
from parsers.runfolder import Manifest, RunFolder
from parsers.slips import SlipRecord
from parsers.tags import NAME_MAX_CHARS, TaggedSegment, open_segments, read_tags
from parsers.text import printable

LOOK_S = 0.25


class Session:
    """One recording, from its start until the phones are off or the user stops it.

    Args:
        run: the folder.
        bench: recording already.
        plan: None for a free run.
        clock: the computer's clocks.
        console: where it is shown.
        drive: what the phones do by themselves.
    """

    def __init__(
        self,
        run: RunFolder,
        bench: Bench,
        plan: Plan | None,
        clock: Clock,
        console: Console,
        *,
        drive: Driving | None = None,
    ) -> None:
        manifest: Manifest = run.read_manifest()
        self._run = run
        self._bench = bench
        self._clock = clock
        self._limits = plan.limits if plan else Limits()
        self._tagger = Tagger(run, clock)
        self._conductor = Conductor(plan, self._tagger, clock)
        self._drive: Driving = drive or NothingDriven()
        self._slips = SlipWatch(run, [p.label for p in manifest.phones], self._limits)
        self._meters = {p.label: Meter(p.capacity_mah) for p in manifest.phones}
        self._n_slips = 0
        self._over: list[SlipRecord] = []
        self._view = LiveView(console, clock, bench.pollers)
        self._message = ""
        self._hot: set[str] = set()
        self._urgent = ""
        self._entry: tuple[str, str, Callable[[str], str]] | None = None
        self._ambient_c = manifest.ambient_c
        self._began_s = clock.monotonic_s()
        self._done = False

    def run(self) -> None:
        """Until every phone has ended, or the user or the plan stops it."""
        with Keys() as keys, self._view:
            if keys.active:
                self._say_in_lines(f"keys: {_in_words(self._keys())}")
            try:
                while not self._done and not self._bench.wait(timeout_s=0.0):
                    for key in keys.pressed(LOOK_S):
                        self._press(key)
                    self._look()
                    self._view.show(self._status(has_keys=keys.active))
            finally:
                self._tell(self._drive.stop())
                self._end_tags()
                for cost in self._drive.costs():
                    self._tagger.note(f"actions: {cost}")

    def _end_tags(self) -> None:
        """What is open ends with the recording, unless the phones have ended by themselves."""
        if not self._bench.wait(timeout_s=0.0):
            for segment in self._open():
                with contextlib.suppress(TagError):  # ended together with that of all phones
                    self._tagger.end(phone=segment.phone)

    def _look(self) -> None:
        self._do(lambda: self._conductor.follow(self._open()), bell=True)
        for poller in self._bench.pollers:
            scene = self._conductor.scene(poller.label)
            ticks = poller.watch.ticks
            while ticks:
                tick = ticks.popleft()
                self._meters[poller.label].follow(tick.reading)
                for slip in self._slips.follow(poller.label, tick, scene):
                    self._tell_slip(slip)
                if tick.reading.temperature_c is not None:
                    self._mind_heat(poller.label, tick.reading.temperature_c)
        self._mind_end()
        self._tell(self._drive.keep())

    def _mind_heat(self, label: str, warm_c: float) -> None:
        """Warns, asks to stop, and ends what makes a phone that hot."""
        limits = self._limits
        if warm_c >= limits.stop_c and label not in self._hot:
            self._hot.add(label)
            self._drive.stop()
            self._do(self._conductor.end)
            self._do(lambda: self._note(f"{label} at {warm_c:.1f} °C: activities ended"))
            self._urgent = (
                f"{label} is at {warm_c:.1f} °C. STOP all activities, screens off, let it cool "
                "in the open; on swelling, hiss, smell or smoke leave it and keep away"
            )
            self._view.say(self._urgent, bell=True)
        elif warm_c >= limits.ask_c and not self._urgent:
            self._urgent = f"{label} is at {warm_c:.1f} °C. Stop now? q stops, a goes on"
            self._view.say(self._urgent, bell=True)
        elif warm_c < limits.warn_c:
            self._hot.discard(label)

    def _mind_end(self) -> None:
        limits = self._limits
        hours = (self._clock.monotonic_s() - self._began_s) / 3600.0
        if limits.after_h is not None and hours >= limits.after_h:
            self._finish(f"the plan stops after {limits.after_h:g} h")
        levels = [
            p.watch.last[-1].level_pct
            for p in self._bench.pollers
            if p.watch.end is None and p.watch.last
        ]
        if limits.level_pct is not None and levels:
            known = [level for level in levels if level is not None]
            if known and len(known) == len(levels) and max(known) <= limits.level_pct:
                self._finish(f"the plan stops at {limits.level_pct:g} %")

    def _press(self, key: str) -> None:
        if self._entry is not None:
            self._type(key)
            return
        actions: dict[str, Callable[[], str]] = {
            "n": self._go_on,
            "e": self._conductor.end,
            "u": self._undo,
            "c": self._cut,
        }
        if key in actions:
            self._do(actions[key])
        elif key == "t":
            self._ask("segment", self._conductor.begin_own)
        elif key == "o":
            self._ask("note", self._note)
        elif key == "a":
            self._urgent = ""
        elif key == "q":
            self._ask("stop recording? y", self._stop_if)

    def _ask(self, what: str, act: Callable[[str], str]) -> None:
        self._entry = (what, "", act)
        self._say_in_lines(f"{what}: type it, return keeps it, esc drops it")

    def _type(self, key: str) -> None:
        if self._entry is None:
            return
        asked, typed, act = self._entry
        if key == ESCAPE:
            self._entry = None
        elif key == ENTER:
            self._entry = None
            self._do(lambda: act(typed))
        elif key == BACKSPACE:
            self._entry = (asked, typed[:-1], act)
        elif key.isprintable() and len(typed) < NAME_MAX_CHARS:
            self._entry = (asked, typed + key, act)

    def _go_on(self) -> str:
        slot = self._conductor.progress().next_slot
        said = self._conductor.go_on()
        driven = self._drive.begin(slot) if slot is not None else ""
        return f"{said}; {driven}" if driven else said

    def _undo(self) -> str:
        records = self._tagger.undo()
        return "taken back: " + ", ".join(f"{r.what} {r.name or ''}".strip() for r in records)

    def _note(self, text: str) -> str:
        self._tagger.note(text)
        return "noted"

    def _cut(self) -> str:
        """Cuts the latest slip that is over, with the time in which it may have gone unseen."""
        if self._over:
            return cut_slip(self._tagger, self._run, self._over.pop().id)
        if going_on := self._slips.going_on:
            raise TagError(f"{going_on[0].phone} still slips: put it right first, then cut")
        raise TagError("nothing has slipped that could be cut out")

    def _stop_if(self, typed: str) -> str:
        if typed.strip().lower() in ("", "y", "yes"):
            self._finish("stopping; everything read so far is kept")
        return ""

    def _finish(self, why: str) -> None:
        self._done = True
        self._tell(why)

    def _do(self, act: Callable[[], str], *, bell: bool = False) -> None:
        try:
            self._tell(act(), bell=bell)
        except TagError as exc:
            self._tell(str(exc))

    def _tell(self, sentence: str, *, bell: bool = False) -> None:
        if sentence:
            self._message = sentence
            self._view.say(sentence, bell=bell)

    def _tell_slip(self, slip: SlipRecord) -> None:
        if slip.what == "began":
            self._n_slips += 1
        else:
            self._over.append(slip)
        over = "" if slip.what == "began" else "over: "
        self._tell(f"{slip.phone}: {over}{printable(slip.text, 160)}", bell=slip.what == "began")

    def _open(self) -> list[TaggedSegment]:
        return open_segments(read_tags(self._run.tags_path).records)

    def _keys(self) -> list[tuple[str, str]]:
        keys = [("t", "tag"), ("e", "end"), ("o", "note"), ("u", "undo"), ("q", "stop")]
        if self._conductor.progress().next_slot is not None:
            keys.insert(0, ("n", "next"))
        if self._over or self._slips.going_on:
            keys.insert(-1, ("c", "cut slip"))
        return keys

    def _say_in_lines(self, sentence: str) -> None:
        """What a screen shows by itself."""
        if not self._view.is_screen:
            self._view.say(sentence)

    def _status(self, *, has_keys: bool) -> Status:
        scene = self._conductor.scene()
        return Status(
            progress=self._conductor.progress(),
            slips=self._slips.going_on,
            n_slips=self._n_slips,
            meters=self._meters,
            since_s=scene.since_s if scene.segment else None,
            ambient_c=self._ambient_c,
            message=self._urgent or self._message,
            is_urgent=bool(self._urgent),
            entry=None if self._entry is None else self._entry[:2],
            keys=self._keys() if has_keys else (),
        )


def _in_words(keys: list[tuple[str, str]]) -> str:
    return ", ".join(f"{key} {word}" for key, word in keys)
