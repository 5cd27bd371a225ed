"""Hours to come as tables on a terminal."""

from collections.abc import Callable

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from analysis.lasting.charge import RESERVE_PCT, Lasting, NearEmpty
from analysis.lasting.endurance import UNVERIFIED, Endurance
from analysis.lasting.outlook import Outlook, PhoneOutlook
from analysis.outputs import wording
from analysis.outputs.answers import share_text
from analysis.statistics.inference import Interval
from parsers.text import printable

WIDTH = 100
"""Columns that the tables need; output that goes to a file or a pipe gets as many."""

_AS_IN_THE_RUN = (
    "Hours are for the activity as it was in this run; how it varies from run to run is not in "
    "them."
)


def show(outlook: Outlook, console: Console) -> None:
    """Prints how long each activity lasts on each phone, and what is special near empty."""
    for phone in outlook.phones:
        console.print(_table(phone))
        usable = phone.usable_mwh
        digits = wording.digits_for(_reach(usable) / 2)
        _say(
            console,
            f"usable energy {wording.number(usable.value, digits)} ± "
            f"{wording.number(_reach(usable), digits)} mWh, {phone.said}",
        )
        if phone.mix is not None:
            _say(console, _mix(phone.mix, sum(outlook.mix_s.values())))
        if phone.near_empty is not None:
            _say(console, _near_empty(phone.near_empty))
        if phone.endurance is not None:
            for line in (_endurance(phone.endurance), *UNVERIFIED):
                _say(console, line)
        for line in _about(phone, lambda lasting: lasting.notes):
            _say(console, line)
        for line in [*phone.notes, *_about(phone, lambda lasting: lasting.flags)]:
            _say(console, printable(line, 300), mark=True)
    _say(console, _AS_IN_THE_RUN)
    for note in outlook.notes:
        _say(console, printable(note, 300), mark=True)


def _say(console: Console, line: str, *, mark: bool = False) -> None:
    console.print(f"{'[bold]![/] ' if mark else ''}{escape(line)}", highlight=False)


def _about(phone: PhoneOutlook, what: Callable[[Lasting], tuple[str, ...]]) -> list[str]:
    """Each sentence once, after the activities it is about."""
    said = [(a.activity, sentence) for a in phone.activities for sentence in what(a)]
    return [f"{', '.join(names)}: {sentence}" for sentence, names in wording.once(said).items()]


def _table(phone: PhoneOutlook) -> Table:
    table = Table(title=escape(phone.phone), title_justify="left", box=None, pad_edge=False)
    table.add_column("from full", ratio=1, overflow="fold", min_width=14)
    for column in ("mW", "hours", "95 % interval", f"to {RESERVE_PCT:.0f} %", "95 % interval"):
        table.add_column(column, justify="right", no_wrap=True)
    for lasting in (*phone.activities, *([phone.mix] if phone.mix else [])):
        power = lasting.power_mw
        table.add_row(
            escape(printable(lasting.activity)) + (" !" if lasting.flags else ""),
            wording.number(power.value, wording.digits_for(_reach(power) / 2)),
            *_hours(lasting.hours),
            *(_hours(lasting.hours_to_reserve) if lasting.hours_to_reserve else ("–", "–")),
        )
    return table


def _hours(hours: Interval) -> tuple[str, str]:
    digits = wording.digits_for(_reach(hours) / 2)
    high = "no limit" if hours.hi95 is None else wording.number(hours.hi95, digits)
    return wording.number(hours.value, digits), f"{wording.number(hours.lo95, digits)} … {high}"


def _reach(interval: Interval) -> float:
    ends = [x for x in (interval.lo95, interval.hi95) if x is not None]
    return max((abs(x - interval.value) for x in ends), default=0.0)


def _mix(mix: Lasting, round_s: float) -> str:
    value, span = _hours(mix.hours)
    rounds = mix.hours.value * 3600 / round_s
    return f"mix: {value} h ({span}), {rounds:.2f} rounds of {wording.duration_text(round_s)}"


def _near_empty(near: NearEmpty) -> str:
    share = near.share_ratio
    said = (
        f"below {RESERVE_PCT:.0f} %: {share_text(share.value)} of the energy, "
        f"{wording.duration_text(near.duration_s)}"
    )
    power = near.power_ratio
    if power is None or power.hi95 is None or power.lo95 is None:
        return said
    alike = power.lo95 <= 1 <= power.hi95
    change = "as before" if alike else f"{wording.change_text(power.value)} % against before"
    return (
        f"{said}; {printable(near.activity)} drew {change} (95 %: "
        f"{wording.change_text(power.lo95)} to {wording.change_text(power.hi95)} %)"
    )


def _endurance(found: Endurance) -> str:
    said = (
        f"European endurance on one charge: {found.declared_h} h to shut-off, "
        f"{found.n_loops} whole loops"
    )
    if found.index_per_w is None:
        return f"{said}; for the index give --nominal-mv and the rated capacity"
    return f"{said}; index {found.index_per_w} 1/W, class {found.energy_class}"
