"""A log recorded by other means becomes a run that every command on runs accepts."""

import hashlib
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from analysis.errors import LogError
from analysis.estimation.profile import Floats
from analysis.estimators import ESTIMATORS
from analysis.logs.file import CURRENTS, GAUGE, TIMES, VOLTAGES, Log, read_log, seconds
from analysis.logs.gauge import gauge_of, known
from analysis.logs.segments import LogClock, read_segments
from analysis.readings.run import load
from parsers.runfolder import Clocks, Manifest, PhoneEnd, PhoneEntry, RunFolder, checked_label
from parsers.schema import Reading
from parsers.tables import write_table
from parsers.text import printable

ONLY_PHONE = "phone-1"
_BOOT_ID = "00000000"
NO_UTC = datetime(1970, 1, 1, tzinfo=UTC)
"""A log without wall clock begins here, where nobody takes the date for a real one."""

_COLUMNS = {**TIMES, **VOLTAGES, **CURRENTS, **GAUGE}
_WHOLE = ("current_raw", "charge_counter_raw")
_READ = (
    *_WHOLE,
    *("current_ma", "charge_counter_mah", "voltage_mv", "level_pct", "temperature_c", "awake_s"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What became of a log.

    Attributes:
        folder: the run.
        n_readings: by phone.
        why: what the current and the counter were taken for and why, by phone.
        notes: what had to be assumed, in sentences.
        lacks: why no energy can be told of a phone, in sentences; empty if it can of all.
    """

    folder: RunFolder
    n_readings: dict[str, int]
    why: dict[str, str]
    notes: tuple[str, ...]
    lacks: tuple[str, ...]


def import_log(
    path: Path,
    segments: Path,
    out: Path,
    *,
    capacities_mah: Mapping[str | None, float],
    title: str = "",
) -> Imported:
    """Makes a run folder of a log and its segments.

    Args:
        path: readings; `t_s`, `boot_s` or `time_utc`, and what the phone told, by column name.
        segments: `segment`, `start_s`, `end_s` on the log's clock, perhaps `phone`.
        out: the folder to make; must not exist.
        capacities_mah: rated capacity by label; of None: for phones not named.
        title: of the run; empty for the name of the log.

    Raises:
        LogError: if one of the files cannot be used as it stands, or `out` is there already.
        ValueError: if a label cannot be used, or a capacity names no phone.
        OSError: if a file cannot be read or written.
    """
    if out.exists():
        raise LogError(str(out), "is already there; choose another folder")
    log = read_log(path, _COLUMNS, ("phone", "time_utc"))
    times = seconds(log)
    clock = LogClock(
        first_s=float(times.min()),
        utc=NO_UTC if log.utc is None else log.utc[int(np.argmin(times))].to_pydatetime(),
    )
    rows = _rows_by_phone(log, times)
    if strange := {label for label in capacities_mah if label is not None} - set(rows):
        raise ValueError(f"the log has no phone {', '.join(sorted(map(printable, strange)))}")
    tags = read_segments(segments, set(rows), clock)
    temporary = RunFolder(out.with_name(f".{out.name}.new"))
    shutil.rmtree(temporary.path, ignore_errors=True)
    try:
        entries = [
            _write_phone(temporary, log, times, index, clock, _Phone(label, capacities_mah))
            for label, index in rows.items()
        ]
        temporary.tags_path.write_text(
            "".join(f"{tag.model_dump_json()}\n" for tag in tags), "utf-8"
        )
        temporary.write_manifest(
            Manifest(
                run_id=hashlib.sha256(path.read_bytes()).hexdigest()[:12],
                title=title or path.name,
                tool_version=_tool_version(),
                clocks=Clocks(utc=clock.utc, host_s=clock.first_s),
                phones=tuple(entries),
                imported_from=path.name,
                outcome="stopped",
            )
        )
        temporary.path.rename(out)
    finally:
        shutil.rmtree(temporary.path, ignore_errors=True)
    return Imported(
        folder=RunFolder(out),
        n_readings={label: len(index) for label, index in rows.items()},
        why={entry.label: entry.gauge.why if entry.gauge else "" for entry in entries},
        notes=_notes(log),
        lacks=_lacks(out),
    )


class _Phone:
    """A phone of the log: its label and what it holds as rated."""

    def __init__(self, label: str, capacities_mah: Mapping[str | None, float]) -> None:
        self.label = label
        self.capacity_mah = capacities_mah.get(label, capacities_mah.get(None))


def _rows_by_phone(log: Log, times: Floats) -> dict[str, list[int]]:
    """Numbers of each phone's rows; their times do not fall.

    Raises:
        LogError: if they do not, or a phone has fewer than two.
        ValueError: for a label that cannot be used.
    """
    rows: dict[str, list[int]] = {}
    labels = log.texts.get("phone", [ONLY_PHONE] * len(times))
    for row, label in enumerate(labels):
        rows.setdefault(label.strip(), []).append(row)
    for label, index in rows.items():
        checked_label(label)
        steps = np.diff(times[index])
        if (steps < 0).any():
            later = index[int(np.argmax(steps < 0)) + 1]
            raise log.wrong(later, "its time is before the one above; sort the rows by time")
        if not steps.any():
            raise LogError(str(log.path), f"{label} has one reading; two or more are needed")
    return rows


def _write_phone(
    folder: RunFolder,
    log: Log,
    times: Floats,
    index: list[int],
    clock: LogClock,
    phone: _Phone,
) -> PhoneEntry:
    values = {name: column[index] for name, column in log.values.items()}
    gauge = gauge_of(times[index], values, phone.capacity_mah)
    values |= {"current_ma": gauge.current_ma, "charge_counter_mah": gauge.counter_mah}
    names = [name for name in values if name in _READ]
    columns: list[list[Any]] = [known(values[name], whole=name in _WHOLE) for name in names]
    readings = (
        Reading(
            phone=phone.label,
            boot_id=_BOOT_ID,
            seq=k,
            host_utc=clock.at(t_s),
            host_s=t_s,
            boot_s=t_s,
            plugged=plugged,
            source="import",
            **dict(zip(names, cells, strict=True)),
        )
        for k, (t_s, plugged, *cells) in enumerate(
            zip(times[index].tolist(), gauge.plugged.tolist(), *columns, strict=True)
        )
    )
    write_table(
        folder.tables, "readings", phone.label, readings, {"gauge": gauge.facts.model_dump_json()}
    )
    return PhoneEntry(
        label=phone.label,
        phone_hash="",
        capacity_mah=phone.capacity_mah,
        capacity_from="stated by the user" if phone.capacity_mah else "",
        sources=dict.fromkeys(log.values, "import"),
        gauge=gauge.facts,
        end=PhoneEnd(what="stopped"),
    )


def _notes(log: Log) -> tuple[str, ...]:
    notes = []
    if log.utc is None:
        notes.append("the log has no wall clock: dates in this run count from 1970")
    if "plugged" not in log.values:
        notes.append("the log has no column plugged: taken as never plugged in")
    return tuple(notes)


def _lacks(folder: Path) -> tuple[str, ...]:
    lacks = []
    for recording in load(folder).recordings:
        series = recording.series()
        if not any(estimator.can(series) for estimator in ESTIMATORS):
            missing = (
                "neither current nor a moving charge counter, nor a level that falls with "
                "--capacity-mah"
                if series.has("voltage_mv")
                else "no voltage"
            )
            lacks.append(
                f"{recording.phone}: no energy can be told: there is {missing}; add it, or name "
                "a raw column by its unit, and import again into another folder"
            )
    return tuple(lacks)


def _tool_version() -> str:
    try:
        return version("phone-rundown")
    except PackageNotFoundError:
        return "unknown"
