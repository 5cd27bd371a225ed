"""What a run amounts to, for programs: nothing rounded, absent values null."""

import json
from collections.abc import Iterator, Sequence
from typing import Any

import pandas as pd
import pyarrow as pa

from analysis.comparison import comparing
from analysis.errors import NothingRecordedError
from analysis.lasting import outlook
from analysis.outputs.arrow import parquet, written
from analysis.outputs.columns import COMPARISON, OUTLOOK, Column
from analysis.outputs.result_rows import comparison_rows, outlook_rows
from analysis.outputs.spreadsheet import separated
from analysis.outputs.tables import Row
from analysis.readings.run import Run
from analysis.report import EnergyReport
from analysis.report_json import segment_json, to_json


def hours_of(run: Run) -> outlook.Outlook | None:
    """How long the activities of a run would last; None if too little is known."""
    try:
        return outlook.outlook(run)
    except NothingRecordedError:
        return None


Files = Iterator[tuple[str, bytes]]


def files(run: Run, report: EnergyReport, hours: outlook.Outlook | None) -> Files:
    """File names and contents: energies, and comparison and outlook where there are any."""
    yield "energy.json", _json(to_json(report))
    yield "energy.parquet", written(pa.Table.from_pandas(_rows(report)))
    compared = _compared(run, report)
    if compared is not None:
        yield "comparison.json", _json(comparing.to_json(compared))
        yield from _table("comparison", COMPARISON, comparison_rows(compared))
    if hours is not None:
        yield "outlook.json", _json(outlook.to_json(hours))
        yield from _table("outlook", OUTLOOK, outlook_rows(hours))


def _compared(run: Run, report: EnergyReport) -> comparing.Compared | None:
    """The phones against each other; None if there is one alone."""
    measured = comparing.Measured.of(run, report, report.run)
    try:
        return comparing.compare([measured])
    except ValueError:
        return None


def _table(name: str, columns: Sequence[Column], rows: Sequence[Row]) -> Files:
    yield f"{name}.parquet", parquet(columns, rows)
    yield f"{name}.csv", separated(columns, rows).encode()


def _json(document: dict[str, Any]) -> bytes:
    text = json.dumps(document, indent=2, allow_nan=False, ensure_ascii=False)
    return text.encode() + b"\n"


def _rows(report: EnergyReport) -> pd.DataFrame:
    rows = [
        {
            "run": report.run,
            "phone": phone.phone,
            **segment_json(segment),
            "flags": "; ".join([*segment.flags, *segment.facts]),
        }
        for phone in report.phones
        for segment in phone.segments
    ]
    return pd.DataFrame(rows)
