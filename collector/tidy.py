"""Rebuilds a run's tables and what the manifest derives from them; the journals stay untouched."""

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from parsers.gauge import GaugeDecision, GaugeSamples, decide
from parsers.tables import write_table

from parsers.assemble import Assembler
from parsers.blocks import parse_block
from parsers.journal import Journal, RecordKind, read_journal
from parsers.runfolder import GaugeFacts, PhoneEnd, PhoneEntry, RunFolder, replace_file
from parsers.schema import ContextChange, Reading
from parsers.text import printable


@dataclass(frozen=True, slots=True, kw_only=True)
class Tidied:
    """What became of one phone's journal.

    Attributes:
        phone: label.
        n_readings: rows of its readings table.
        n_unread: lines no parser understood.
        damage: one sentence per damaged place of the journal.
        gauge: meaning of the raw integers.
        end: how the recording ended; None if the journal does not say (it was interrupted).
    """

    phone: str
    n_readings: int
    n_unread: int
    damage: tuple[str, ...]
    gauge: GaugeFacts
    end: PhoneEnd | None


def tidy(folder: RunFolder) -> list[Tidied]:
    """Rebuilds the tables of all phones: same journals in, same tables out.

    Raises:
        RunFolderError: if the folder is not a run.
        JournalDamagedError: if a journal is not one.
        OSError: if the tables cannot be written.
    """
    manifest = folder.read_manifest()
    done = []
    entries = []
    unread: dict[str, Counter[tuple[str, str]]] = {}
    for entry in manifest.phones:
        tidied, unread[entry.label] = _tidy_phone(folder, entry)
        done.append(tidied)
        entries.append(
            entry.model_copy(
                update={
                    "gauge": tidied.gauge,
                    "n_unread": tidied.n_unread,
                    "end": entry.end or tidied.end,
                }
            )
        )
    _write_unread(folder.tables / "unread.jsonl", unread)
    folder.write_manifest(manifest.model_copy(update={"phones": tuple(entries)}))
    return done


def _tidy_phone(folder: RunFolder, entry: PhoneEntry) -> tuple[Tidied, Counter[tuple[str, str]]]:
    path = folder.journal_path(entry.label)
    journal = read_journal(path) if path.exists() else Journal(damage=["the journal is missing"])
    assembler = Assembler(entry.label)
    readings, changes = _rows(journal, assembler)
    decision = _decide(readings, entry.capacity_mah)
    gauge = GaugeFacts(
        current_unit=decision.current_unit,
        current_sign=decision.current_sign,
        counter_unit=decision.counter_unit,
        counter=decision.counter,
        why=decision.why,
        confidence=decision.confidence,
    )
    write_table(
        folder.tables,
        "readings",
        entry.label,
        _converted(readings, decision),
        {"gauge": gauge.model_dump_json()},
    )
    write_table(folder.tables, "context", entry.label, changes, {})
    tidied = Tidied(
        phone=entry.label,
        n_readings=len(readings),
        n_unread=assembler.unread.total(),
        damage=tuple(journal.damage),
        gauge=gauge,
        end=_end(journal),
    )
    return tidied, assembler.unread


def _rows(journal: Journal, assembler: Assembler) -> tuple[list[Reading], list[ContextChange]]:
    readings: list[Reading] = []
    changes: list[ContextChange] = []
    seen: set[tuple[str, int]] = set()
    for record in journal.records:
        if record.kind is not RecordKind.BLOCK:
            continue
        block = parse_block(record.payload)
        if block is None or (block.boot_id, block.seq) in seen:
            continue
        seen.add((block.boot_id, block.seq))
        tick = assembler.feed(block, record.host_utc, record.host_s)
        readings.append(tick.reading)
        changes.extend(tick.changes)
    return readings, changes


def _decide(readings: list[Reading], capacity_mah: float | None) -> GaugeDecision:
    return decide(GaugeSamples.from_readings(readings, capacity_mah))


def _converted(readings: Iterable[Reading], decision: GaugeDecision) -> list[Reading]:
    plugged: bool | None = None
    converted = []
    for reading in readings:
        plugged = plugged if reading.plugged is None else reading.plugged
        converted.append(
            replace(
                reading,
                current_ma=decision.current_ma(reading.current_raw, plugged),
                charge_counter_mah=decision.counter_mah(reading.charge_counter_raw),
            )
        )
    return converted


def _end(journal: Journal) -> PhoneEnd | None:
    for record in reversed(journal.records):
        if record.kind is RecordKind.EVENT:
            facts = json.loads(record.payload)
            if facts.pop("what") == "end":
                return PhoneEnd.model_validate(facts)
    return None


def _write_unread(path: Path, unread: dict[str, Counter[tuple[str, str]]]) -> None:
    lines = [
        json.dumps({"phone": phone, "part": part, "text": printable(text, 200), "n_seen": n_seen})
        for phone, counts in unread.items()
        for (part, text), n_seen in sorted(counts.items())
    ]
    replace_file(path, "".join(f"{line}\n" for line in lines).encode())
