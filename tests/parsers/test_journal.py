"""Journals give back what was put in, and cut anywhere, a prefix of it."""

import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.errors import JournalDamagedError
from parsers.journal import MAGIC, MAX_PAYLOAD_BYTES, RecordKind, frame, read_journal, records_of

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


def record(number: int, payload: bytes, kind: RecordKind = RecordKind.BLOCK) -> bytes:
    return frame(kind, number, START + timedelta(seconds=number), 100.0 + number, payload)


def write(path: Path, *frames: bytes) -> Path:
    path.write_bytes(MAGIC + b"".join(frames))
    return path


@given(payloads=st.lists(st.binary(max_size=500), max_size=8))
def test_what_goes_in_comes_out(
    tmp_path_factory: pytest.TempPathFactory, payloads: list[bytes]
) -> None:
    path = tmp_path_factory.mktemp("j") / "a.journal"
    journal = read_journal(write(path, *(record(n, p) for n, p in enumerate(payloads))))
    assert [r.payload for r in journal.records] == payloads
    assert [r.number for r in journal.records] == list(range(len(payloads)))
    assert [r.host_s for r in journal.records] == [100.0 + n for n in range(len(payloads))]
    assert all(r.host_utc == START + timedelta(seconds=r.number) for r in journal.records)
    assert journal.damage == []
    assert journal.good_bytes == path.stat().st_size


def test_cut_at_any_byte_it_yields_a_prefix(tmp_path: Path) -> None:
    payloads = [b"first", b"RJ looks like a record" * 3, b"", b"last"]
    whole = write(tmp_path / "a.journal", *(record(n, p) for n, p in enumerate(payloads)))
    data = whole.read_bytes()
    lengths = []
    for cut in range(len(data) + 1):
        path = tmp_path / "cut.journal"
        path.write_bytes(data[:cut])
        journal = read_journal(path)
        got = [r.payload for r in journal.records]
        assert got == payloads[: len(got)]
        assert bool(journal.damage) == (0 < cut != journal.good_bytes or 0 < cut < len(MAGIC))
        lengths.append(len(got))
    assert lengths == sorted(lengths)
    assert lengths[-1] == len(payloads)


def test_a_damaged_byte_costs_only_its_record(tmp_path: Path) -> None:
    frames = [record(n, f"payload {n}".encode() * 5) for n in range(4)]
    whole = MAGIC + b"".join(frames)
    start = len(MAGIC) + len(frames[0])
    for at in range(start, start + len(frames[1])):
        path = tmp_path / "bad.journal"
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
        journal = read_journal(path)
        assert [r.number for r in journal.records] == [0, 2, 3], at
        assert len(journal.damage) == 1


def test_a_file_that_is_no_journal_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.journal"
    path.write_bytes(b"PAR1 something else")
    with pytest.raises(JournalDamagedError) as caught:
        read_journal(path)
    assert caught.value.offset_bytes == 0
    assert caught.value.path == str(path)


def test_a_wrong_kind_with_a_right_checksum_is_damage(tmp_path: Path) -> None:
    good = record(1, b"good")
    bad = bytearray(record(0, b"bad"))
    bad[2] = 99
    header_length = len(bad) - 4 - int.from_bytes(bad[4:8], "little")
    stored = bytes(bad[header_length + 4 :])
    crc = zlib.crc32(stored, zlib.crc32(bytes(bad[:header_length])))
    bad[header_length : header_length + 4] = crc.to_bytes(4, "little")
    journal = read_journal(write(tmp_path / "k.journal", bytes(bad), good))
    assert [r.payload for r in journal.records] == [b"good"]
    assert len(journal.damage) == 1


def test_records_of_one_kind(tmp_path: Path) -> None:
    path = write(tmp_path / "a.journal", record(0, b"{}", RecordKind.EVENT), record(1, b"block"))
    assert [r.payload for r in records_of(path, RecordKind.BLOCK)] == [b"block"]
    assert [r.payload for r in records_of(path, RecordKind.EVENT)] == [b"{}"]


def test_too_long_a_payload_is_refused() -> None:
    with pytest.raises(ValueError, match="at most"):
        frame(RecordKind.BLOCK, 0, START, 0.0, bytes(MAX_PAYLOAD_BYTES + 1))
