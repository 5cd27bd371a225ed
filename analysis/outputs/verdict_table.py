"""Verdicts as tables on a terminal."""

from collections.abc import Mapping, Sequence
from itertools import groupby

from rich.cells import cell_len
from rich.console import Console, Group, JustifyMethod, RenderableType
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from analysis.comparison.comparing import Compared
from analysis.comparison.replicates import Replicate
from analysis.comparison.verdict import TOTAL, Comparison, Verdict
from analysis.outputs import wording
from analysis.outputs.answers import share_text
from analysis.outputs.room import fitting, left_out
from analysis.statistics.inference import Interval
from parsers.text import printable, so_many

WIDTH = 100
"""Columns that the tables need; output that goes to a file or a pipe gets as many."""

_LABELS = ("judged", "against")
_HEADINGS = (*_LABELS, "verdict", "%", "95 %", "mW", "unseen", "runs")
_WORDS = (*_LABELS, "verdict")
_SPARED = ("mW", "unseen", "runs")
"""Left out, the first of them first, where a terminal is too narrow."""
_LEAST_LABEL_CHARS, _GAP_CHARS = 10, 2
_MOST_REPEATS = 99


def show(compared: Compared, console: Console) -> None:
    """Prints the verdicts, what else may be behind them, and what runs make together."""
    for title, comparisons in (
        ("between phones", compared.between_phones),
        ("between runs", compared.between_runs),
    ):
        if comparisons:
            console.print(_verdicts(title, comparisons, console.width))
            console.print(_judged(comparisons), style="dim", highlight=False)
            for line in _behind(comparisons):
                console.print(f"[bold]![/] {escape(line)}", highlight=False)
    if compared.replicates:
        console.print(_replicates(compared.replicates))
        console.print(
            "Mean over runs by Paule and Mandel, 95 % by Hartung and Knapp, gauge included.",
            style="dim",
            highlight=False,
        )
    for remark in compared.remarks:
        console.print(escape(remark), highlight=False)
    for note in compared.notes:
        console.print(f"[bold]![/] {escape(printable(note, 300))}", highlight=False)


def _verdicts(title: str, comparisons: Sequence[Comparison], width: int) -> Group:
    """A heading for each activity and a row for each pair; the same columns throughout."""
    rows = [dict(zip(_HEADINGS, _cells(c), strict=True)) for c in comparisons]
    widths_chars = _widths_chars(rows, width)
    parts: list[RenderableType] = [Text(title, "italic")]
    by_activity = groupby(zip(comparisons, rows, strict=True), key=lambda pair: pair[0].key)
    for number, (_, pairs) in enumerate(by_activity):
        table = Table(box=None, pad_edge=False, padding=(0, 1), show_header=number == 0)
        for heading, width_chars in widths_chars.items():
            side: JustifyMethod = "left" if heading in _WORDS else "right"
            table.add_column(heading, justify=side, width=width_chars, overflow="fold")
        found = list(pairs)
        for c, row in found:
            style = "" if c.verdict is Verdict.UNRESOLVED else "bold"
            table.add_row(*(Text(row[h], style if h == "verdict" else "") for h in widths_chars))
        first = found[0][0]
        name = _activity(first.activity, first.occurrence, comparisons)
        parts += [Text(name, "underline"), table]
    if missing := left_out(_HEADINGS, widths_chars):
        parts.append(Text(missing, "dim"))
    return Group(*parts)


def _widths_chars(rows: Sequence[Mapping[str, str]], room_chars: int) -> dict[str, int]:
    """Of the columns that there is room for; labels give way, the longer one first."""
    longest = {
        h: max(cell_len(text) for text in (h, *(row[h] for row in rows))) for h in _HEADINGS
    }
    least = longest | {h: min(longest[h], _LEAST_LABEL_CHARS) for h in _LABELS}
    shown = {h: least[h] for h in fitting(least, _SPARED, room_chars, _GAP_CHARS)}
    spare_chars = room_chars - sum(shown.values()) - _GAP_CHARS * (len(shown) - 1)
    for _ in range(spare_chars):
        growing = [h for h in _LABELS if shown[h] < longest[h]]
        if growing:
            shown[min(growing, key=shown.__getitem__)] += 1
    return shown


def _cells(c: Comparison) -> list[str]:
    contrast = c.contrast
    seen = contrast.smallest_seen_ratio
    return [
        printable(f"{c.one} of {c.phone}" if c.phone else c.one),
        printable(c.other),
        c.verdict.value,
        wording.change_text(contrast.ratio.value),
        f"{wording.change_text(contrast.ratio.lo95)} … {wording.change_text(contrast.ratio.hi95)}",
        _watts(contrast.difference_mw),
        "–" if seen is None else f"< {share_text(seen)}",
        _repeats(c),
    ]


def _activity(name: str, occurrence: int, among: Sequence[Comparison | Replicate]) -> str:
    several = any(c.activity == name and c.occurrence > 1 for c in among)
    return TOTAL if occurrence == 0 else wording.segment_name(name, occurrence, several=several)


def _watts(difference: Interval) -> str:
    reach = 0.0 if difference.hi95 is None else difference.hi95 - difference.value
    digits = wording.digits_for(reach / 2)
    value = wording.number(difference.value, digits).replace("-", "−")
    return f"{value} ± {wording.number(reach, digits)}"


def _repeats(comparison: Comparison) -> str:
    if comparison.verdict is not Verdict.UNRESOLVED:
        return ""
    needed = comparison.contrast.repeats.needed()
    if needed is None:
        return "never"
    return str(needed) if needed <= _MOST_REPEATS else f"> {_MOST_REPEATS}"


def _judged(comparisons: Sequence[Comparison]) -> str:
    return (
        f"{so_many(len(comparisons), 'comparison')} of mean power, judged together at 5 % "
        "(Holm); each interval is that of its comparison alone. unseen: a smaller difference "
        "would mostly be missed. runs: repeats that would show a difference as found; never: it "
        "is below what the gauges' gain leaves open, calibrate instead."
    )


def _behind(comparisons: Sequence[Comparison]) -> list[str]:
    """Each thing that may be behind a difference, with the activities it concerns."""
    where = wording.once(
        (_activity(c.activity, c.occurrence, comparisons), said)
        for c in comparisons
        for said in c.confounders
    )
    return [
        printable(f"{said} ({', '.join(dict.fromkeys(names))})", 300)
        for said, names in where.items()
    ]


def _replicates(replicates: Sequence[Replicate]) -> Table:
    table = Table(title="over all runs", title_justify="left", box=None, pad_edge=False)
    table.add_column("activity", overflow="fold", min_width=8)
    table.add_column("phone", overflow="fold", min_width=8)
    for column in ("runs", "mW", "95 %", "run to run", "p alike"):
        table.add_column(column, justify="right", no_wrap=True)
    for r in replicates:
        span = r.mean_power_mw
        digits = wording.digits_for(((span.hi95 or 0.0) - span.value) / 2)
        table.add_row(
            escape(_activity(r.activity, r.occurrence, replicates)),
            escape(printable(r.phone)),
            str(r.n_runs),
            wording.number(span.value, digits),
            f"{wording.number(span.lo95, digits)} … {wording.number(span.hi95, digits)}",
            f"± {wording.number(r.run_s_mw, digits)}",
            f"{r.p_value:.3f}",
        )
    return table
