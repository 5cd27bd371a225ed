"""Tables: what is written is read back, by us and by every common reader, and files stay small."""

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

from parsers.errors import RunFolderError
from parsers.schema import ContextChange, RailEnergy, Reading, arrow_schema
from parsers.tables import read_metadata, read_phone, read_table, write_table

START_UTC = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
PHONES = ("alder-1", "birch-2")


def readings(phone: str, n: int = 40) -> Iterator[Reading]:
    """A phone polled at 1 Hz: live gauge in 0.15625 mA, jitter of link and loop."""
    rng = random.Random(phone)
    counter_uah, current_ma = 4_052_000.0, -450.0
    for seq in range(n):
        if rng.random() < 0.05:
            current_ma = -rng.uniform(150, 900)
        seen_ma = round((current_ma + rng.gauss(0, 60)) / 0.15625) * 0.15625
        counter_uah += seen_ma / 3.6
        boot_s = round(5023.17 + seq + rng.choice((0.02, 0.03)), 2)
        arrived_s = boot_s + 0.004 + rng.expovariate(300)
        slow = seq % 10 == 0
        yield Reading(
            phone=phone,
            boot_id="1a2b3c4d",
            seq=seq,
            host_utc=START_UTC + timedelta(microseconds=round(arrived_s * 1e6)),
            host_s=round(91_234.56 + arrived_s, 6),
            boot_s=boot_s,
            phone_utc=START_UTC
            + timedelta(microseconds=round((boot_s + rng.random() / 250) * 1e6)),
            awake_s=round(boot_s - 100, 3) if slow else None,
            level_pct=float(100 - seq // 300),
            voltage_mv=round((4400 - seq / 32 + seen_ma * 0.07) / 0.078125) * 0.078125,
            current_ma=seen_ma,
            current_raw=round(seen_ma * 1000),
            charge_counter_mah=counter_uah // 10 / 100,
            charge_counter_raw=int(counter_uah // 10 * 10),
            temperature_c=round(28 + seq / 9600, 1),
            status="discharging",
            health="good",
            plugged=False if slow else None,
            source="uevent+battery" if slow else "uevent",
        )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A table of two phones."""
    for phone in PHONES:
        write_table(tmp_path, "readings", phone, readings(phone), {"gauge": f"of {phone}"})
    return tmp_path / "readings"


def test_where_a_file_lies(tmp_path: Path) -> None:
    path = write_table(tmp_path, "readings", "alder-1", readings("alder-1"), {})
    assert path == tmp_path / "readings" / "phone=alder-1" / "part-0.parquet"
    assert [p.name for p in path.parent.iterdir()] == ["part-0.parquet"]


def test_what_is_written_is_read(folder: Path) -> None:
    table = read_table(folder)
    assert table.schema.equals(arrow_schema(Reading), check_metadata=True)
    expected = [row for phone in PHONES for row in readings(phone)]
    for got, row in zip(table.to_pylist(), expected, strict=True):
        assert round(got.pop("host_s"), 6) == row.host_s
        assert round(got.pop("charge_counter_mah"), 4) == row.charge_counter_mah
        assert got == {name: getattr(row, name) for name in got}


def test_texts_that_repeat_may_come_as_numbers_into_a_dictionary(folder: Path) -> None:
    plain, coded = (
        read_phone(folder, PHONES[0], ("boot_id", "seq"), coded)["boot_id"]
        for coded in ((), ("boot_id",))
    )
    assert pa.types.is_dictionary(coded.type)
    assert not pa.types.is_dictionary(plain.type)
    assert coded.to_pylist() == plain.to_pylist()
    assert read_phone(folder, "no-such-phone", ("boot_id",), ("boot_id",)).num_rows == 0


def test_metadata_is_kept_by_phone(folder: Path) -> None:
    assert read_metadata(folder) == {phone: {"gauge": f"of {phone}"} for phone in PHONES}


@pytest.mark.parametrize(
    ("table", "row"),
    [
        (
            "context",
            ContextChange(
                phone="alder-1", host_utc=START_UTC, boot_s=5.25, name="screen", value="on"
            ),
        ),
        ("rails", RailEnergy(phone="alder-1", boot_s=5.25, rail="INVENTED", energy_mwh=1.5)),
    ],
)
def test_other_tables(tmp_path: Path, table: str, row: ContextChange | RailEnergy) -> None:
    write_table(tmp_path, table, "alder-1", [row], {})
    (got,) = read_table(tmp_path / table).to_pylist()
    assert got == {name: getattr(row, name) for name in got}


def test_an_empty_table_keeps_its_columns(tmp_path: Path) -> None:
    write_table(tmp_path, "context", "alder-1", [], {})
    assert read_table(tmp_path / "context").num_rows == 0
    (tmp_path / "rails").mkdir()
    assert read_table(tmp_path / "rails").schema == arrow_schema(RailEnergy)


def test_all_readers_see_the_same_phones(folder: Path) -> None:
    counts = dict.fromkeys(PHONES, 40)
    assert read_table(folder)["phone"].value_counts().to_pylist() == [
        {"values": phone, "counts": 40} for phone in PHONES
    ]
    assert pd.read_parquet(folder)["phone"].astype(str).value_counts().to_dict() == counts
    dataset = ds.dataset(folder, partitioning="hive").to_table().to_pandas()
    assert dataset["phone"].value_counts().to_dict() == counts
    pattern = f"{folder.parent}/**/*.parquet"
    query = "select phone, count(*) from read_parquet(?, hive_partitioning=true) group by phone"
    with duckdb.connect() as connection:
        assert dict(connection.execute(query, [pattern]).fetchall()) == counts


def test_a_recording_takes_at_most_sixteen_bytes_a_reading(tmp_path: Path) -> None:
    n = 8 * 3600
    path = write_table(tmp_path, "readings", "alder-1", readings("alder-1", n), {})
    assert path.stat().st_size / n <= 16.0


def test_writing_again_replaces(folder: Path) -> None:
    write_table(folder.parent, "readings", "alder-1", readings("alder-1", 3), {})
    assert read_table(folder).num_rows == 43


def test_same_rows_same_bytes(tmp_path: Path) -> None:
    a = write_table(tmp_path / "a", "readings", "alder-1", readings("alder-1"), {"x": "y"})
    b = write_table(tmp_path / "b", "readings", "alder-1", readings("alder-1"), {"x": "y"})
    assert a.read_bytes() == b.read_bytes()


def test_a_leftover_of_a_crash_is_not_read(folder: Path) -> None:
    whole = folder / "phone=alder-1" / "part-0.parquet"
    whole.with_name(".part-0.parquet.99.new").write_bytes(whole.read_bytes()[:100])
    assert len(pd.read_parquet(folder)) == read_table(folder).num_rows == 80


def test_rows_of_another_phone_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="rows of birch-2 in the table of alder-1"):
        write_table(tmp_path, "readings", "alder-1", readings("birch-2"), {})


def test_a_folder_that_is_no_table_is_refused(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "readings"):
        with pytest.raises(RunFolderError, match="not a table of a run") as caught:
            read_table(folder)
        assert caught.value.path == str(folder)


def test_another_version_is_refused(folder: Path) -> None:
    path = folder / "phone=alder-1" / "part-0.parquet"
    table = pq.ParquetFile(path).read()
    pq.write_table(table.replace_schema_metadata({"schema_version": "99"}), path)
    with pytest.raises(RunFolderError, match="schema version 99") as caught:
        read_table(folder)
    assert caught.value.path == str(path)
    pq.write_table(table.replace_schema_metadata(None), path)
    with pytest.raises(RunFolderError, match="schema version none"):
        read_metadata(folder)


def test_other_columns_are_refused(folder: Path) -> None:
    path = folder / "phone=birch-2" / "part-0.parquet"
    table = pq.ParquetFile(path).read()
    volts = pa.chunked_array([table["voltage_mv"].cast(pa.float64())])
    changed = table.set_column(table.schema.get_field_index("voltage_mv"), "voltage_mv", volts)
    pq.write_table(changed, path)
    with pytest.raises(RunFolderError, match="voltage_mv"):
        read_table(folder)


@pytest.mark.parametrize("where", [0.05, 0.5, 0.99])
def test_damage_is_named(folder: Path, where: float) -> None:
    path = folder / "phone=alder-1" / "part-0.parquet"
    data = bytearray(path.read_bytes())
    at = int(len(data) * where)
    path.write_bytes(data[:at])
    with pytest.raises(RunFolderError, match="damaged") as caught:
        read_table(folder)
    assert caught.value.path == str(path)


def test_flipped_bytes_are_named(folder: Path) -> None:
    path = folder / "phone=alder-1" / "part-0.parquet"
    data = bytearray(path.read_bytes())
    for at in range(60, len(data) // 3, 3):
        data[at] ^= 0xFF
    path.write_bytes(data)
    with pytest.raises(RunFolderError, match="damaged"):
        read_table(folder)


def test_a_file_that_cannot_be_opened_is_the_systems_error(folder: Path) -> None:
    path = folder / "phone=alder-1" / "part-0.parquet"
    path.unlink()
    path.mkdir()
    with pytest.raises((IsADirectoryError, PermissionError)):
        read_table(folder)
