"""Energy and power segment by segment: points with intervals, and shares as bars."""

from collections import defaultdict
from dataclasses import replace

from analysis.outputs import wording
from analysis.outputs.drawing import Area, Dot, Mark, Sheet, Stroke, Words, style
from analysis.outputs.grid import Row, grid
from analysis.outputs.layout import Entry, Scale, Size, fitted, key, letter, room, round_ticks
from analysis.report import Amount, EnergyReport, PhoneEnergy
from parsers.text import printable

_TITLE = "Mean power, mW, and 95 % interval"
_SHARES = "Share of each phone's energy, %"
_REST = "untagged"
_NAME_RATIO, _STEP_RATIO = 1.7, 0.8
"""Height of a name and of a point under it, over the size of the type."""


def powers(report: EnergyReport, size: Size) -> Sheet | None:
    """Mean power of every segment and phone as points with intervals; None without segments.

    A sheet that cannot grow shows the segments that took most energy.
    """
    rows = grid(report)
    if not rows:
        return None
    unit, n_phones = size.type, len(report.phones)
    entries = [Entry(text=p.phone, phone=k) for k, p in enumerate(report.phones)]
    taken, top = key(entries, size)[1], unit * 2.0
    least = unit * (_NAME_RATIO + n_phones * _STEP_RATIO)
    n_rows = len(rows)
    if size.grows:
        height = top + least * n_rows + taken + unit * 2
        size = replace(size, height=height)
    else:
        n_rows = max(1, int((size.height - top - taken - unit * 2) / least))
    shown = _heaviest(rows, n_rows)
    row_height = (size.height - top - taken - unit * 2) / len(shown)
    step = (row_height - unit * _NAME_RATIO) / n_phones
    left_out = len(rows) - len(shown)
    title = _TITLE + (f" ({left_out} more in the table)" if left_out else "")
    high = max(_power(a, a.hi95_mwh) for row in shown for a in _amounts(row))
    across = Scale(
        low=0.0, high=high * 1.03 or 1.0, first_px=unit, last_px=size.width - unit * 1.5
    )
    bottom = top + row_height * len(shown)
    marks: list[Mark] = [
        Words(
            at=(unit / 2, unit * 1.25),
            text=fitted(title, size.width - unit, unit * 1.05),
            size=unit * 1.05,
        )
    ]
    marks += _rulers(across, top, bottom, size)
    for number, (name, cells) in enumerate(shown):
        y = top + number * row_height + unit * 1.3
        marks.append(
            Words(at=(unit, y), text=fitted(name, size.width - 2 * unit, unit), size=unit)
        )
        for phone, cell in enumerate(cells):
            if cell is not None:
                marks += _point(
                    cell.amount, phone, across, y + unit * 0.1 + step * (phone + 0.5), size
                )
    marks += key(entries, size, size.height - taken)[0]
    return Sheet(width=size.width, height=size.height, text=_said(report, shown), marks=marks)


def shares(report: EnergyReport, size: Size) -> Sheet | None:
    """What each activity took of each phone's energy, as bars; None without any energy."""
    parts = {phone.phone: _shares(phone) for phone in report.phones}
    names = list(dict.fromkeys(name for mine in parts.values() for name in mine))
    if not any(parts.values()):
        return None
    unit, top = size.type, size.type * 2.2
    entries = [Entry(text=f"{letter(k)} {name}") for k, name in enumerate(names)]
    taken = key(entries, size)[1]
    row = unit * 3.6
    if size.grows:
        size = replace(size, height=top + row * len(parts) + taken)
    row = (size.height - top - taken) / len(parts)
    marks: list[Mark] = [Words(at=(unit / 2, unit * 1.25), text=_SHARES, size=unit * 1.05)]
    said = []
    for number, (phone, mine) in enumerate(parts.items()):
        y = top + number * row
        marks.append(Words(at=(unit / 2, y + unit * 1.1), text=phone, size=unit))
        marks += _bar(mine, names, (y + unit * 1.5, y + row - unit * 0.5), size)
        said.append(
            f"{phone}: " + ", ".join(f"{name} {share * 100:.0f} %" for name, share in mine.items())
        )
    marks += key(entries, size, size.height - taken)[0]
    text = f"{_SHARES}. {'; '.join(said)}."
    return Sheet(width=size.width, height=size.height, text=text, marks=marks)


