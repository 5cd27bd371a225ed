import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from analysis import energy, load
from analysis.outputs import markdown, spreadsheet, tables, wording
from analysis.outputs.columns import Column, dictionary, recorded
from analysis.outputs.rounding import decimals, rounded
from analysis.report import EnergyReport
from parsers.schema import TABLES

FORMULAS = ("=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "  =1", "'=1", "\r\n=1")


def test_every_form_has_the_same_numbers(published: tuple[EnergyReport, Path]) -> None:
    report, folder = published
    for name, rows, part in (
        ("energy", tables.energy_rows(report), "segments"),
        ("phones", tables.phone_rows(report), "phones"),
    ):
        plain = json.loads((folder / "energy.json").read_text("utf-8"))[part]
        parquet = pq.read_table(folder / f"{name}.parquet").to_pylist()
        assert plain == rows
        for stored, row in zip(parquet, rows, strict=True):
            for key, value in row.items():
                if key.endswith("_utc") and value is not None:
                    assert stored[key].isoformat(timespec="milliseconds")[:23] == value[:23]
                else:
                    assert stored[key] == value, key
    written = pd.read_csv(folder / "energy.csv")
    for key in map(str, written.columns):
        column = written[key]
        expected = [row[key] for row in tables.energy_rows(report)]
        if pd.api.types.is_float_dtype(column):
            np.testing.assert_array_equal(column, np.array(expected, dtype=float))
        elif key != "flags":
            assert column.tolist() == expected
    text = (folder / "energy.md").read_text("utf-8")
    for row in tables.energy_rows(report):
        assert f"{row['energy_mwh']:,}".replace(",", "\u202f") in text


def test_csv_comes_back_from_pandas_as_it_was(published: tuple[EnergyReport, Path]) -> None:
    _, folder = published
    text = (folder / "energy.csv").read_bytes().decode()
    frame = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
    assert frame.to_csv(index=False, lineterminator="\r\n") == text
    again = pd.read_csv(io.StringIO(text))
    parquet = pd.read_parquet(folder / "energy.parquet")
    numbers = [c for c in again if pd.api.types.is_numeric_dtype(again[c])]
    assert len(numbers) >= 14
    pd.testing.assert_frame_equal(again[numbers], parquet[numbers], check_dtype=False)


def test_rounding_keeps_within_the_interval(published: tuple[EnergyReport, Path]) -> None:
    report, _ = published
    segments = [s for p in report.phones for s in p.segments]
    for row, segment in zip(tables.energy_rows(report), segments, strict=True):
        off = abs(row["energy_mwh"] - segment.amount.energy_mwh)
        assert off <= segment.amount.u_mwh / 18, "half a unit of the second figure of the doubt"
        assert len(re.sub(r"[.]|0+$", "", str(row["energy_u_mwh"]).lstrip("0."))) <= 2


@pytest.mark.parametrize(
    ("u", "places", "value", "shown"),
    [
        (2.34, 1, 352.584, 352.6),
        (0.0234, 3, 1.23456, 1.235),
        (22.9, 0, 3740.3, 3740),
        (325.0, -1, 12996.6, 13000),
        (9.96, 1, 12.34, 12.3),
        (0.0, 1, 5.04, 5.0),
        (float("nan"), 1, 5.04, 5.0),
        (1e-9, 3, 5.0404, 5.04),
    ],
)
def test_two_figures_of_the_doubt(u: float, places: int, value: float, shown: float) -> None:
    assert decimals(u) == places
    assert rounded(value, places) == shown
    assert isinstance(rounded(value, places), int) == (places <= 0)


def test_what_is_absent_stays_absent(published: tuple[EnergyReport, Path]) -> None:
    report, folder = published
    assert rounded(None, 1) is None
    assert rounded(float("nan"), 1) is None
    segment = replace(report.phones[0].segments[0], temperature_max_c=None, level_used_pct=None)
    phone = replace(report.phones[0], segments=(segment,), capacity_mah=None)
    row = next(csv.DictReader(io.StringIO(spreadsheet.render(replace(report, phones=(phone,))))))
    assert row["temperature_max_c"] == row["level_used_pct"] == ""
    read = pd.read_csv(folder / "phones.csv") if (folder / "phones.csv").exists() else None
    assert read is None, "the phones' table goes into the package"


def test_formulas_are_inert_in_every_column(report_with: Callable[..., EnergyReport]) -> None:
    for formula in FORMULAS:
        report = report_with(segment=formula, flags=(formula,), method=formula)
        for row in csv.reader(io.StringIO(spreadsheet.render(report), newline="")):
            for cell in row:
                number = re.fullmatch(r"-?[\d.]+", cell)
                assert number or not cell.strip().startswith(("=", "+", "-", "@")), cell


def test_markdown_shows_markup_as_text(report_with: Callable[..., EnergyReport]) -> None:
    text = markdown.render(report_with(segment="<b>|`x`|</b>\n# no", flags=("[a](b)",)))
    assert "<b>" not in text
    assert "\n# no" not in text
    assert "[a](b)" not in text


@pytest.fixture
def report_with(run_path: Path) -> Callable[..., EnergyReport]:
    report: EnergyReport = energy(load(run_path))

    def made(**values: Any) -> EnergyReport:
        segment = replace(report.phones[0].segments[0], **values)
        return replace(report, phones=(replace(report.phones[0], segments=(segment,)),))

    return made


def test_every_column_is_explained(published: tuple[EnergyReport, Path]) -> None:
    report, _ = published
    sets: dict[str, tuple[Column, ...]] = {name: recorded(name) for name in TABLES}
    sets["energy"] = tables.energy_columns(report)
    sets["phones"] = tables.phone_columns(report)
    assert [c.name for c in sets["energy"]] == list(tables.energy_rows(report)[0])
    assert [c.name for c in sets["phones"]] == list(tables.phone_rows(report)[0])
    for columns in sets.values():
        assert all(len(c.meaning) >= 5 for c in columns)
        assert all(c.unit for c in columns if c.type == "number"), "a number has a unit"
    shown = dictionary(sets)
    assert "| `energy_mwh` | mWh | taken out of the battery |" in shown
    assert "| `current_ma` | mA | positive into the battery" in shown


def test_real_phones_have_no_column_of_truth(published: tuple[EnergyReport, Path]) -> None:
    real = replace(published[0], virtual=False)
    assert "true" not in spreadsheet.render(real)
    assert all("true_energy_mwh" not in row for row in tables.phone_rows(real))


def test_power_and_energy_are_told_alike(published: tuple[EnergyReport, Path]) -> None:
    report, _ = published
    amount = report.phones[0].segments[0].amount
    row = tables.energy_rows(report)[0]
    for text, value in (
        (wording.energy_text(amount), row["energy_mwh"]),
        (wording.power_text(amount), row["mean_power_mw"]),
    ):
        assert float(text.replace("\u202f", "")) == value
