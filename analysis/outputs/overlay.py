"""Live readings as transparent pictures to lay over a video."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from analysis.estimation.profile import Floats
from analysis.outputs.drawing import DARK, style
from analysis.outputs.live import Live, Now
from analysis.outputs.raster import dashed, encoded, typeface
from analysis.outputs.readouts import Readout, activity_for, at, figures
from analysis.outputs.timecode import clock
from analysis.outputs.timeline import Timeline

Shape = Literal["wide", "tall"]
_WIDTH_PX: dict[Shape, int] = {"wide": 1920, "tall": 1080}
_PER_ROW: dict[Shape, int] = {"wide": 4, "tall": 2}
_HEAD_PX, _CELL_PX, _MARGIN_PX = 56, 116, 28
_VEIL = (16, 15, 13, 184)
"""Dark enough that the lettering stands out by 4.5:1 from white pictures below."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How the pictures are made.

    Attributes:
        shape: for a video of 1920 or of 1080 pixels in width.
        several: names of segments that occur more than once on a phone.
        font: font file; None for the one that comes with the program.
    """

    shape: Shape
    several: frozenset[str]
    font: Path | None = None


def frames(
    lives: Sequence[Live], timeline: Timeline, every_s: float, look: Look
) -> Iterator[tuple[str, bytes]]:
    """File names and PNG files, one every `every_s` of video from its beginning to its end.

    A moment that no clip shows is an empty picture, so that number and time keep in step.
    """
    n_frames = max(int(np.ceil(timeline.length_s / every_s)), 1)
    edges_s: Floats = np.arange(n_frames + 1, dtype=np.float64) * every_s
    shown = {int(r.start_s / every_s + 1e-6): r for r in at(lives, timeline, edges_s)}
    for number in range(n_frames):
        picture = _empty(len(lives), look)
        if (readout := shown.get(number)) is not None:
            _paint(picture, readout, look)
        yield f"overlay-{number + 1:06}.png", encoded(picture)


def _empty(n_phones: int, look: Look) -> Image.Image:
    rows = -(-n_phones // _PER_ROW[look.shape])
    size = (_WIDTH_PX[look.shape], _HEAD_PX + rows * _CELL_PX + _MARGIN_PX // 2)
    return Image.new("RGBA", size, (0, 0, 0, 0))


def _paint(picture: Image.Image, readout: Readout, look: Look) -> None:
    pen = ImageDraw.Draw(picture)
    pen.rectangle((0, 0, *picture.size), fill=_VEIL)
    shared = readout.shared(set(look.several))
    since = clock(max(readout.run_s, 0.0))
    small = typeface(30, look.font)
    right = picture.width - _MARGIN_PX
    pen.text((right, 42), since, font=small, fill=DARK["soft"], anchor="rs")
    room = right - _MARGIN_PX - small.getlength(since) - _MARGIN_PX
    pen.text(
        (_MARGIN_PX, 42), _fitted(shared, room, small), font=small, fill=DARK["ink"], anchor="ls"
    )
    per_row = _PER_ROW[look.shape]
    cell = (picture.width - 2 * _MARGIN_PX) / min(per_row, len(readout.phones))
    for number, now in enumerate(readout.phones):
        row, column = divmod(number, per_row)
        corner = (_MARGIN_PX + column * cell, _HEAD_PX + row * _CELL_PX)
        doing = "" if shared else activity_for(now, set(look.several))
        _cell(pen, now, (number, *corner, cell - _MARGIN_PX), doing, look)


def _cell(
    pen: ImageDraw.ImageDraw,
    now: Now,
    place: tuple[int, float, float, float],
    doing: str,
    look: Look,
) -> None:
    """One phone: its line as in the charts, its name, power large, level and temperature small."""
    number, left, top, room = place
    role, dash = style(number)
    for part in dashed([(left, top + 6), (left + room, top + 6)], tuple(3 * d for d in dash)):
        pen.line(part, fill=DARK[role], width=5)
    level, power, temperature = figures(now)
    name, large = typeface(26, look.font), typeface(44, look.font)
    pen.text(
        (left, top + 42),
        _fitted(now.phone, room - 90, name),
        font=name,
        fill=DARK["ink"],
        anchor="ls",
    )
    main = "shut off" if now.shut_off else power
    pen.text((left, top + 92), main, font=large, fill=DARK["ink"], anchor="ls")
    if not now.shut_off:
        beside = left + room
        pen.text((beside, top + 42), level, font=name, fill=DARK["ink"], anchor="rs")
        under = _fitted(doing, room - large.getlength(main) - 150, name)
        pen.text(
            (beside, top + 92),
            " · ".join(filter(None, [under, temperature])),
            font=name,
            fill=DARK["soft"],
            anchor="rs",
        )


def _fitted(text: str, room_px: float, font: ImageFont.FreeTypeFont) -> str:
    """The text, cut to the room there is."""
    if font.getlength(text) <= room_px:
        return text
    while text and font.getlength(f"{text}…") > room_px:
        text = text[:-1]
    return f"{text}…" if text else ""
