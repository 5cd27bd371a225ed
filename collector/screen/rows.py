"""The live view's table: a row for each phone."""

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from collector.recording.poller import Poller
from collector.recording.watch import Watch
from collector.screen.status import Status
from parsers.text import printable

LEAST_ROWS = 3
_LONGEST_LABEL = 16
_N_TELL = 3
_COLUMNS = (
    ("level", 5), ("seg. mWh", 8), ("all mWh", 7), ("mW now", 6), ("°C", 4), ("rise", 5),
    ("last", 4),
)  # fmt: skip


def phones_table(
    pollers: Sequence[Poller], status: Status, console: Console, frame_lines: int, now_s: float
) -> Table:
    """As many phones as the screen holds, the worst first where it does not hold all.

    Args:
        pollers: all phones.
        status: what is known beside the pollers.
        console: for its size.
        frame_lines: of the screen, taken by other things.
        now_s: on the clock that readings are stamped with.
    """
    table = Table(box=None, pad_edge=False, padding=(0, 1), header_style="dim")
    longest = min(_LONGEST_LABEL, max(len(poller.label) for poller in pollers))
    table.add_column("phone", overflow="ellipsis", no_wrap=True, width=max(longest, 5))
    for heading, width in _COLUMNS:
        table.add_column(heading, justify="right", no_wrap=True, min_width=width)
    taken = max(longest, 5) + sum(width + 2 for _, width in _COLUMNS) + 3
    table.add_column(
        "", overflow="ellipsis", no_wrap=True, max_width=max(console.width - taken, 4)
    )
    n_rows = max(console.height - frame_lines, LEAST_ROWS)
    slipping = {slip.phone for slip in status.slips}
    shown = list(pollers)
    if len(shown) > n_rows:
        shown.sort(key=lambda p: (p.watch.state == "recording", p.label not in slipping))
    for poller in shown[:n_rows]:
        table.add_row(*_row(poller, status, now_s))
    if (hidden := len(shown) - n_rows) > 0:
        table.add_row(f"and {hidden} more")
    return table


def level_text(watch: Watch) -> str:
    """The last level known."""
    level_pct = _newest(watch, "level_pct")
    return "–" if level_pct is None else f"{level_pct:.0f} %"


def state_text(watch: Watch) -> str:
    """How the recording of a phone goes, in a few words."""
    if watch.error is not None:
        return printable(watch.error, 60)
    if watch.end is not None:
        return watch.end.what.replace("_", " ")
    if watch.advice:
        return f"{watch.state}: {watch.advice}"
    return "level only" if watch.state == "recording" and _tells_no_current(watch) else watch.state


def _row(poller: Poller, status: Status, now_s: float) -> list[Text | str]:
    watch, label = poller.watch, poller.label
    meter = status.meters.get(label)
    total_mwh = meter.energy_mwh if meter else None
    since_s = status.since_s
    this_mwh = meter.since_mwh(since_s) if meter and since_s is not None else None
    warm_c = _newest(watch, "temperature_c")
    rise_c = None if warm_c is None or status.ambient_c is None else warm_c - status.ambient_c
    age_s = now_s - watch.last[-1].host_s if watch.last else None
    kinds = [slip.kind for slip in status.slips if slip.phone == label]
    return [
        label,
        level_text(watch),
        _figure(this_mwh, ".1f"),
        _figure(total_mwh, ".0f"),
        _figure(meter.power_mw if meter else None, ".0f"),
        Text(_figure(warm_c, ".1f"), "red" if "hot" in kinds else ""),
        _figure(rise_c, "+.1f"),
        "–" if age_s is None else f"{age_s:.0f} s",
        Text(", ".join(kind.replace("_", " ") for kind in kinds), "bold red")
        if kinds
        else state_text(watch),
    ]


def _tells_no_current(watch: Watch) -> bool:
    readings = list(watch.last)
    return len(readings) >= _N_TELL and all(
        reading.current_raw is None and reading.charge_counter_raw is None for reading in readings
    )


def _newest(watch: Watch, name: str) -> float | None:
    for reading in reversed(list(watch.last)):
        value: float | None = getattr(reading, name)
        if value is not None:
            return value
    return None


def _figure(value: float | None, form: str) -> str:
    return "–" if value is None else format(value, form)
