"""Tables of a run as Parquet files, one per table and phone, and back.

Layout: `<tables>/<table>/phone=<label>/part-0.parquet`. The label is in the folder's name alone,
as readers of hive layouts expect: `pandas.read_parquet(folder)`, a pyarrow dataset with
`partitioning="hive"` and DuckDB's `read_parquet('.../**/*.parquet', hive_partitioning=true)` all
add the column `phone` from it, and no file can contradict its folder. They take a label of digits
alone for a number; `read_table` does not.
"""

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from parsers.errors import RunDamagedError, RunFolderError
from parsers.schema import SCHEMA_VERSION, TABLES, TableRow, arrow_schema

PHONE = "phone"
_FILE = "part-0.parquet"
_AGAIN = "rebuild the tables with `rundown tidy`"

_ENCODINGS = {
    # Integers that hardly change from row to row: their differences take few bits.
    **dict.fromkeys(("seq", "host_utc", "phone_utc", "charge_counter_raw"), "DELTA_BINARY_PACKED"),
    # Real numbers whose leading bytes repeat.
    **dict.fromkeys(("host_s", "boot_s", "charge_counter_mah", "voltage_mv"), "BYTE_STREAM_SPLIT"),
    # Numbers too many for a dictionary, too rare or too jumpy for the others.
    **dict.fromkeys(("current_ma", "current_raw", "awake_s", "energy_mwh"), "PLAIN"),
}
"""Measured on recordings at 1 Hz; the columns not named here repeat and get a dictionary."""
_ZSTD_LEVEL = 19
_GRID_PER_UNIT = {"host_s": 2**20, "charge_counter_mah": 2**16}
"""Decimal fractions fill all bits of a real number. On a binary grid finer than the source (the
journal's microsecond, a counter's µAh) they take half the room, and rounding restores them."""


def write_table(
    tables: Path, table: str, phone: str, rows: Iterable[TableRow], metadata: Mapping[str, str]
) -> Path:
    """Writes one phone's rows of one table, in the order given; replaces what was there.

    A reader sees the old file or the new one, never half of it.

    Args:
        tables: folder of all tables of the run.
        table: a key of `TABLES`.
        phone: the label, safe as a file name.
        rows: rows of that phone, best in order of time: neighbours alike make a small file.
        metadata: texts kept in the file's schema beside `schema_version`.

    Raises:
        ValueError: if a row is another phone's.
        OSError: if the file cannot be written.
    """
    whole = arrow_schema(TABLES[table], dict(metadata))
    rows = list(rows)
    if strange := {row.phone for row in rows} - {phone}:
        raise ValueError(f"rows of {', '.join(sorted(strange))} in the table of {phone}")
    schema = whole.remove(whole.get_field_index(PHONE))
    columns = [pa.array(_column(rows, field.name), field.type) for field in schema]
    path = tables / table / f"{PHONE}={phone}" / _FILE
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{_FILE}.{os.getpid()}.new")  # readers skip names with a dot
    with temporary.open("wb") as file:
        pq.write_table(pa.Table.from_arrays(columns, schema=schema), file, **_options(schema))
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)
    return path


def _column(rows: list[TableRow], name: str) -> list[Any]:
    values = [getattr(row, name) for row in rows]
    if name not in _GRID_PER_UNIT:
        return values
    per_unit = _GRID_PER_UNIT[name]
    return [None if value is None else round(value * per_unit) / per_unit for value in values]


def _options(schema: pa.Schema) -> dict[str, Any]:
    encodings = {name: code for name, code in _ENCODINGS.items() if name in schema.names}
    return {
        "compression": "zstd",
        "compression_level": _ZSTD_LEVEL,
        "use_dictionary": [name for name in schema.names if name not in encodings],
        "column_encoding": encodings,
    }


def read_table(folder: Path) -> pa.Table:
    """All phones of one table, in order of their labels, `phone` as plain text.

    Args:
        folder: of the table, such as `<run>/tables/readings`.

    Raises:
        RunFolderError: if it is no such folder, or a file is damaged or of another version.
        OSError: if a file cannot be read.
    """
    schema = _schema_of(folder)
    parts = [
        table.append_column(schema.field(PHONE), pa.repeat(pa.scalar(label), table.num_rows))
        .select(schema.names)
        .replace_schema_metadata(schema.metadata)
        for label, table in _files(folder, schema)
    ]
    return pa.concat_tables(parts).unify_dictionaries() if parts else schema.empty_table()


