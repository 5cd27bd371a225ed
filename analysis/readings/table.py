"""One phone's tables, read and laid on one time axis."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from analysis.calibrating.calibration import Calibration, calibration_for
from analysis.errors import TableDamagedError
from analysis.estimation.profile import Floats
from analysis.readings.clock import PhoneClock, fit_session
from analysis.readings.recording import Recording, boot_ids, floats
from parsers.errors import RunFolderError
from parsers.runfolder import ClockAnchor, Manifest, PhoneEntry, RunFolder
from parsers.tables import count_rows, read_phone
from parsers.text import so_many

_COLUMNS: dict[str, tuple[str, ...]] = {
    "readings": (
        "boot_id", "seq", "host_utc", "host_s", "boot_s", "phone_utc", "awake_s", "level_pct",
        "voltage_mv", "current_ma", "charge_counter_mah", "temperature_c", "plugged", "trusted",
    ),
    "context": ("host_utc", "boot_s", "name", "value"),
    "truth": ("boot_s", "energy_mwh"),
}  # fmt: skip
_CODED = {"readings": ("boot_id",)}
_TYPES = {pa.bool_(): pd.BooleanDtype()}
"""One byte a flag where some are missing, instead of an object."""


def count_readings(folder: RunFolder, phone: str) -> int:
    """How many readings there are of a phone.

    Raises:
        TableDamagedError: if their table is not one.
    """
    try:
        return count_rows(folder.tables / "readings", phone)
    except RunFolderError as exc:
        raise TableDamagedError(exc.path, str(exc)) from exc


def _frame(folder: RunFolder, table: str, phone: str) -> pd.DataFrame:
    """What the analysis needs of one phone's table."""
    path, columns = folder.tables / table, _COLUMNS[table]
    if not path.exists():
        return pd.DataFrame(columns=list(columns))
    try:
        found = read_phone(path, phone, columns, coded=_CODED.get(table, ()))
    except RunFolderError as exc:
        raise TableDamagedError(exc.path, str(exc)) from exc
    frame: pd.DataFrame = found.to_pandas(
        split_blocks=True, self_destruct=True, types_mapper=_TYPES.get
    )
    return frame


def read_recording(folder: RunFolder, manifest: Manifest, entry: PhoneEntry) -> Recording:
    """What was recorded of one phone.

    Raises:
        TableDamagedError: if a table cannot be read.
    """
    tables = {name: _frame(folder, name, entry.label) for name in _COLUMNS}
    rows = tables["readings"]
    frame = rows if _in_order(rows) else _once_each(rows)
    notes = []
    if len(frame) < len(rows):
        notes.append(
            f"{so_many(len(rows) - len(frame), 'reading')} left out: double or without a time"
        )
    anchors = entry.clocks if entry.armed else ()
    clock, frame = _on_one_axis(frame, manifest.clocks.host_s, anchors)
    if len(clock.sessions) > 1:
        notes.append(f"the phone restarted {so_many(len(clock.sessions) - 1, 'time')}")
    return Recording(
        entry=entry,
        readings=frame,
        context=_context_on_axis(tables["context"], frame, clock),
        clock=clock,
        truth=_truth(tables["truth"], clock),
        notes=tuple(notes),
        calibration=_calibration(manifest, entry, folder.path),
    )


def _in_order(rows: pd.DataFrame) -> bool:
    """Whether all rows are of one boot session and come one after the other."""
    one = len(boot_ids(rows)) == 1 and bool(np.isfinite(rows["host_s"].to_numpy()).all())
    return one and all(_ascends(rows[name]) for name in ("seq", "boot_s"))


def _ascends(column: "pd.Series[float]") -> bool:
    values = column.to_numpy()
    return bool((values[1:] > values[:-1]).all())


def _once_each(rows: pd.DataFrame) -> pd.DataFrame:
    usable = rows[np.isfinite(rows["boot_s"]) & np.isfinite(rows["host_s"])]
    once: pd.DataFrame = usable.drop_duplicates(["boot_id", "seq"])
    return once


def _calibration(manifest: Manifest, entry: PhoneEntry, path: Path) -> Calibration | None:
    """What is kept for the phone; nothing if its hash is another phone's too, by no serial."""
    alike = [other for other in manifest.phones if other.phone_hash == entry.phone_hash]
    return calibration_for(entry.phone_hash, path) if len(alike) == 1 else None


def _sessions(frame: pd.DataFrame) -> Iterable[tuple[Any, pd.DataFrame]]:
    """Rows by boot session; those of a single one as they are, not copied."""
    ids = boot_ids(frame)
    if len(ids) == 1:
        return [(ids[0], frame)]
    return frame.groupby("boot_id", sort=False, observed=True)


def _least_offset_s(rows: pd.DataFrame) -> float:
    """Computer's clock minus boot clock of the reading that came quickest."""
    return float(np.min(rows["host_s"].to_numpy() - rows["boot_s"].to_numpy()))


def _on_one_axis(
    frame: pd.DataFrame, origin_host_s: float, anchors: Sequence[ClockAnchor]
) -> tuple[PhoneClock, pd.DataFrame]:
    """Sessions laid one after the other by the computer's clock; within each, by the phone's.

    `anchors` are of a phone that recorded without a link; empty for one that was polled.
    """
    parts = [
        (str(boot_id), part)
        if _ascends(part["boot_s"])
        else (str(boot_id), part.sort_values("boot_s").drop_duplicates("boot_s"))
        for boot_id, part in _sessions(frame)
    ]
    if len(parts) > 1:
        parts.sort(key=lambda item: _least_offset_s(item[1]))
    sessions, frames, end_s = [], [], -np.inf
    for boot_id, part in parts:
        boot_s, host_s = (part[name].to_numpy(dtype=np.float64) for name in ("boot_s", "host_s"))
        session = fit_session(boot_id, boot_s, host_s, origin_host_s, end_s)
        if mine := [anchor for anchor in anchors if anchor.boot_id == boot_id]:
            session = session.known_at(mine)
        t_s = boot_s + session.shift_s
        end_s = float(t_s[-1]) + 1e-3
        sessions.append(session)
        frames.append(part.assign(t_s=t_s))
    whole = frames[0] if len(frames) == 1 else pd.concat(frames)
    return PhoneClock(sessions=tuple(sessions)), whole.reset_index(drop=True)


def _context_on_axis(
    context: pd.DataFrame, readings: pd.DataFrame, clock: PhoneClock
) -> pd.DataFrame:
    """Changes with `t_s`; with several sessions, each by the last one that had begun by then."""
    if not len(context):
        return pd.DataFrame({"t_s": [], "name": [], "value": []})
    begun = readings.groupby("boot_id", sort=False, observed=True)["host_utc"].min()
    begins = [begun[session.boot_id] for session in clock.sessions]
    number = np.searchsorted(np.array(begins), context["host_utc"].to_numpy(), side="right") - 1
    shifts = np.array([session.shift_s for session in clock.sessions])
    t_s = context["boot_s"].to_numpy(dtype=np.float64) + shifts[np.maximum(number, 0)]
    return context.assign(t_s=t_s).sort_values("t_s", kind="stable", ignore_index=True)


def _truth(truth: pd.DataFrame, clock: PhoneClock) -> tuple[Floats, Floats] | None:
    """True energy on the axis; the table does not tell boot sessions apart."""
    if len(truth) < 2 or len(clock.sessions) != 1:
        return None
    mine = truth.sort_values("boot_s")
    return floats(mine["boot_s"]) + clock.sessions[0].shift_s, floats(mine["energy_mwh"])
