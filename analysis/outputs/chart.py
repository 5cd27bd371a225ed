"""Curves over time as inline SVG, to be read without colour too."""

from dataclasses import dataclass
from html import escape

import numpy as np

from analysis.outputs import wording
from analysis.profile import Floats
from analysis.report import EnergyReport

WIDTH, HEIGHT = 900, 280
_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 96, 40, 38
_DASHES = ("", "8 4", "2 3", "10 3 2 3")
_N_COLOURS = 3
_N_TICKS = 5
_LABEL_PX = 13


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    low: float
    high: float
    first_px: float
    last_px: float

    def px(self, value: float) -> float:
        """Where a value lies."""
        share = (value - self.low) / (self.high - self.low)
        return self.first_px + share * (self.last_px - self.first_px)


def chart(report: EnergyReport, quantity: str, label: str) -> str:
    """One quantity of all phones over hours since the run began, segments marked at the top.

    Args:
        report: for the curves.
        quantity: attribute of `Traces`.
        label: of the upward axis, with its unit.
    """
    curves = [
        (phone.phone, phone.traces.t_s / 3600, getattr(phone.traces, quantity))
        for phone in report.phones
    ]
    known = [values[np.isfinite(values)] for _, _, values in curves]
    if not any(len(values) for values in known):
        return ""
    low, high = _limits(np.concatenate(known), from_zero=quantity == "power_mw")
    hours = np.concatenate([t for _, t, _ in curves])
    last_h = float(hours.max()) if len(hours) > 1 else 1.0
    across = _Scale(
        low=min(0.0, float(hours.min())),
        high=last_h or 1.0,
        first_px=_LEFT,
        last_px=WIDTH - _RIGHT,
    )
    upward = _Scale(low=low, high=high, first_px=HEIGHT - _BOTTOM, last_px=_TOP)
    body = [*_axes(across, upward, label), *_segments(report, across)]
    labels_px = _apart([_label_px(values, upward) for _, _, values in curves])
    for number, (phone, t_h, values) in enumerate(curves):
        body += _curve(number, phone, (t_h, values), (across, upward), labels_px[number])
    described = f"{label} over time for {', '.join(phone for phone, _, _ in curves)}"
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(described)}">'
        + "".join(body)
        + "</svg>"
    )


def _limits(values: Floats, *, from_zero: bool) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    if from_zero:
        low = min(low, 0.0)
    margin = (high - low) * 0.06 or 1.0
    return low - (0.0 if from_zero and low == 0 else margin), high + margin


def _axes(across: _Scale, upward: _Scale, label: str) -> list[str]:
    parts = [f'<text class="name" x="4" y="14">{escape(label)}</text>']
    for value in _round_ticks(upward.low, upward.high):
        y = upward.px(value)
        parts.append(
            f'<line class="grid" x1="{_LEFT}" x2="{WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
            f'<text class="tick" x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">'
            f"{value:g}</text>"
        )
    for value in _round_ticks(across.low, across.high):
        x = across.px(value)
        parts.append(
            f'<text class="tick" x="{x:.1f}" y="{HEIGHT - 20}" text-anchor="middle">'
            f"{value:g}</text>"
        )
    middle = (across.first_px + across.last_px) / 2
    parts.append(
        f'<text class="tick" x="{middle:.0f}" y="{HEIGHT - 3}" text-anchor="middle">'
        "hours since the run began</text>"
    )
    return parts


def _segments(report: EnergyReport, across: _Scale) -> list[str]:
    """Borders of the segments of the phone with most of them, named where there is room."""
    parts = []
    phone = max(report.phones, key=lambda p: len(p.segments))
    for segment in phone.segments:
        x1, x2 = across.px(segment.start_s / 3600), across.px(segment.end_s / 3600)
        parts.append(
            f'<rect class="segment" x="{x1:.1f}" y="{_TOP}" width="{max(x2 - x1, 0.5):.1f}" '
            f'height="{HEIGHT - _BOTTOM - _TOP}"/>'
        )
        name = wording.segment_name(segment.segment, segment.occurrence, several=False)
        room = int((x2 - x1) / 6.2)
        if room >= 4:
            shown = name if len(name) <= room else name[: room - 1] + "…"
            parts.append(
                f'<text class="mark" x="{(x1 + x2) / 2:.1f}" y="{_TOP - 4}" '
                f'text-anchor="middle">{escape(shown)}</text>'
            )
    return parts


def _curve(
    number: int,
    phone: str,
    points: tuple[Floats, Floats],
    scales: tuple[_Scale, _Scale],
    label_px: float,
) -> list[str]:
    t_h, values = points
    across, upward = scales
    there = np.isfinite(values)
    if not there.any():
        return []
    path, pen_down = [], False
    for x, y, known in zip(t_h, values, there, strict=True):
        if known:
            path.append(f"{'L' if pen_down else 'M'}{across.px(x):.1f} {upward.px(y):.1f}")
        pen_down = bool(known)
    style = f"c{number % _N_COLOURS}"
    dash = _DASHES[number % len(_DASHES)]
    return [
        f'<path class="curve {style}" stroke-dasharray="{dash}" d="{" ".join(path)}"/>',
        f'<text class="label {style}" x="{WIDTH - _RIGHT + 6}" y="{label_px + 4:.1f}">'
        f"{escape(phone)}</text>",
    ]


def _label_px(values: Floats, upward: _Scale) -> float:
    """Height at which a curve ends."""
    known = values[np.isfinite(values)]
    return upward.px(float(known[-1])) if len(known) else float(_TOP)


def _apart(wanted_px: list[float]) -> list[float]:
    """Heights near those wanted, in the same order, far enough apart to be read."""
    order = sorted(range(len(wanted_px)), key=lambda k: wanted_px[k])
    placed_px: dict[int, float] = {}
    above_px = -np.inf
    for k in order:
        above_px = max(wanted_px[k], above_px + _LABEL_PX)
        placed_px[k] = above_px
    too_low_px = max(above_px - (HEIGHT - _BOTTOM), 0.0)
    return [placed_px[k] - too_low_px for k in range(len(wanted_px))]


def _round_ticks(low: float, high: float) -> list[float]:
    rough = (high - low) / _N_TICKS
    power = 10.0 ** np.floor(np.log10(rough))
    step = float(next(m for m in (1, 2, 5, 10) if m * power >= rough) * power)
    first = int(np.ceil(low / step))
    return [k * step for k in range(first, int(np.floor(high / step)) + 1)]
