"""Charts as files, for a video or an article: PNG in two shapes, and SVG."""

from collections.abc import Iterator
from pathlib import Path

from analysis.outputs import bars, svg
from analysis.outputs.chart import chart
from analysis.outputs.drawing import LIGHT, Sheet
from analysis.outputs.layout import TALL, WIDE, Size
from analysis.outputs.quantities import QUANTITIES
from analysis.outputs.raster import png
from analysis.report import EnergyReport

SHAPES = {"1920x1080": WIDE, "1080x1920": TALL}


def files(
    report: EnergyReport, *, transparent: bool = False, font: Path | None = None
) -> Iterator[tuple[str, bytes]]:
    """File names and contents: every chart in every shape, and once as SVG.

    Raises:
        FontError: if the font cannot be read.
    """
    for shape, size in SHAPES.items():
        for name, sheet in _sheets(report, size):
            yield f"{name}-{shape}.png", png(sheet, LIGHT, transparent=transparent, font=font)
            if size is WIDE:
                drawn = svg.standalone(sheet, LIGHT, transparent=transparent)
                yield f"{name}.svg", drawn.encode()


def _sheets(report: EnergyReport, size: Size) -> Iterator[tuple[str, Sheet]]:
    for quantity in QUANTITIES:
        if (sheet := chart(report, quantity, size)) is not None:
            yield f"{quantity.key}-over-time", sheet
    for name, draw in (("power-by-segment", bars.powers), ("share-by-activity", bars.shares)):
        if (sheet := draw(report, size)) is not None:
            yield name, sheet
