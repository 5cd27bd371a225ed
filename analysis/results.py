"""What a run amounts to, for programs: nothing rounded, absent values null."""

import json
from collections.abc import Iterator
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analysis import comparing, outlook
from analysis.confounders import settings_of
from analysis.errors import NothingRecordedError
from analysis.recording import Run
from analysis.report import EnergyReport, segment_json, to_json


def hours_of(run: Run) -> outlook.Outlook | None:
    """How long the activities of a run would last; None if too little is known."""
    try:
        return outlook.outlook(run)
    except NothingRecordedError:
        return None


def files(
    run: Run, report: EnergyReport, hours: outlook.Outlook | None
) -> Iterator[tuple[str, bytes]]:
    """File names and contents: energies, and comparison and outlook where there are any."""
    yield "energy.json", _json(to_json(report))
    yield "energy.parquet", parquet(pa.Table.from_pandas(_rows(report)))
    try:
        measured = comparing.Measured(
            name=report.run, report=report, settings=settings_of(run, report)
        )
        yield "comparison.json", _json(comparing.to_json(comparing.compare([measured])))
    except ValueError:  # one phone alone
        pass
    if hours is not None:
        yield "outlook.json", _json(outlook.to_json(hours))


def parquet(table: pa.Table) -> bytes:
    """The table as a file."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    data: bytes = sink.getvalue().to_pybytes()
    return data


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
