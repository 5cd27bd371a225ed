"""A drawing as pixels."""

import io
from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np
from PIL import Image, ImageColor, ImageDraw, ImageFont

from analysis.errors import FontError
from analysis.outputs.drawing import Area, Dot, Mark, Point, Sheet, Stroke, Words

_FINER = 2
"""Drawn larger and made smaller again: the library's lines have hard edges."""
_ANCHORS = {"start": "ls", "middle": "ms", "end": "rs"}


def png(
    sheet: Sheet,
    colours: Mapping[str, str],
    *,
    transparent: bool = False,
    font: Path | None = None,
) -> bytes:
    """The sheet as a PNG file, one pixel to a unit.

    Raises:
        FontError: if the font cannot be read.
    """
    width, height = round(sheet.width), round(sheet.height)
    paper = (*ImageColor.getrgb(colours["paper"])[:3], 0 if transparent else 255)
    picture = Image.new("RGBA", (width * _FINER, height * _FINER), paper)
    for mark in sheet.marks:
        _paint(picture, mark, colours, font)
    small = picture.resize((width, height), Image.Resampling.BOX)
    return encoded(small if transparent else small.convert("RGB"))


def encoded(picture: Image.Image) -> bytes:
    """The picture as a PNG file."""
    data = io.BytesIO()
    picture.save(data, "PNG", compress_level=6)
    return data.getvalue()


@lru_cache(maxsize=64)
def typeface(size: float, path: Path | None = None) -> ImageFont.FreeTypeFont:
    """A font at a size in pixels: the one given, or the one that comes with the program.

    Raises:
        FontError: if it cannot be read.
    """
    if path is not None:
        try:
            return ImageFont.truetype(str(path), size)
        except OSError as exc:
            raise FontError(f"{path}: not a font that can be read ({exc})") from exc
    with as_file(files("analysis.outputs") / "font" / "DejaVuSerifCondensed.ttf") as own:
        return ImageFont.truetype(str(own), size)


def _paint(
    picture: Image.Image, mark: Mark, colours: Mapping[str, str], font: Path | None
) -> None:
    pen = ImageDraw.Draw(picture)
    colour = colours[mark.role]
    match mark:
        case Stroke():
            width = max(round(mark.width * _FINER), 1)
            for part in dashed(mark.points, mark.dash):
                pen.line(_scaled(part), fill=colour, width=width, joint="curve")
        case Area() if mark.opacity_ratio < 1:
            veil = Image.new("L", picture.size, 0)
            shade = round(255 * mark.opacity_ratio)
            ImageDraw.Draw(veil).polygon(_scaled(mark.points), fill=shade)
            layer = Image.new("RGBA", picture.size, (*ImageColor.getrgb(colour)[:3], 0))
            layer.putalpha(veil)
            picture.alpha_composite(layer)
        case Area():
            pen.polygon(_scaled(mark.points), fill=colour)
        case Dot():
            (x, y), r = _scaled([mark.at])[0], mark.radius * _FINER
            pen.ellipse((x - r, y - r, x + r, y + r), fill=colour)
        case Words():
            pen.text(
                _scaled([mark.at])[0],
                mark.text,
                font=typeface(mark.size * _FINER, font),
                fill=colour,
                anchor=_ANCHORS[mark.anchor],
            )


def _scaled(points: Sequence[Point]) -> list[Point]:
    return [(x * _FINER, y * _FINER) for x, y in points]


def dashed(points: Sequence[Point], dash: tuple[float, ...]) -> list[list[Point]]:
    """The parts of a line that are drawn."""
    if not dash:
        return [list(points)]
    x, y = np.array(points).T
    run = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    turns = np.concatenate([[0.0], np.cumsum(np.tile(dash, int(run[-1] / sum(dash)) + 1))])
    parts = []
    for start, end in zip(turns[:-1:2], turns[1::2], strict=False):
        if start >= run[-1]:
            break
        inside = run[(run > start) & (run < end)]
        at = np.array([start, *inside, min(end, run[-1])])
        corners = zip(np.interp(at, run, x), np.interp(at, run, y), strict=True)
        parts.append([(float(a), float(b)) for a, b in corners])
    return parts