def read_phone(
    folder: Path, phone: str, columns: Sequence[str], coded: Sequence[str] = ()
) -> pa.Table:
    """Some columns of one phone; no rows if it has no file.

    Args:
        folder: of the table.
        phone: the label.
        columns: which.
        coded: those of them whose texts repeat; each comes as numbers into a dictionary.

    Raises:
        RunFolderError: as `read_table`.
        OSError: if the file cannot be read.
    """
    schema = _schema_of(folder)
    path = folder / f"{PHONE}={phone}" / _FILE
    if not path.exists():
        return schema.empty_table().select(list(columns))
    return _checked(path, schema, columns, coded)


def count_rows(folder: Path, phone: str) -> int:
    """How many rows there are of one phone; none if it has no file, or there is no such table.

    Raises:
        RunFolderError: as `read_table`.
        OSError: if the file cannot be read.
    """
    path = folder / f"{PHONE}={phone}" / _FILE
    if not path.exists():
        return 0
    with _opened(path, _schema_of(folder)) as file:
        return int(file.metadata.num_rows)


def read_metadata(folder: Path) -> dict[str, dict[str, str]]:
    """What `write_table` was given as metadata, by phone.

    Raises:
        RunFolderError: as `read_table`.
        OSError: if a file cannot be read.
    """
    schema = _schema_of(folder)
    return {
        label: {
            key.decode(): value.decode()
            for key, value in table.schema.metadata.items()
            if key != b"schema_version"
        }
        for label, table in _files(folder, schema)
    }


def _schema_of(folder: Path) -> pa.Schema:
    if folder.name not in TABLES or not folder.is_dir():
        raise RunFolderError(
            str(folder),
            f"not a table of a run; one of {', '.join(TABLES)} should be here, {_AGAIN}",
        )
    return arrow_schema(TABLES[folder.name])


def _files(folder: Path, schema: pa.Schema) -> list[tuple[str, pa.Table]]:
    """Label and checked contents of each phone's file."""
    paths = sorted(folder.glob(f"{PHONE}=*/{_FILE}"))
    return [(path.parent.name.removeprefix(f"{PHONE}="), _checked(path, schema)) for path in paths]


def _checked(
    path: Path, schema: pa.Schema, only: Sequence[str] | None = None, coded: Sequence[str] = ()
) -> pa.Table:
    with _opened(path, schema, coded) as file:
        try:
            return file.read(columns=None if only is None else list(only))
        except (pa.ArrowException, OSError) as exc:
            raise _damaged(path) from exc


@contextmanager
def _opened(path: Path, schema: pa.Schema, coded: Sequence[str] = ()) -> Iterator[pq.ParquetFile]:
    """A file whose columns are as the format says."""
    with path.open("rb") as file:
        try:
            found = pq.read_schema(file)
            opened = pq.ParquetFile(file, read_dictionary=list(coded))
        except (pa.ArrowException, OSError) as exc:
            raise _damaged(path) from exc
        _refuse_others(path, found, schema)
        yield opened


def _refuse_others(path: Path, found: pa.Schema, schema: pa.Schema) -> None:
    version = (found.metadata or {}).get(b"schema_version", b"none").decode()
    if version != str(SCHEMA_VERSION):
        raise RunFolderError(
            str(path), f"schema version {version}, this program reads {SCHEMA_VERSION}: {_AGAIN}"
        )
    columns = [field for field in schema if field.name != PHONE]
    if list(found) != columns:
        wrong = {field.name for field in set(found) ^ set(columns)}
        raise RunFolderError(
            str(path), f"columns are not as the format says ({', '.join(sorted(wrong))}): {_AGAIN}"
        )


def _damaged(path: Path) -> RunDamagedError:
    return RunDamagedError(str(path), f"damaged: {_AGAIN}")
