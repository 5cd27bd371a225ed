"""What the terminal shows while phones are recorded: is it recording, is it fair, what is next."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from collector.clock import Clock
from collector.planning.plan import Slot
from collector.recording.poller import Poller
from collector.recording.watch import Watch
from collector.screen.conductor import Progress
from collector.screen.meter import Meter
from parsers.slips import SlipRecord
from parsers.text import printable

LINE_EVERY_S = 60.0
_FRAME_LINES = 12
"""Of the screen, beside the rows of phones."""
_BAR_CELLS = 20
_LONGEST_LABEL = 16
_COLUMNS = (
    ("level", 5), ("this mWh", 8), ("all mWh", 7), ("mW now", 6), ("°C", 4), ("rise", 5),
    ("last", 4),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """All that the view is made of, beside what the pollers know.

    Attributes:
        progress: where the test is.
        slips: going on now.
        n_slips: seen since the start.
        meters: by label.
        segment_mwh: energy at the beginning of the segment, by label.
        ambient_c: room temperature as stated.
        message: what has just happened, or what the user must decide.
        is_urgent: the message is about safety.
        entry: what is being typed, with what is asked for; None if nothing is.
        keys: what can be pressed.
    """

    progress: Progress = field(default_factory=Progress)
    slips: Sequence[SlipRecord] = ()
    n_slips: int = 0
    meters: Mapping[str, Meter] = field(default_factory=dict)
    segment_mwh: Mapping[str, float] = field(default_factory=dict)
    ambient_c: float | None = None
    message: str = ""
    is_urgent: bool = False
    entry: tuple[str, str] | None = None
    keys: Sequence[tuple[str, str]] = ()


class LiveView:
    """A screen that renews itself on a terminal, and a line a minute where output is piped.

    Args:
        console: where to show it.
        clock: what ages and the run's time are counted on.
        pollers: the phones.
    """

    def __init__(self, console: Console, clock: Clock, pollers: Sequence[Poller]) -> None:
        self._console = console
        self._clock = clock
        self._pollers = pollers
        self._start_s = clock.monotonic_s()
        self._line_s = float("-inf")
        self._live = Live(console=console, auto_refresh=False, transient=True)

    def __enter__(self) -> "LiveView":
        if self._console.is_terminal:
            self._live.start()
            self._console.show_cursor(True)  # noqa: FBT003 - it must not stay away after SIGKILL
        return self

    def __exit__(self, *_: object) -> None:
        if self._console.is_terminal:
            self._live.stop()

    def say(self, sentence: str, *, bell: bool = False) -> None:
        """Prints a sentence that stays, above the view on a terminal."""
        if bell and self._console.is_terminal:
            self._console.bell()
        if not self._console.is_terminal:
            stamp = _span(self._clock.monotonic_s() - self._start_s)
            self._console.print(f"{stamp}  {sentence}", markup=False, soft_wrap=True)

    def show(self, status: Status) -> None:
        """Renews the view."""
        run_s = self._clock.monotonic_s() - self._start_s
        if self._console.is_terminal:
            self._live.update(self._screen(status, run_s), refresh=True)
        elif run_s - self._line_s >= LINE_EVERY_S:
            self._line_s = run_s
            phones = "  ".join(
                f"{p.label} {_level(p.watch)} {_state(p.watch)}" for p in self._pollers
            )
            self._console.print(
                f"{_span(run_s)}  {printable(status.progress.segment)}  {phones}",
                markup=False,
                highlight=False,
                soft_wrap=True,
            )

    def _screen(self, status: Status, run_s: float) -> RenderableType:
        head = Table.grid(padding=(0, 2))
        head.add_column(justify="right", style="dim", width=9)
        head.add_column(overflow="fold")
        head.add_row("recording", self._recording(run_s))
        head.add_row("fair", _fair(status))
        head.add_row("now", _now(status.progress))
        head.add_row("next", _next(status.progress))
        parts: list[RenderableType] = [head, "", self._phones(status), ""]
        if status.message:
            style = "bold red" if status.is_urgent else "bold"
            parts.append(Text(printable(status.message, 300), style=style))
        if status.entry is not None:
            asked, typed = status.entry
            line = Text(f"{asked}: ", style="bold")
            line.append(f"{printable(typed)}▏", style="bold underline")
            parts.append(line.append("  return keeps it, esc drops it", style="not bold dim"))
        elif status.keys:
            line = Text()
            for key, word in status.keys:
                line.append(key, style="reverse").append(f" {word}   ")
            parts.append(line)
        return Group(*parts)

    def _recording(self, run_s: float) -> Text:
        ended = [p for p in self._pollers if p.watch.end is not None]
        n_good = sum(p.watch.end is None and p.watch.state == "recording" for p in self._pollers)
        well = n_good + len(ended) == len(self._pollers)
        text = Text(f"{n_good} of {len(self._pollers)} phones", "green" if well else "bold red")
        text.append(f", {len(ended)} ended" if ended else "", style="default")
        return text.append(f" · {_span(run_s)} since the start", style="default")

    def _phones(self, status: Status) -> Table:
        table = Table(box=None, pad_edge=False, padding=(0, 1), header_style="dim")
        longest = min(_LONGEST_LABEL, max(len(poller.label) for poller in self._pollers))
        table.add_column("phone", overflow="ellipsis", no_wrap=True, width=max(longest, 5))
        for heading, width in _COLUMNS:
            table.add_column(heading, justify="right", no_wrap=True, min_width=width)
        taken = max(longest, 5) + sum(width + 2 for _, width in _COLUMNS) + 3
        room = max(self._console.width - taken, 4)
        table.add_column("", overflow="ellipsis", no_wrap=True, max_width=room)
        n_rows = max(self._console.height - _FRAME_LINES, 3)
        for poller in self._worst_first(status)[:n_rows]:
            table.add_row(*self._row(poller, status))
        hidden = len(self._pollers) - n_rows
        if hidden > 0:
            table.add_row(f"and {hidden} more")
        return table

    def _worst_first(self, status: Status) -> list[Poller]:
        """In the usual order, unless the screen cannot hold them all."""
        if len(self._pollers) <= self._console.height - _FRAME_LINES:
            return list(self._pollers)
        slipping = {slip.phone for slip in status.slips}
        return sorted(
            self._pollers,
            key=lambda p: (p.watch.state == "recording", p.label not in slipping),
        )

    def _row(self, poller: Poller, status: Status) -> list[Text | str]:
        watch, label = poller.watch, poller.label
        meter = status.meters.get(label)
        total_mwh = meter.energy_mwh if meter else None
        begun_mwh = status.segment_mwh.get(label)
        this_mwh = None if total_mwh is None or begun_mwh is None else total_mwh - begun_mwh
        warm_c = _newest(watch, "temperature_c")
        rise_c = None if warm_c is None or status.ambient_c is None else warm_c - status.ambient_c
        age_s = _age_s(watch, self._clock.monotonic_s())
        slips = [slip for slip in status.slips if slip.phone == label]
        return [
            label,
            _level(watch),
            _figure(this_mwh, ".1f"),
            _figure(total_mwh, ".0f"),
            _figure(meter.power_mw if meter else None, ".0f"),
            Text(_figure(warm_c, ".1f"), "red" if any(s.kind == "hot" for s in slips) else ""),
            _figure(rise_c, "+.1f"),
            "–" if age_s is None else f"{age_s:.0f} s",
            Text(", ".join(s.kind.replace("_", " ") for s in slips), "bold red")
            if slips
            else _state(watch),
        ]


def _fair(status: Status) -> Text:
    if not status.slips:
        seen = f", {status.n_slips} slips so far" if status.n_slips else ""
        return Text("nothing has slipped" if not seen else "all well now", "green").append(
            seen, style="default"
        )
    first = status.slips[0]
    text = Text(f"{first.phone}: {printable(first.text, 160)}", "bold red")
    more = len(status.slips) - 1
    return text.append(f" · and {more} more", style="default") if more else text


def _now(progress: Progress) -> Text:
    if progress.lead_s is not None and progress.next_slot is not None:
        name = printable(progress.next_slot.segment.name, 40)
        return Text(f"{name} counts in {_span(progress.lead_s)}", "bold yellow")
    if not progress.segment:
        rest = f"rest for {_span(progress.rest_s)}" if progress.rest_s else "nothing is tagged"
        return Text(rest, "yellow")
    text = Text(printable(progress.segment, 40), "bold")
    if progress.left_s is None:
        return text.append(f"  {_span(progress.on_s)}", style="not bold")
    total_s = progress.on_s + progress.left_s
    done = min(_BAR_CELLS, round(_BAR_CELLS * progress.on_s / max(total_s, 1.0)))
    text.append(f"  {_span(max(progress.left_s, 0.0))} left  ", style="not bold")
    return text.append("━" * done, style="green").append("┄" * (_BAR_CELLS - done), style="dim")


def _next(progress: Progress) -> Text:
    slot = progress.next_slot
    if slot is None:
        return Text("whatever you tag", "dim")
    who = f"{slot.segment.who}: " if slot.segment.who else ""
    text = Text(f"{printable(slot.segment.name, 40)}{_length(slot)}", "bold")
    return text.append(f"  {who}{printable(slot.segment.do, 200)}", style="not bold")


def _length(slot: Slot) -> str:
    return ", until off" if slot.duration_s is None else f", {slot.duration_s / 60:g} min"


def _newest(watch: Watch, name: str) -> float | None:
    for reading in reversed(list(watch.last)):
        value: float | None = getattr(reading, name)
        if value is not None:
            return value
    return None


def _age_s(watch: Watch, now_s: float) -> float | None:
    return now_s - watch.last[-1].host_s if watch.last else None


def _figure(value: float | None, form: str) -> str:
    return "–" if value is None else format(value, form)


def _level(watch: Watch) -> str:
    level_pct = _newest(watch, "level_pct")
    return "–" if level_pct is None else f"{level_pct:.0f} %"


def _state(watch: Watch) -> str:
    if watch.error is not None:
        return printable(watch.error, 60)
    if watch.end is not None:
        return watch.end.what.replace("_", " ")
    return watch.state if not watch.advice else f"{watch.state}: {watch.advice}"


def _span(seconds: float) -> str:
    return str(timedelta(seconds=int(seconds)))
