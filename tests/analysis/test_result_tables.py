"""Comparison and outlook as tables: the figures of the JSON beside them, typed and explained."""

import csv
import io
import json
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from analysis.outputs.columns import BUDGET, COMPARISON, OUTLOOK, Column
from analysis.report import EnergyReport


@pytest.fixture(scope="module")
def results(published: tuple[EnergyReport, Path]) -> Path:
    return published[1].parent / "results"


def test_verdicts_are_those_of_the_json(results: Path) -> None:
    plain = json.loads((results / "comparison.json").read_text("utf-8"))["between_phones"]
    table = pq.read_table(results / "comparison.parquet").to_pylist()
    assert len(plain) == len(table) == 3 * 3, "whole run and two segments, three pairs of phones"
    for row, known in zip(table, plain, strict=True):
        assert (row["activity"], row["judged"], row["against"]) == (
            known["activity"], known["one"], known["other"],
        )  # fmt: skip
        assert row["verdict"] == known["verdict"]
        assert row["power_ratio"] == known["ratio"]["value"]
        assert row["difference_lo95_mw"] == known["difference_mw"]["lo95"]
        assert row["adjusted_p_value"] == known["p_adjusted"]
        assert row["repeats_needed"] == known["repeats_needed"]
        assert row["confounders"] == "; ".join(known["confounders"])


def test_hours_are_those_of_the_json(results: Path) -> None:
    plain = json.loads((results / "outlook.json").read_text("utf-8"))
    lasting = [(p, a) for p in plain["phones"] for a in p["activities"]]
    table = pq.read_table(results / "outlook.parquet").to_pylist()
    assert len(lasting) == len(table) >= 2
    for row, (phone, activity) in zip(table, lasting, strict=True):
        assert (row["phone"], row["activity"]) == (phone["phone"], activity["activity"])
        assert row["lasts_h"] == activity["hours"]["value"]
        assert row["lasts_hi95_h"] == activity["hours"]["hi95"]
        assert row["usable_energy_mwh"] == phone["usable_mwh"]["value"]


@pytest.mark.parametrize("name", ["comparison", "outlook"])
def test_csv_holds_what_parquet_holds(results: Path, name: str) -> None:
    text = (results / f"{name}.csv").read_bytes().decode()
    assert text.count("\r\n") == text.count("\n")
    frame = pd.read_parquet(results / f"{name}.parquet")
    again = pd.read_csv(io.StringIO(text))
    numbers = [c for c in frame if pd.api.types.is_float_dtype(frame[c])]
    assert len(numbers) >= 6
    pd.testing.assert_frame_equal(again[numbers].astype(float), frame[numbers], check_exact=True)
    assert list(next(csv.DictReader(io.StringIO(text)))) == list(frame)


@pytest.mark.parametrize(
    ("name", "columns"), [("comparison", COMPARISON), ("outlook", OUTLOOK), ("budget", BUDGET)]
)
def test_columns_say_what_they_are(results: Path, name: str, columns: tuple[Column, ...]) -> None:
    folder = results if name != "budget" else results.parent / "published"
    schema = pq.read_schema(folder / f"{name}.parquet")
    assert schema.names == [column.name for column in columns]
    for column in columns:
        assert len(column.meaning) >= 5
        assert column.unit or column.type != "number", column.name
        metadata = schema.field(column.name).metadata
        assert metadata[b"unit"].decode() == column.unit
        assert metadata[b"meaning"].decode() == column.meaning
