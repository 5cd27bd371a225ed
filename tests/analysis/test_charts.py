import io
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from analysis.errors import FontError
from analysis.estimation.curves import traces
from analysis.outputs import bars, raster, svg
from analysis.outputs.chart import chart
from analysis.outputs.drawing import (
    DARK,
    DASHES,
    LIGHT,
    N_COLOURS,
    Area,
    Sheet,
    Stroke,
    Words,
    style,
)
from analysis.outputs.layout import PAGE, PHONE, TALL, WIDE, fitted, letter, round_ticks
from analysis.outputs.quantities import QUANTITIES
from analysis.readings.series import Series
from analysis.report import EnergyReport

SIZES = (PAGE, PHONE, WIDE, TALL)


def spiky(n: int = 30_000, at: int = 12_345) -> Series:
    """Quiet for hours but for a single reading."""
    t_s = np.arange(n, dtype=np.float64)
    current = np.full(n, -200.0)
    current[at] = -3000.0
    temperature = np.full(n, 25.0)
    temperature[at] = 48.0
    return Series.from_arrays(
        t_s=t_s,
        voltage_mv=np.full(n, 4000.0),
        current_ma=current + np.arange(n) % 2,
        temperature_c=temperature,
    )


def test_thinning_keeps_extremes_and_totals() -> None:
    series = spiky()
    borders = np.array([0.0, 7000.0, 20_000.5, 29_999.0])
    pieces = np.array([1500.0, 3000.0, 2300.0])
    found = traces(series, borders, pieces)
    assert len(found.t_s) < 600
    assert np.nanmax(found.power_high_mw) == pytest.approx(12_000, rel=0.01)
    assert np.nanmin(found.power_low_mw) == pytest.approx(796)
    assert np.nanmax(found.temperature_high_c) == 48.0
    step_h = (found.t_s[1] - found.t_s[0]) / 3600
    assert np.sum(found.power_mw) * step_h == pytest.approx(pieces.sum(), rel=1e-9)
    assert found.energy_mwh[-1] == pytest.approx(pieces.sum(), rel=1e-9)
    assert np.all(np.diff(found.energy_mwh) >= 0)
    at_border = np.interp(7000.0, found.t_s + step_h * 1800, found.energy_mwh)
    assert at_border == pytest.approx(1500.0, rel=0.005)


def test_curves_of_the_report_end_at_its_totals(report: EnergyReport) -> None:
    for phone in report.phones:
        assert phone.traces.energy_mwh[-1] == pytest.approx(phone.total.energy_mwh, rel=1e-9)


def inside(sheet: Sheet) -> bool:
    places = [
        place
        for mark in sheet.marks
        for place in (mark.points if isinstance(mark, Stroke | Area) else (mark.at,))
    ]
    x, y = np.array(places).T
    return bool(
        x.min() >= 0 and y.min() >= 0 and x.max() <= sheet.width + 1 and y.max() <= sheet.height
    )


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s.width:g}")
@pytest.mark.parametrize("n_phones", [1, 3, 16])
def test_everything_lies_on_the_sheet(report: EnergyReport, size: Any, n_phones: int) -> None:
    many = replace(
        report,
        phones=tuple(
            replace(report.phones[k % 3], phone=f"a-long-label-for-a-phone-{k}")
            for k in range(n_phones)
        ),
    )
    found = [chart(many, quantity, size) for quantity in QUANTITIES]
    found += [draw(many, size) for draw in (bars.powers, bars.shares)]
    sheets = [sheet for sheet in found if sheet is not None]
    assert len(sheets) >= 5, "one phone alone has shown no level"
    for sheet in sheets:
        assert inside(sheet)
        texts = [mark.text for mark in sheet.marks if isinstance(mark, Words)]
        assert "nan" not in " ".join(texts)


def test_twenty_phones_differ_without_colour_or_without_dash() -> None:
    assert len({style(k) for k in range(N_COLOURS * len(DASHES))}) == 20
    assert style(0)[1] != style(1)[1] != style(2)[1]


