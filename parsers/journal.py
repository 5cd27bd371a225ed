"""The journal: one append-only, check-summed file per phone, the truth of a run.

Layout, little-endian: the file begins with `MAGIC`; each record is a 28-byte header (mark `RJ`,
kind, packing, payload length, record number, host UTC in µs, host monotonic in µs), the CRC-32 of
header and stored payload, and the payload, deflated by itself. A phone says almost the same at
every tick, so blocks are deflated against a sample: an earlier block, kept in a record of its own
and named in front of the payload by its CRC-32. Each sample is written twice, some records apart:
damage in the middle of the file costs only the records it touches.
"""

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from pathlib import Path

from parsers.errors import JournalDamagedError

MAGIC = b"RUNDOWN-JOURNAL 1\n"
MAX_PAYLOAD_BYTES = 4 * 1024 * 1024
DICTIONARY = (
    b"  Max charging current: 0\n  Max charging voltage: 0\n  Charge counter: \n  status: 3\n"
    b"  health: 2\n  present: true\n  level: \n  scale: 100\n  voltage: \n  temperature: \n"
    b"  technology: Li-ion\n@part battery \nCurrent Battery Service state:\n  AC powered: false\n"
    b"  USB powered: false\n  Wireless powered: false\n  Dock powered: false\n"
    b"@part power \n  mWakefulness=Awake\n  mLastUserActivityTime= ms ago)\n"
    b"Display Power: state=ON\n@part foreground \n  topResumedActivity=ActivityRecord{ u0 \n"
    b"@part property_1 \n@part property_2 \nResult: Parcel(\n  0x00000000: 00000000 00000000 "
    b"00000001 '................'\n  0x00000010: ffffffff                            "
    b"'....            ')\n@begin \n@part uevent \nPOWER_SUPPLY_NAME=battery\n"
    b"POWER_SUPPLY_STATUS=Discharging\nPOWER_SUPPLY_HEALTH=Good\nPOWER_SUPPLY_PRESENT=1\n"
    b"POWER_SUPPLY_CAPACITY=\nPOWER_SUPPLY_VOLTAGE_NOW=\nPOWER_SUPPLY_CURRENT_NOW=-\n"
    b"POWER_SUPPLY_TEMP=\nPOWER_SUPPLY_CHARGE_COUNTER=\n@end "
)
_HEADER = struct.Struct("<2sBBIIqq")
_CRC = struct.Struct("<I")
_MARK = b"RJ"
_PLAIN, _SAMPLED = 1, 2
"""How a payload is deflated: against `DICTIONARY` alone, or with a sample behind it."""
_RENEW_AFTER_RECORDS = 256
_REPEAT_AFTER_RECORDS = 16
_WINDOW_BYTES = 32768
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class RecordKind(IntEnum):
    """What a record's payload is."""

    BLOCK = 1
    """Bytes of one framed block, as the phone sent them."""
    EVENT = 2
    """UTF-8 JSON object: what the collector did or noticed, with a `what` key."""
    SAMPLE = 3
    """A block that others are deflated against; not one that was received."""


