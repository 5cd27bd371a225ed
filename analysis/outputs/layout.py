"""Where things go on a chart: sizes, scales, ticks, keys."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.estimation.profile import Floats
from analysis.outputs.drawing import Mark, Stroke, Words, style

_N_TICKS = 5
_CHAR_RATIO = 0.58
"""Mean width of a character over the size of the type, on the safe side."""
_KEY_RATIO = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """A sheet's width and height, and the size of its lettering, in pixels.

    One that grows becomes higher by what stands below its curves, or has many rows.
    """

    width: float
    height: float
    type: float
    grows: bool = False

    @property
    def narrow(self) -> bool:
        """Whether there is no room for labels beside the curves."""
        return self.width < 55 * self.type


PAGE = Size(width=900, height=300, type=13, grows=True)
PHONE = Size(width=350, height=280, type=13, grows=True)
WIDE = Size(width=1920, height=1080, type=30)
TALL = Size(width=1080, height=1920, type=32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """From values to places."""

    low: float
    high: float
    first_px: float
    last_px: float

    def px(self, value: float) -> float:
        """Where a value lies."""
        share = (value - self.low) / (self.high - self.low)
        return self.first_px + share * (self.last_px - self.first_px)


def limits(values: Floats, *, from_zero: bool) -> tuple[float, float]:
    """Ends of an axis that shows all values with a little room."""
    low, high = float(values.min()), float(values.max())
    if from_zero:
        low = min(low, 0.0)
    margin = (high - low) * 0.05 or 1.0
    return low - (0.0 if from_zero and low == 0 else margin), high + margin


def round_ticks(low: float, high: float, n: int = _N_TICKS) -> list[float]:
    """Round values between two, about `n` of them."""
    rough = (high - low) / n
    power = 10.0 ** np.floor(np.log10(rough))
    step = float(next(m for m in (1, 2, 5, 10) if m * power >= rough * (1 - 1e-9)) * power)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def room(text: str, size: float) -> float:
    """Width that a text may take."""
    return len(text) * size * _CHAR_RATIO


def fitted(text: str, width: float, size: float) -> str:
    """The text, cut to a width."""
    n_chars = max(int(width / (size * _CHAR_RATIO)), 1)
    return text if len(text) <= n_chars else text[: n_chars - 1] + "…"


def apart(wanted: Sequence[float], least: float, top: float, bottom: float) -> list[float]:
    """Heights near those wanted, in the same order, `least` apart and above the bottom."""
    order = sorted(range(len(wanted)), key=lambda k: wanted[k])
    placed: dict[int, float] = {}
    above = top - least
    for k in order:
        above = max(wanted[k], above + least)
        placed[k] = above
    limit = bottom
    for k in reversed(order):
        placed[k] = min(placed[k], limit)
        limit = placed[k] - least
    return [placed[k] for k in range(len(wanted))]


def letter(number: int) -> str:
    """A to Z, then AA, AB and so on."""
    first, second = divmod(number, 26)
    return (chr(64 + first) if first else "") + chr(65 + second)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """An entry of a key: a text, and the line of a phone if it has one."""

    text: str
    phone: int | None = None


def key(entries: Sequence[Entry], size: Size, top: float = 0.0) -> tuple[list[Mark], float]:
    """A key in rows, from `top` down, and the height it takes.

    On a sheet that cannot grow, as much of it as has room in part of the height.
    """
    marks: list[Mark] = []
    unit = size.type
    x, y, edge = unit / 2, top + unit * 1.2, size.width - unit / 2
    most = np.inf if size.grows else size.height * _KEY_RATIO
    for entry in entries:
        sample = unit * 2.6 if entry.phone is not None else 0.0
        text = fitted(entry.text, edge - unit - sample, unit)
        width = sample + room(text, unit)
        if x > unit / 2 and x + width > edge:
            if y + unit * 1.5 - top > most:
                break
            x, y = unit / 2, y + unit * 1.5
        if entry.phone is not None:
            marks.append(swatch(entry.phone, x, y - unit * 0.32, unit * 2.1, size))
        marks.append(Words(at=(x + sample, y), text=text, size=unit))
        x += width + unit * 1.4
    return marks, (y - top + unit * 0.6 if entries else 0.0)


def swatch(phone: int, x: float, y: float, width: float, size: Size) -> Stroke:
    """A piece of a phone's line."""
    role, dash = style(phone)
    return Stroke(
        points=((x, y), (x + width, y)),
        role=role,
        width=size.type / 6,
        dash=tuple(d * size.type / 13 for d in dash),
    )
