"""Rows as a Parquet file with typed columns; unit and meaning of each go along as metadata."""

from collections.abc import Sequence

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.outputs.columns import Column
from analysis.outputs.tables import Row

_ARROW = {
    "string": pa.string(),
    "integer": pa.int64(),
    "number": pa.float64(),
    "boolean": pa.bool_(),
    "datetime": pa.timestamp("ms", tz="UTC"),
}


def parquet(columns: Sequence[Column], rows: Sequence[Row]) -> bytes:
    """The rows as a file; absent values are null."""
    fields = [
        pa.field(c.name, _ARROW[c.type], metadata={"unit": c.unit, "meaning": c.meaning})
        for c in columns
    ]
    moments = {c.name for c in columns if c.type == "datetime"}
    values = [
        {k: pd.Timestamp(v) if k in moments and v is not None else v for k, v in row.items()}
        for row in rows
    ]
    return written(pa.Table.from_pylist(values, schema=pa.schema(fields)))


def written(table: pa.Table) -> bytes:
    """A table as a file."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    data: bytes = sink.getvalue().to_pybytes()
    return data