def test_pictures_have_the_sizes_of_videos(published: tuple[EnergyReport, Path]) -> None:
    found = {path.name: path.read_bytes() for path in (published[1] / "charts").iterdir()}
    assert len(found) == 18
    for name, data in found.items():
        if name.endswith(".png"):
            with Image.open(io.BytesIO(data)) as picture:
                shape = name.rsplit("-", 1)[1].removesuffix(".png")
                assert f"{picture.width}x{picture.height}" == shape
                assert picture.mode == "RGB"
                assert len(picture.getcolors(1 << 24) or []) > 20, "something is drawn"
        else:
            root = ET.fromstring(data)
            assert root.tag == "{http://www.w3.org/2000/svg}svg"
            title = root.find("{http://www.w3.org/2000/svg}title")
            assert title is not None
            assert "alder-1" in (title.text or "")


def test_transparent_means_without_paper(report: EnergyReport) -> None:
    sheet = chart(report, QUANTITIES[0], WIDE)
    assert sheet is not None
    with Image.open(io.BytesIO(raster.png(sheet, LIGHT, transparent=True))) as picture:
        alpha = np.asarray(picture.getchannel("A"))
        assert alpha[0, 0] == 0
        assert (alpha == 255).any()
    assert "f-paper" not in svg.standalone(sheet, LIGHT, transparent=True).split("</style>")[1]


def test_dashes_take_their_share_of_the_line() -> None:
    parts = raster.dashed([(0.0, 0.0), (30.0, 0.0), (30.0, 70.0)], (7, 3))
    lengths = [sum(np.hypot(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(p)) for p in parts]
    assert lengths == pytest.approx([7.0] * 10)
    assert raster.dashed([(0.0, 0.0), (5.0, 0.0)], ()) == [[(0.0, 0.0), (5.0, 0.0)]]


def test_a_font_that_is_none_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "none.ttf"
    path.write_bytes(b"no font")
    with pytest.raises(FontError, match="not a font"):
        raster.typeface(12, path)


def luminance(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.reference(source="W3C WCAG 2.2", locator="1.4.3 and 1.4.11, relative luminance")
@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_lines_stand_out_from_every_ground(colours: dict[str, str]) -> None:
    assert contrast("#0072B2", "#ffffff") == pytest.approx(5.19, abs=0.005)
    assert contrast("#E69F00", "#000000") == pytest.approx(9.32, abs=0.005)
    for ground in ("paper", "band"):
        for text in ("ink", "soft"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
        for number in range(N_COLOURS):
            assert contrast(colours[f"c{number}"], colours[ground]) >= 3.0, (number, ground)
    assert contrast(colours["ink"], colours["grid"]) >= 4.5, "letters on the bars"


def test_small_parts_of_the_layout() -> None:
    assert [letter(k) for k in (0, 25, 26, 51, 52)] == ["A", "Z", "AA", "AZ", "BA"]
    assert fitted("navigation", 1000, 12) == "navigation"
    assert fitted("navigation", 40, 12).endswith("…")
    assert round_ticks(0.0, 10.0) == [0, 2, 4, 6, 8, 10]
    assert round_ticks(-3.0, 7.5) == [0, 5]
    assert round_ticks(21.9, 22.0)[0] == pytest.approx(21.9)


def test_hostile_names_are_escaped_in_files(report: EnergyReport) -> None:
    name = '"><script>alert(1)</script>&\u202e'
    segment = replace(report.phones[0].segments[0], segment=name)
    hostile = replace(report, phones=(replace(report.phones[0], segments=(segment,)),))
    for sheet in (chart(hostile, QUANTITIES[0], PHONE), bars.powers(hostile, WIDE)):
        assert sheet is not None
        data = svg.standalone(sheet, LIGHT)
        ET.fromstring(data)
        assert "<script" not in data
        assert "\u202e" not in data
