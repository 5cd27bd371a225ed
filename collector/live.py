"""What the terminal shows while phones are recorded."""

from collections.abc import Sequence
from datetime import timedelta

from rich.console import Console, RenderableType
from rich.live import Live
from rich.markup import escape
from rich.table import Table

from collector.clock import Clock
from collector.poller import Poller, Watch
from parsers.text import printable

LINE_EVERY_S = 60.0


class LiveView:
    """A table that renews itself on a terminal, and a line a minute where output is piped.

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
        return self

    def __exit__(self, *_: object) -> None:
        if self._console.is_terminal:
            self._live.stop()

    def show(self, segment: str) -> None:
        """Renews the view; `segment` is what is being done now, untrusted text."""
        run_s = self._clock.monotonic_s() - self._start_s
        if self._console.is_terminal:
            self._live.update(self._table(segment, run_s), refresh=True)
        elif run_s - self._line_s >= LINE_EVERY_S:
            self._line_s = run_s
            phones = "  ".join(
                f"{p.label} {_level(p.watch)} {_state(p.watch)}" for p in self._pollers
            )
            self._console.print(
                f"{_span(run_s)}  {printable(segment)}  {phones}",
                markup=False,
                highlight=False,
                soft_wrap=True,
            )

    def _table(self, segment: str, run_s: float) -> RenderableType:
        shown = escape(printable(segment, 40))
        table = Table(
            title=f"{_span(run_s)} since the start · {shown or 'no segment'}",
            title_justify="left",
            box=None,
            pad_edge=False,
        )
        table.add_column("phone")
        for heading in ("level", "voltage", "warmth", "readings", "last"):
            table.add_column(heading, justify="right")
        table.add_column("state")
        for poller in self._pollers:
            watch = poller.watch
            last = watch.last[-1] if watch.last else None
            age = "–" if last is None else f"{self._clock.monotonic_s() - last.host_s:.0f} s ago"
            table.add_row(
                poller.label,
                _level(watch),
                _latest(watch, "voltage_mv", "{:.0f} mV"),
                _latest(watch, "temperature_c", "{:.1f} °C"),
                f"{watch.n_blocks}",
                age,
                _state(watch),
            )
        return table


def _latest(watch: Watch, name: str, form: str) -> str:
    for reading in reversed(list(watch.last)):
        value = getattr(reading, name)
        if value is not None:
            return form.format(value)
    return "–"


def _level(watch: Watch) -> str:
    return _latest(watch, "level_pct", "{:.0f} %")


def _state(watch: Watch) -> str:
    if watch.error is not None:
        return escape(watch.error)
    if watch.end is not None:
        return watch.end.what.replace("_", " ")
    return watch.state


def _span(seconds: float) -> str:
    return str(timedelta(seconds=int(seconds)))