_KINDS = frozenset(RecordKind)


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One journal record.

    Attributes:
        kind: block or event.
        number: from 0, rising within a file; samples take numbers too.
        host_utc: wall clock when the payload had arrived.
        host_s: monotonic clock then.
        payload: the bytes, inflated.
    """

    kind: RecordKind
    number: int
    host_utc: datetime
    host_s: float
    payload: bytes


@dataclass(slots=True)
class Journal:
    """All good records of a journal file and what was wrong with the rest.

    Attributes:
        records: in file order.
        good_bytes: length of the file up to the end of the last good record.
        damage: one sentence per damaged place; empty for a whole file.
    """

    records: list[Record] = field(default_factory=list)
    good_bytes: int = 0
    damage: list[str] = field(default_factory=list)


class Framer:
    """Turns what one phone says into stored records, numbered in order.

    Args:
        first_number: of the next record.
    """

    def __init__(self, first_number: int = 0) -> None:
        self._number = first_number
        self._sample = b""
        self._n_since = _RENEW_AFTER_RECORDS

    def frame(self, kind: RecordKind, host_utc: datetime, host_s: float, payload: bytes) -> bytes:
        """The record as it is stored; a sample that it needs goes before it.

        Raises:
            ValueError: if the payload is longer than `MAX_PAYLOAD_BYTES`.
        """
        if len(payload) > MAX_PAYLOAD_BYTES:
            raise ValueError(
                f"payload of {len(payload)} bytes: at most {MAX_PAYLOAD_BYTES} fit a record"
            )
        if kind is not RecordKind.BLOCK:
            return self._record(kind, host_utc, host_s, payload)
        sample = b""
        # Only a block with much in it is worth being compared with.
        if self._n_since >= _RENEW_AFTER_RECORDS and 2 * len(payload) >= len(self._sample):
            self._sample, self._n_since = payload, 0
        if self._n_since in (0, _REPEAT_AFTER_RECORDS):
            sample = self._record(RecordKind.SAMPLE, host_utc, host_s, self._sample)
        self._n_since += 1
        return sample + self._record(kind, host_utc, host_s, payload, self._sample)

    def _record(
        self,
        kind: RecordKind,
        host_utc: datetime,
        host_s: float,
        payload: bytes,
        sample: bytes = b"",
    ) -> bytes:
        deflater = zlib.compressobj(6, zlib.DEFLATED, -15, 9, zdict=_dictionary(sample))
        stored = deflater.compress(payload) + deflater.flush()
        if sample:
            stored = _CRC.pack(zlib.crc32(sample)) + stored
        times = _us(host_utc - _EPOCH), round(host_s * 1e6)
        packing = _SAMPLED if sample else _PLAIN
        header = _HEADER.pack(_MARK, kind, packing, len(stored), self._number, *times)
        self._number += 1
        return header + _CRC.pack(zlib.crc32(stored, zlib.crc32(header))) + stored


def read_journal(path: Path) -> Journal:
    """Every good record of a journal, past any damage.

    A torn tail (the writer was killed) and damaged bytes in the middle are named in `damage`;
    reading goes on at the next record whose checksum holds.

    Raises:
        JournalDamagedError: if the file does not begin like a journal.
        OSError: if it cannot be read.
    """
    data = path.read_bytes()
    if not data.startswith(MAGIC):
        if MAGIC.startswith(data):
            return Journal(damage=[] if not data else ["the file ends inside its first line"])
        raise JournalDamagedError(str(path), 0, "this is not a rundown journal")
    journal = Journal(good_bytes=len(MAGIC))
    found: list[_Stored] = []
    position = len(MAGIC)
    while position < len(data):
        stored = _record_at(data, position)
        if stored is not None:
            found.append(stored)
            journal.good_bytes = position = stored.end
            continue
        resumed = _next_good(data, position + 1)
        if resumed is None:
            journal.damage.append(f"torn tail of {len(data) - position} bytes at byte {position}")
            break
        journal.damage.append(f"{resumed - position} damaged bytes at byte {position}")
        position = resumed
    _unpack(found, journal)
    return journal


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stored:
    """A record whose checksum holds, still packed."""

    kind: int
    packing: int
    number: int
    utc_us: int
    mono_us: int
    packed: bytes
    end: int


def _record_at(data: bytes, position: int) -> _Stored | None:
    start = position + _HEADER.size + _CRC.size
    if start > len(data):
        return None
    mark, kind, packing, length, number, utc_us, mono_us = _HEADER.unpack_from(data, position)
    end = start + length
    known = mark == _MARK and packing in (_PLAIN, _SAMPLED) and kind in _KINDS
    if not known or length > MAX_PAYLOAD_BYTES or end > len(data):
        return None
    packed = data[start:end]
    (crc,) = _CRC.unpack_from(data, position + _HEADER.size)
    if crc != zlib.crc32(packed, zlib.crc32(data[position : position + _HEADER.size])):
        return None
    return _Stored(
        kind=kind,
        packing=packing,
        number=number,
        utc_us=utc_us,
        mono_us=mono_us,
        packed=packed,
        end=end,
    )


def _unpack(found: list[_Stored], journal: Journal) -> None:
    """Fills in the records; samples first, as a copy may stand behind the records it serves."""
    samples: dict[int, bytes] = {}
    for stored in found:
        if stored.kind == RecordKind.SAMPLE and (sample := _inflated(stored, {})) is not None:
            samples[zlib.crc32(sample)] = sample
    n_lost = 0
    for stored in found:
        if stored.kind == RecordKind.SAMPLE:
            continue
        payload = _inflated(stored, samples)
        if payload is None:
            n_lost += 1
            continue
        journal.records.append(
            Record(
                kind=RecordKind(stored.kind),
                number=stored.number,
                host_utc=_EPOCH + timedelta(microseconds=stored.utc_us),
                host_s=stored.mono_us / 1e6,
                payload=payload,
            )
        )
    if n_lost:
        journal.damage.append(f"{n_lost} records whose sample is damaged")


def _inflated(stored: _Stored, samples: dict[int, bytes]) -> bytes | None:
    sample: bytes | None = b""
    packed = stored.packed
    if stored.packing == _SAMPLED:
        sample = samples.get(int.from_bytes(packed[: _CRC.size], "little"))
        packed = packed[_CRC.size :]
    if sample is None:
        return None
    inflater = zlib.decompressobj(-15, zdict=_dictionary(sample))
    try:
        return inflater.decompress(packed, MAX_PAYLOAD_BYTES)
    except zlib.error:
        return None


def _dictionary(sample: bytes) -> bytes:
    return (DICTIONARY + sample)[-_WINDOW_BYTES:]


def _next_good(data: bytes, position: int) -> int | None:
    while (position := data.find(_MARK, position)) != -1:
        if _record_at(data, position) is not None:
            return position
        position += 1
    return None


def _us(span: timedelta) -> int:
    return span // timedelta(microseconds=1)


def records_of(path: Path, kind: RecordKind) -> Iterator[Record]:
    """The good records of one kind, in file order."""
    return (record for record in read_journal(path).records if record.kind is kind)
