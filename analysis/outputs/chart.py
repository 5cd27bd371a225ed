"""Curves over time, to be read without colour too."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.estimation.profile import Bools, Floats
from analysis.outputs import wording
from analysis.outputs.drawing import Area, Dot, Mark, Point, Sheet, Stroke, Words, style
from analysis.outputs.layout import (
    Entry,
    Scale,
    Size,
    apart,
    fitted,
    key,
    letter,
    limits,
    room,
    round_ticks,
    swatch,
)
from analysis.outputs.quantities import Quantity
from analysis.report import EnergyReport, SegmentEnergy

_VEIL_RATIO = 0.18
_MOST_LABEL_CHARS = 14
_SAMPLE_RATIO = 2.2
"""Length of a line's sample before its label, over the size of the type."""


def chart(report: EnergyReport, quantity: Quantity, size: Size) -> Sheet | None:
    """One quantity of all phones over hours since the run began; None if nobody reported it."""
    known = _finite(report, quantity)
    if not len(known):
        return None
    field, entries, named = _plan(report, size, limits(known, from_zero=quantity.from_zero))
    marks = [*field.segments(_marked(report), named=named), *field.axes(quantity)]
    traces = [
        (number, phone.traces.t_s / 3600, phone.traces)
        for number, phone in enumerate(report.phones)
    ]
    if quantity.extremes is not None:
        for number, hours, trace in traces:
            low, high = (getattr(trace, column) for column in quantity.extremes)
            marks += field.veil(number, hours, low, high)
    for number, hours, trace in traces:
        marks += field.curve(number, hours, getattr(trace, quantity.column))
    if not size.narrow:
        marks += field.labels(report, quantity)
    size = field.size
    marks += key(entries, size, size.height - key(entries, size)[1])[0]
    said = "; ".join(f"{phone.phone}: {quantity.said(phone)}" for phone in report.phones)
    return Sheet(
        width=size.width,
        height=size.height,
        text=f"{quantity.label}. {said}.",
        marks=marks,
        plot=field.plot,
        span_h=(field.across.low, field.across.high),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    """The part of a sheet that curves are in: left, top, right, bottom, and its scales."""

    size: Size
    plot: tuple[float, float, float, float]
    across: Scale
    upward: Scale

    def segments(self, marked: Sequence[tuple[str, SegmentEnergy]], *, named: bool) -> list[Mark]:
        """Every other segment shaded, each with its name or letter above."""
        marks: list[Mark] = []
        _, top, _, bottom = self.plot
        for number, (name, segment) in enumerate(marked):
            x1, x2 = self.across.px(segment.start_s / 3600), self.across.px(segment.end_s / 3600)
            if number % 2 == 0:
                corners = ((x1, top), (x2, top), (x2, bottom), (x1, bottom))
                marks.append(Area(points=corners, role="band"))
            text = name if named else letter(number)
            if room(text, self.size.type) <= x2 - x1 + self.size.type:
                at = ((x1 + x2) / 2, top - self.size.type * 0.45)
                marks.append(
                    Words(at=at, text=text, size=self.size.type, role="soft", anchor="middle")
                )
        return marks

    def axes(self, quantity: Quantity) -> list[Mark]:
        """Title, round values upward with thin lines, hours below."""
        left, _, right, bottom = self.plot
        unit = self.size.type
        title = fitted(quantity.label, self.size.width - unit, unit * 1.05)
        marks: list[Mark] = [Words(at=(unit / 2, unit * 1.25), text=title, size=unit * 1.05)]
        for value in round_ticks(self.upward.low, self.upward.high):
            y = self.upward.px(value)
            marks.append(Stroke(points=((left, y), (right, y)), role="grid", width=unit / 13))
            text = wording.number(value, 0 if value == round(value) else 1)
            marks.append(
                Words(
                    at=(left - unit * 0.5, y + unit * 0.35),
                    text=text,
                    size=unit,
                    role="soft",
                    anchor="end",
                )
            )
        n_ticks = 5 if self.size.narrow else 9
        ticks = round_ticks(self.across.low, self.across.high, n_ticks)
        for value in ticks:
            text = f"{value:g} h" if value == ticks[-1] else f"{value:g}"
            at = (self.across.px(value), bottom + unit * 1.5)
            marks.append(Words(at=at, text=text, size=unit, role="soft", anchor="middle"))
        return marks

    def veil(self, number: int, hours: Floats, low: Floats, high: Floats) -> list[Mark]:
        """The range between least and greatest reading."""
        marks: list[Mark] = []
        for first, last in _runs(np.isfinite(low) & np.isfinite(high)):
            upper = self._points(hours[first:last], high[first:last])
            lower = self._points(hours[first:last], low[first:last])
            if len(upper) > 1:
                role, _ = style(number)
                points = (*upper, *reversed(lower))
                marks.append(Area(points=points, role=role, opacity_ratio=_VEIL_RATIO))
        return marks

    def curve(self, number: int, hours: Floats, values: Floats) -> list[Mark]:
        """A line where values adjoin, a dot where one stands alone."""
        marks: list[Mark] = []
        role, _ = style(number)
        for first, last in _runs(np.isfinite(values)):
            points = self._points(hours[first:last], values[first:last])
            if len(points) == 1:
                marks.append(Dot(at=points[0], radius=self.size.type / 6, role=role))
            else:
                like = swatch(number, 0, 0, 0, self.size)
                marks.append(Stroke(points=points, role=role, width=like.width, dash=like.dash))
        return marks

    def labels(self, report: EnergyReport, quantity: Quantity) -> list[Mark]:
        """Each phone's name beside the end of its curve, behind a sample of its line."""
        unit, (_, top, right, bottom) = self.size.type, self.plot
        wanted, numbers = [], []
        for number, phone in enumerate(report.phones):
            values = getattr(phone.traces, quantity.column)
            if np.isfinite(values).any():
                wanted.append(self.upward.px(float(values[np.isfinite(values)][-1])))
                numbers.append(number)
        least = min(unit * 1.3, (bottom - top) / max(len(wanted), 1))
        marks: list[Mark] = []
        for number, y in zip(numbers, apart(wanted, least, top, bottom), strict=True):
            marks.append(swatch(number, right + unit * 0.5, y, unit * _SAMPLE_RATIO, self.size))
            x = right + unit * (_SAMPLE_RATIO + 1.0)
            text = _clipped(report.phones[number].phone)
            marks.append(Words(at=(x, y + unit * 0.35), text=text, size=unit))
        return marks

    def _points(self, hours: Floats, values: Floats) -> tuple[Point, ...]:
        x, y = self.across.px, self.upward.px
        return tuple((x(float(t)), y(float(v))) for t, v in zip(hours, values, strict=True))


def _plan(
    report: EnergyReport, size: Size, span: tuple[float, float]
) -> tuple[_Field, list[Entry], bool]:
    """The field, what the key below it has to say, and whether names fit above the segments."""
    unit = size.type
    hours = np.concatenate([phone.traces.t_s for phone in report.phones]) / 3600
    first_h, last_h = min(0.0, float(hours.min())), float(hours.max())
    labels = max(room(_clipped(p.phone), unit) for p in report.phones)
    right = size.width - (unit if size.narrow else labels + unit * (_SAMPLE_RATIO + 1.5))
    left = max(room(wording.number(end, 0), unit) for end in span) + unit
    marked = _marked(report)
    per_hour = (right - left) / max(last_h - first_h, 1e-9)
    named = all(room(name, unit) <= (s.end_s - s.start_s) / 3600 * per_hour for name, s in marked)
    entries = [
        *(Entry(text=p.phone, phone=k) for k, p in enumerate(report.phones) if size.narrow),
        *(Entry(text=f"{letter(k)} {name}") for k, (name, _) in enumerate(marked) if not named),
    ]
    taken = key(entries, size)[1]
    if size.grows:
        size = replace(size, height=size.height + taken)
    plot = (left, unit * 3.6, right, size.height - taken - unit * 2.4)
    field = _Field(
        size=size,
        plot=plot,
        across=Scale(low=first_h, high=max(last_h, first_h + 1e-3), first_px=left, last_px=right),
        upward=Scale(low=span[0], high=span[1], first_px=plot[3], last_px=plot[1]),
    )
    return field, entries, named


def _finite(report: EnergyReport, quantity: Quantity) -> Floats:
    columns = (quantity.column, *(quantity.extremes or ()))
    values = np.concatenate([getattr(p.traces, c) for p in report.phones for c in columns])
    finite: Floats = values[np.isfinite(values)]
    return finite


def _marked(report: EnergyReport) -> list[tuple[str, SegmentEnergy]]:
    """Segments of the phone with most of them, with their names."""
    several = wording.repeated(report)
    phone = max(report.phones, key=lambda p: len(p.segments))
    return [(wording.name_among(s, several), s) for s in phone.segments]


def _clipped(label: str) -> str:
    return label if len(label) <= _MOST_LABEL_CHARS else label[: _MOST_LABEL_CHARS - 1] + "…"


def _runs(there: Bools) -> list[tuple[int, int]]:
    """First and last plus one of every stretch without a hole."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(int)))
    return [(int(a), int(b)) for a, b in pairwise(edges)][::2]