def _amounts(row: Row) -> list[Amount]:
    return [cell.amount for cell in row[1] if cell is not None]


def _heaviest(rows: list[Row], n_most: int) -> list[Row]:
    """The rows that took most energy, in their own order."""
    order = sorted(range(len(rows)), key=lambda k: -sum(a.energy_mwh for a in _amounts(rows[k])))
    return [rows[k] for k in sorted(order[:n_most])]


def _rulers(across: Scale, top: float, bottom: float, size: Size) -> list[Mark]:
    unit = size.type
    marks: list[Mark] = []
    for value in round_ticks(across.low, across.high, 5 if size.narrow else 9):
        x = across.px(value)
        marks.append(Stroke(points=((x, top), (x, bottom)), role="grid", width=unit / 13))
        text = wording.number(value, 0 if value == round(value) else 1)
        at = (x, bottom + unit * 1.3)
        marks.append(Words(at=at, text=text, size=unit, role="soft", anchor="middle"))
    return marks


def _point(amount: Amount, phone: int, across: Scale, y: float, size: Size) -> list[Mark]:
    """The interval as a line as in the curves, the power as a dot on it."""
    role, dash = style(phone)
    ends = (max(_power(amount, amount.lo95_mwh), 0.0), _power(amount, amount.hi95_mwh))
    x1, x2 = across.px(ends[0]), max(across.px(ends[1]), across.px(ends[0]) + 1.0)
    at = (across.px(max(amount.mean_power_mw, 0.0)), y)
    unit = size.type
    return [
        Stroke(
            points=((x1, y), (x2, y)),
            role=role,
            width=unit / 6,
            dash=tuple(d * unit / 13 for d in dash),
        ),
        *(
            Stroke(points=((x, y - unit / 4), (x, y + unit / 4)), role=role, width=unit / 9)
            for x in (x1, x2)
        ),
        Dot(at=at, radius=unit * 0.27, role=role),
    ]


def _power(amount: Amount, energy_mwh: float) -> float:
    return energy_mwh / amount.duration_s * 3600 if amount.duration_s > 0 else 0.0


def _said(report: EnergyReport, rows: list[Row]) -> str:
    """Every number of the chart in words."""
    parts = []
    for name, cells in rows:
        figures = [
            f"{phone.phone} {wording.power_text(cell.amount)} "
            f"({wording.number(_power(cell.amount, cell.amount.lo95_mwh), 0)} to "
            f"{wording.number(_power(cell.amount, cell.amount.hi95_mwh), 0)})"
            for phone, cell in zip(report.phones, cells, strict=True)
            if cell is not None
        ]
        parts.append(f"{name}: {', '.join(figures)}")
    return f"{_TITLE}. {'; '.join(parts)}."


def _shares(phone: PhoneEnergy) -> dict[str, float]:
    """Activities by name, all occurrences together, and the rest; shares of the total."""
    whole = phone.total.energy_mwh
    if not whole > 0:
        return {}
    taken: defaultdict[str, float] = defaultdict(float)
    for segment in phone.segments:
        taken[printable(segment.segment)] += max(segment.amount.energy_mwh, 0.0)
    taken[_REST] += max(phone.untagged.energy_mwh, 0.0)
    return {name: energy / whole for name, energy in taken.items() if energy > 0}


def _bar(
    mine: dict[str, float], names: list[str], edges: tuple[float, float], size: Size
) -> list[Mark]:
    """Parts side by side in the order of the key, each lettered if it has room."""
    (top, bottom), unit = edges, size.type
    left, width = unit / 2, size.width - unit
    marks: list[Mark] = []
    for number, name in enumerate(n for n in names if n in mine):
        part = mine[name] * width
        corners = ((left, top), (left + part - 2, top), (left + part - 2, bottom), (left, bottom))
        if part > 2:
            marks.append(Area(points=corners, role=("grid", "band")[number % 2]))
        for text in (
            f"{letter(names.index(name))} {mine[name] * 100:.0f}",
            letter(names.index(name)),
        ):
            if room(text, unit) <= part:
                at = (left + part / 2, (top + bottom) / 2 + unit * 0.35)
                marks.append(Words(at=at, text=text, size=unit, anchor="middle"))
                break
        left += part
    return marks
