"""Rebuilds a run's tables and what the manifest derives from them; the journals stay untouched."""

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from collector.recording.merge import Merged, facts_of, merge
from parsers.assemble import Assembler
from parsers.errors import RunFolderError
from parsers.gauge import GaugeDecision, GaugeSamples, decide, parse_override
from parsers.journal import Journal, RecordKind, read_journal
from parsers.runfolder import (
    ClockAnchor,
    GaugeFacts,
    Missing,
    PhoneEnd,
    PhoneEntry,
    RunFolder,
    replace_file,
)
from parsers.schema import ContextChange, Reading
from parsers.tables import count_rows, write_table
from parsers.text import printable

_AUTO = "auto"


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
        clocks: the phone's clock against the computer's.
        missing: what the phone numbered and the tables lack.
    """

    phone: str
    n_readings: int
    n_unread: int
    damage: tuple[str, ...]
    gauge: GaugeFacts
    end: PhoneEnd | None
    clocks: tuple[ClockAnchor, ...]
    missing: tuple[Missing, ...]


def tidy(folder: RunFolder, stated: Mapping[str, str] | None = None) -> list[Tidied]:
    """Rebuilds the tables of all phones: same journals in, same tables out.

    A phone whose journal is missing keeps the tables it has: nothing else holds its readings.

    Args:
        folder: the run.
        stated: by label, what the user states of a phone's gauge from now on, in the words of
            `parse_override`; `auto` takes back what was stated before.

    Raises:
        ValueError: if a label is not of this run, or a word says nothing of a gauge.
        RunFolderError: if the folder is not a run.
        JournalDamagedError: if a journal is not one.
        OSError: if the tables cannot be written.
    """
    manifest = folder.read_manifest()
    if manifest.imported_from is not None:
        raise RunFolderError(
            str(folder.path),
            f"was made of {printable(manifest.imported_from)} and has no journals to rebuild its "
            "tables from; import that log again",
        )
    done = []
    entries = []
    unread: dict[str, Counter[tuple[str, str]]] = {}
    for entry in _with_stated(manifest.phones, stated or {}):
        if not folder.journal_path(entry.label).exists():
            done.append(_left_alone(folder, entry))
            entries.append(entry)
            continue
        tidied, unread[entry.label] = _tidy_phone(folder, entry)
        done.append(tidied)
        entries.append(
            entry.model_copy(
                update={
                    "gauge": tidied.gauge,
                    "n_unread": tidied.n_unread,
                    "end": entry.end or tidied.end,
                    "clocks": tidied.clocks,
                    "missing": tidied.missing,
                }
            )
        )
    _write_unread(folder.tables / "unread.jsonl", unread)
    folder.write_manifest(manifest.model_copy(update={"phones": tuple(entries)}))
    return done


def _left_alone(folder: RunFolder, entry: PhoneEntry) -> Tidied:
    path = folder.journal_path(entry.label).relative_to(folder.path)
    return Tidied(
        phone=entry.label,
        n_readings=count_rows(folder.tables / "readings", entry.label),
        n_unread=entry.n_unread,
        damage=(f"{path} is missing, its tables stay as they are; restore it from a copy",),
        gauge=entry.gauge or GaugeFacts(),
        end=entry.end,
        clocks=entry.clocks,
        missing=entry.missing,
    )


def _tidy_phone(folder: RunFolder, entry: PhoneEntry) -> tuple[Tidied, Counter[tuple[str, str]]]:
    journal = read_journal(folder.journal_path(entry.label))
    assembler = Assembler(entry.label)
    merged = merge(journal)
    readings, changes = _rows(merged, assembler)
    samples = GaugeSamples.from_readings(readings, entry.capacity_mah, changes)
    decision = decide(samples, parse_override(entry.gauge_stated))
    gauge = GaugeFacts(
        current_unit=decision.current_unit,
        current_sign=decision.current_sign,
        counter_unit=decision.counter_unit,
        counter=decision.counter,
        scale=decision.scale,
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
        clocks=merged.clocks,
        missing=merged.missing,
    )
    return tidied, assembler.unread


def _with_stated(phones: Iterable[PhoneEntry], stated: Mapping[str, str]) -> list[PhoneEntry]:
    entries = {entry.label: entry for entry in phones}
    for label, words in stated.items():
        if label not in entries:
            raise ValueError(f"no phone {label!r} in this run; it has {', '.join(entries)}")
        kept = "" if words == _AUTO else words
        parse_override(kept)
        entries[label] = entries[label].model_copy(update={"gauge_stated": kept})
    return list(entries.values())


def _rows(merged: Merged, assembler: Assembler) -> tuple[list[Reading], list[ContextChange]]:
    readings: list[Reading] = []
    changes: list[ContextChange] = []
    for taken in merged.taken:
        tick = assembler.feed(taken.block, taken.host_utc, taken.host_s)
        readings.append(tick.reading)
        changes.extend(tick.changes)
    return readings, changes


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
            facts = facts_of(record)
            if facts.pop("what", None) == "end":
                return PhoneEnd.model_validate(facts)
    return None


def _write_unread(path: Path, unread: dict[str, Counter[tuple[str, str]]]) -> None:
    """Replaces the lines of the phones given; those of phones left alone stay."""
    before = path.read_text("utf-8").splitlines() if path.exists() else []
    kept = [line for line in before if json.loads(line)["phone"] not in unread]
    lines = kept + [
        json.dumps({"phone": phone, "part": part, "text": printable(text, 200), "n_seen": n_seen})
        for phone, counts in unread.items()
        for (part, text), n_seen in sorted(counts.items())
    ]
    replace_file(path, "".join(f"{line}\n" for line in lines).encode())
