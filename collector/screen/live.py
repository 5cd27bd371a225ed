"""What the terminal shows while phones are recorded: is it recording, is it fair, what is next."""

from collections.abc import Sequence
from datetime import timedelta

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from collector.clock import Clock
from collector.planning.plan import Slot
from collector.recording.poller import Poller
from collector.screen.conductor import Progress
from collector.screen.rows import level_text, phones_table, state_text
from collector.screen.status import Status
from parsers.text import printable, so_many

LINE_EVERY_S = 60.0
_STARTS_S = 10.0
_FRAME_LINES = 15
"""Of the screen, beside the rows of phones, with every text as long as it may be."""
_TEXT_LINES = 2
_HEAD_WIDTH = 11
_BAR_CELLS = 20


class LiveView:
    """A screen that renews itself on a terminal, and a line a minute where it cannot.

    Args:
        console: where to show it.
        clock: what ages and the run's time are counted on.
        pollers: the phones.

    Attributes:
        is_screen: False where output is piped, or the terminal moves no cursor.
    """

    def __init__(self, console: Console, clock: Clock, pollers: Sequence[Poller]) -> None:
        self.is_screen = console.is_terminal and not console.is_dumb_terminal
        self._console = console
        self._clock = clock
        self._pollers = pollers
        self._start_s = clock.monotonic_s()
        self._line_s = float("-inf")
        self._size = console.size
        self._live = Live(console=console, auto_refresh=False, transient=True)

    def __enter__(self) -> "LiveView":
        if self.is_screen:
            self._live.start()
            self._console.show_cursor(True)  # noqa: FBT003 - it must not stay away after SIGKILL
        return self

    def __exit__(self, *_: object) -> None:
        if self.is_screen:
            self._live.stop()

    def say(self, sentence: str, *, bell: bool = False) -> None:
        """Prints a sentence as a line of its own, unless the screen shows it anyway."""
        if bell and self._console.is_terminal:
            self._console.bell()
        if not self.is_screen:
            stamp = _span(self._clock.monotonic_s() - self._start_s)
            self._console.print(f"{stamp}  {sentence}", markup=False, soft_wrap=True)

    def show(self, status: Status) -> None:
        """Renews the view."""
        run_s = self._clock.monotonic_s() - self._start_s
        if self.is_screen:
            if self._size != self._console.size:
                # The terminal has wrapped the old lines anew: they cannot be counted any more.
                self._size = self._console.size
                self._console.clear()
            self._live.update(self._screen(status, run_s), refresh=True)
        elif run_s - self._line_s >= LINE_EVERY_S and (run_s >= _STARTS_S or self._has_begun()):
            self._line_s = run_s
            phones = "  ".join(
                f"{p.label} {level_text(p.watch)} {state_text(p.watch)}" for p in self._pollers
            )
            self._console.print(
                f"{_span(run_s)}  {printable(status.progress.segment)}  {phones}",
                markup=False,
                highlight=False,
                soft_wrap=True,
            )

    def _has_begun(self) -> bool:
        return all(poller.watch.state != "starting" for poller in self._pollers)

    def _screen(self, status: Status, run_s: float) -> RenderableType:
        head = Table.grid(padding=(0, 2))
        head.add_column(justify="right", style="dim", width=_HEAD_WIDTH - 2)
        head.add_column(overflow="fold")
        now_s, progress = self._clock.monotonic_s(), status.progress
        head.add_row("recording", self._recording(run_s))
        head.add_row("fair", self._short(_fair(status)))
        head.add_row("now", _now(progress))
        if progress.slot is not None and (asked := _asked(progress.slot)):
            head.add_row("do", self._short(Text(asked)))
        head.add_row("next", self._short(_next(progress)))
        table = phones_table(self._pollers, status, self._console, _FRAME_LINES, now_s)
        return Group(head, "", table, "", *self._foot(status))

    def _foot(self, status: Status) -> list[RenderableType]:
        """What has just happened, and the keys, or what is being typed."""
        parts: list[RenderableType] = []
        if status.is_urgent:
            parts.append(Text(printable(status.message, 300), style="bold red"))
        elif status.message and not _is_shown(status):
            parts.append(self._short(Text(printable(status.message, 300), style="bold")))
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
        return parts

    def _recording(self, run_s: float) -> Text:
        ended = [p for p in self._pollers if p.watch.end is not None]
        n_good = sum(p.watch.end is None and p.watch.state == "recording" for p in self._pollers)
        well = n_good + len(ended) == len(self._pollers)
        text = Text(f"{n_good} of {len(self._pollers)} phones", "green" if well else "bold red")
        text.append(f", {len(ended)} ended" if ended else "", style="default")
        return text.append(f" · {_span(run_s)} since the start", style="default")

    def _short(self, text: Text) -> Text:
        """At most two lines of the screen, so that the keys below stay on it."""
        # The end of a line stays empty where the next word does not fit.
        room = (self._console.width - _HEAD_WIDTH) * _TEXT_LINES - 14
        text.truncate(room, overflow="ellipsis")
        return text


def _fair(status: Status) -> Text:
    if not status.slips:
        seen = f", {so_many(status.n_slips, 'slip')} so far" if status.n_slips else ""
        return Text("nothing has slipped" if not seen else "all well now", "green").append(
            seen, style="default"
        )
    first = status.slips[0]
    text = Text(f"{first.phone}: {printable(first.text, 160)}", "bold red")
    more = len(status.slips) - 1
    return text.append(f" · and {more} more", style="default") if more else text


def _is_shown(status: Status) -> bool:
    """Whether the line on fairness says the same already."""
    first = next(iter(status.slips), None)
    return first is not None and status.message == f"{first.phone}: {printable(first.text, 160)}"


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
    text = Text(f"{printable(slot.segment.name, 40)}{_length(slot)}", "bold")
    return text.append(f"  {_asked(slot)}", style="not bold")


def _asked(slot: Slot) -> str:
    """Who does what in a turn; empty if the plan does not say."""
    segment = slot.segment
    said = [segment.who, segment.do if "do" in segment.model_fields_set else None]
    return printable(": ".join(filter(None, said)), 200)


def _length(slot: Slot) -> str:
    return ", until off" if slot.duration_s is None else f", {slot.duration_s / 60:g} min"


def _span(seconds: float) -> str:
    return str(timedelta(seconds=int(seconds)))
