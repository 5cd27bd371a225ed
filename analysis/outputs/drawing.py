"""What a chart consists of, before it becomes SVG or pixels."""

from dataclasses import dataclass, field
from typing import Literal

Point = tuple[float, float]
Role = str
"""What a mark stands for: `ink`, `soft`, `grid`, `band`, `paper` or a phone's `c0` to `c4`."""

DASHES: tuple[tuple[float, ...], ...] = ((), (7, 4), (2, 3), (11, 3, 2, 3))
N_COLOURS = 5
"""Colours and dashes have no common divisor: 20 phones differ in one or the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """A line through points.

    Attributes:
        points: at least two.
        role: its colour.
        width: in units of the sheet.
        dash: lengths of line and gap in turn; empty for a whole line.
    """

    points: tuple[Point, ...]
    role: Role = "ink"
    width: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A filled shape; `opacity_ratio` 1 hides what is under it."""

    points: tuple[Point, ...]
    role: Role
    opacity_ratio: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A round mark."""

    at: Point
    radius: float
    role: Role = "ink"


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """One line of text, its baseline at `at`."""

    at: Point
    text: str
    size: float
    role: Role = "ink"
    anchor: Literal["start", "middle", "end"] = "start"


Mark = Stroke | Area | Dot | Words


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A drawing.

    Attributes:
        width: in its own units.
        height: in its own units.
        text: alternative text, with the numbers.
        marks: in the order of painting.
        plot: left, top, right and bottom of the field that curves are in.
        span_h: hours at the left and the right end of that field, where it has a time axis.
    """

    width: float
    height: float
    text: str
    marks: list[Mark] = field(default_factory=list)
    plot: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    span_h: tuple[float, float] | None = None


def style(number: int) -> tuple[Role, tuple[float, ...]]:
    """Colour and dash of the phone of that number."""
    return f"c{number % N_COLOURS}", DASHES[number % len(DASHES)]


LIGHT = {
    "paper": "#fcfbf8", "ink": "#1d1b18", "soft": "#5f5a52", "grid": "#d9d4ca", "band": "#f0ece2",
    "c0": "#0072b2", "c1": "#d55e00", "c2": "#00805d", "c3": "#a2517f", "c4": "#1d1b18",
}  # fmt: skip
DARK = {
    "paper": "#181715", "ink": "#ece8e0", "soft": "#aea79b", "grid": "#3a3732", "band": "#23211e",
    "c0": "#56b4e9", "c1": "#e69f00", "c2": "#2fc39b", "c3": "#cc79a7", "c4": "#ece8e0",
}  # fmt: skip
"""Okabe and Ito's colours for phones, some darker on light paper: every one stands out from its
paper by 3:1, text by 4.5:1 (W3C WCAG 2.2, 1.4.3 and 1.4.11)."""
