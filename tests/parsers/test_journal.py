"""Journals give back what was put in, and cut anywhere, a prefix of it."""

import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.errors import JournalDamagedError
from parsers.journal import MAGIC, MAX_PAYLOAD_BYTES, Framer, RecordKind, read_journal, records_of

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


def framed(*payloads: bytes, kind: RecordKind = RecordKind.BLOCK) -> list[bytes]:
    """Stored records, a sample that one needs in front of it."""
    framer = Framer()
    return [
        framer.frame(kind, START + timedelta(seconds=n), 100.0 + n, payload)
        for n, payload in enumerate(payloads)
    ]


def write(path: Path, *frames: bytes) -> Path:
    path.write_bytes(MAGIC + b"".join(frames))
    return path


@given(payloads=st.lists(st.binary(max_size=500), max_size=8))
def test_what_goes_in_comes_out(
    tmp_path_factory: pytest.TempPathFactory, payloads: list[bytes]
) -> None:
    path = tmp_path_factory.mktemp("j") / "a.journal"
    journal = read_journal(write(path, *framed(*payloads)))
    assert [r.payload for r in journal.records] == payloads
    numbers = [r.number for r in journal.records]
    assert numbers == sorted(set(numbers))
    assert [r.host_s for r in journal.records] == [100.0 + n for n in range(len(payloads))]
    assert [r.host_utc for r in journal.records] == [
        START + timedelta(seconds=n) for n in range(len(payloads))
    ]
    assert journal.damage == []
    assert journal.good_bytes == path.stat().st_size


def test_cut_at_any_byte_it_yields_a_prefix(tmp_path: Path) -> None:
    payloads = [b"first", b"RJ looks like a record" * 3, b"", b"last"]
    whole = write(tmp_path / "a.journal", *framed(*payloads))
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


def tick(n: int) -> bytes:
    return (
        f"@begin {n} 0a1b2c3d {5000 + n}.12\n@part uevent 99\nPOWER_SUPPLY_NAME=battery\n"
        f"POWER_SUPPLY_VOLTAGE_NOW={4_350_000 - 117 * n}\n@end {n} {5000 + n}.13 - {n}\n"
    ).encode()


def test_a_damaged_byte_costs_only_its_record(tmp_path: Path) -> None:
    payloads = [tick(n) for n in range(40)]
    whole = MAGIC + b"".join(framed(*payloads))
    for at in range(len(MAGIC), len(whole)):
        path = tmp_path / "bad.journal"
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
        journal = read_journal(path)
        got = [r.payload for r in journal.records]
        assert len(got) >= len(payloads) - 1, at
        assert set(got) <= set(payloads), at
        assert journal.damage, at


def test_without_either_copy_of_its_sample_a_record_is_lost_and_said(tmp_path: Path) -> None:
    frames = framed(*(tick(n) for n in range(20)))
    # Both copies stand in front of a block, in the same piece: cut them out.
    plain = [
        piece[len(piece) - 100 :] if n in (0, 16) else piece for n, piece in enumerate(frames)
    ]
    journal = read_journal(write(tmp_path / "a.journal", *plain))
    assert journal.records == []
    assert "20 records whose sample is damaged" in journal.damage


def test_a_block_like_the_one_before_takes_little_room() -> None:
    frames = framed(*(tick(n) for n in range(200)))
    assert sum(map(len, frames[100:])) / 100 < 75


def test_a_file_that_is_no_journal_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.journal"
    path.write_bytes(b"PAR1 something else")
    with pytest.raises(JournalDamagedError) as caught:
        read_journal(path)
    assert caught.value.offset_bytes == 0
    assert caught.value.path == str(path)


def test_a_wrong_kind_with_a_right_checksum_is_damage(tmp_path: Path) -> None:
    bad_piece, good = framed(b"bad", b"good", kind=RecordKind.EVENT)
    bad = bytearray(bad_piece)
    bad[2] = 99
    header_length = len(bad) - 4 - int.from_bytes(bad[4:8], "little")
    stored = bytes(bad[header_length + 4 :])
    crc = zlib.crc32(stored, zlib.crc32(bytes(bad[:header_length])))
    bad[header_length : header_length + 4] = crc.to_bytes(4, "little")
    journal = read_journal(write(tmp_path / "k.journal", bytes(bad), good))
    assert [r.payload for r in journal.records] == [b"good"]
    assert len(journal.damage) == 1


def test_records_of_one_kind(tmp_path: Path) -> None:
    framer = Framer()
    path = write(
        tmp_path / "a.journal",
        framer.frame(RecordKind.EVENT, START, 0.0, b"{}"),
        framer.frame(RecordKind.BLOCK, START, 0.0, b"block"),
    )
    assert [r.payload for r in records_of(path, RecordKind.BLOCK)] == [b"block"]
    assert [r.payload for r in records_of(path, RecordKind.EVENT)] == [b"{}"]


def test_too_long_a_payload_is_refused() -> None:
    with pytest.raises(ValueError, match="at most"):
        Framer().frame(RecordKind.BLOCK, START, 0.0, bytes(MAX_PAYLOAD_BYTES + 1))
