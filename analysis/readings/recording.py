"""A run read from its folder: manifest, tags, and each phone's readings on one time axis."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, overload

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from analysis.calibrating.calibration import Calibration, calibration_for
from analysis.errors import NotEnoughError, NothingRecordedError, TableDamagedError
from analysis.estimation.profile import Bools, Floats
from analysis.readings.clock import PhoneClock, fit_session, nearest
from analysis.readings.series import Series
from parsers.errors import RunFolderError
from parsers.runfolder import ClockAnchor, Manifest, PhoneEntry, RunFolder
from parsers.tables import count_rows, read_phone
from parsers.tags import Tags, read_tags
from parsers.text import printable, so_many

_COLUMNS: dict[str, tuple[str, ...]] = {
    "readings": (
        "boot_id", "seq", "host_utc", "host_s", "boot_s", "phone_utc", "awake_s", "level_pct",
        "voltage_mv", "current_ma", "charge_counter_mah", "temperature_c", "plugged", "trusted",
    ),
    "context": ("host_utc", "boot_s", "name", "value"),
    "truth": ("boot_s", "energy_mwh"),
}  # fmt: skip
_KEPT = 3_000_000
"""Readings that may stay in memory together: some hundreds of megabytes."""

_RECORD_AGAIN = "rebuild the tables with `rundown tidy`, or record again"
_CODED = {"readings": ("boot_id",)}
_TYPES = {pa.bool_(): pd.BooleanDtype()}
"""One byte a flag where some are missing, instead of an object."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """What was recorded of one phone.

    Attributes:
        entry: what the manifest says of it.
        readings: rows of the table in the order of time, with `t_s` (see `PhoneClock`).
        context: what changed around the battery, in the order of time, with `t_s`.
        clock: how its time axis hangs together with the computer's clock.
        truth: true cumulative energy at moments, for a virtual phone; None for a real one.
        notes: what was odd about the data, in sentences.
        calibration: what a meter has told of its gauge; None if none did.
    """

    entry: PhoneEntry
    readings: pd.DataFrame
    context: pd.DataFrame
    clock: PhoneClock
    truth: tuple[Floats, Floats] | None = None
    notes: tuple[str, ...] = ()
    calibration: Calibration | None = None

    @property
    def phone(self) -> str:
        """Label."""
        return self.entry.label

    def taken_utc(self) -> "pd.Series[pd.Timestamp]":
        """The computer's wall clock when each reading was taken, not when it came."""
        frame = self.readings
        late_s = frame["host_s"].to_numpy() - self.clock.to_host(frame["t_s"].to_numpy())
        utc: pd.Series[pd.Timestamp] = frame["host_utc"] - _microseconds(late_s)
        return utc

    def utc_at(self, t_s: npt.ArrayLike) -> list[datetime]:
        """The same clock at moments of the axis, each by the reading that lies closest to it."""
        frame, wanted_s = self.readings, np.asarray(t_s, dtype=np.float64)
        times = frame["t_s"].to_numpy()
        at = nearest(times, wanted_s)
        host_s = self.clock.to_host(times[at])
        ahead = _microseconds(wanted_s - times[at] + host_s - frame["host_s"].to_numpy()[at])
        return [moment.to_pydatetime() for moment in frame["host_utc"].iloc[at] + ahead]

    def series(self, border_u_s: float = 0.0) -> Series:
        """The readings as arrays, with the standard uncertainty of a border on their axis."""
        frame = self.readings
        return Series.from_arrays(
            t_s=frame["t_s"].to_numpy(),
            voltage_mv=_floats(frame["voltage_mv"]),
            current_ma=_floats(frame["current_ma"]),
            counter_mah=_floats(frame["charge_counter_mah"]),
            level_pct=_floats(frame["level_pct"]),
            temperature_c=_floats(frame["temperature_c"]),
            awake_s=_across_sessions(frame),
            plugged=_lasting(frame["plugged"]),
            trusted=frame["trusted"].to_numpy(dtype=bool),
            capacity_mah=self.entry.capacity_mah,
            clock_u_s=border_u_s,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run, read.

    Attributes:
        path: its folder.
        manifest: `run.json`.
        tags: what the user marked.
        recordings: one per phone with readings, in the order of the manifest; see `Recordings`.
        notes: what was odd about the run as a whole.
    """

    path: Path
    manifest: Manifest
    tags: Tags
    recordings: Sequence[Recording]
    notes: tuple[str, ...] = ()

    def recording(self, phone: str | None) -> Recording:
        """The recording of a phone; of the only one if none is named.

        Raises:
            NotEnoughError: if there is none, or it is not clear which.
        """
        labels = ", ".join(recording.phone for recording in self.recordings)
        mine = [r for r in self.recordings if phone in (None, r.phone)]
        if not mine:
            raise NotEnoughError(
                str(self.path), f"no phone '{printable(phone or '')}'; there is {labels}"
            )
        if len(mine) > 1:
            raise NotEnoughError(str(self.path), f"which phone? --phone, one of {labels}")
        return mine[0]

    def advice_on(self, lack: NothingRecordedError) -> str:
        """What to do about what a phone of this run lacks."""
        if lack.advice or self.manifest.imported_from is None:
            return lack.advice or _RECORD_AGAIN
        log = printable(self.manifest.imported_from)
        return f"import {log} again with the missing column, or --capacity-mah for the level"

    def lacking(self, lacks: Sequence[NothingRecordedError]) -> NothingRecordedError:
        """What all its phones lack, as one error; equal advice is given once."""
        said = [*self.notes, *(lack.said for lack in lacks)]
        advice = dict.fromkeys(map(self.advice_on, lacks))
        return NothingRecordedError(str(self.path), "; ".join(said), "; ".join(advice))


def load(path: Path) -> Run:
    """Opens a run folder. The tables of a phone are read when it is asked for.

    Raises:
        RunFolderError: if it is not a run.
        TableDamagedError: if a table of readings is not one; what is damaged inside shows when
            it is read.
        NothingRecordedError: if no phone has two readings.
    """
    folder = RunFolder(Path(path))
    manifest = folder.read_manifest()
    n_rows = {entry.label: _n_rows(folder, entry.label) for entry in manifest.phones}
    recorded = [entry for entry in manifest.phones if n_rows[entry.label] >= 2]
    if not recorded:
        raise NothingRecordedError(str(folder.path), "no phone has readings", _RECORD_AGAIN)
    return Run(
        path=folder.path,
        manifest=manifest,
        tags=read_tags(folder.tags_path),
        recordings=Recordings(folder, manifest, recorded, kept=sum(n_rows.values()) <= _KEPT),
        notes=tuple(
            f"{entry.label}: nothing recorded"
            for entry in manifest.phones
            if entry not in recorded
        ),
    )


class Recordings(Sequence[Recording]):
    """Those of a run, each read when it is asked for.

    Of a run that fits into memory they are kept; of a larger one each lives as long as somebody
    holds it, and work that goes from phone to phone needs room for one at a time.

    Args:
        folder: of the run.
        manifest: its manifest.
        entries: of the phones with readings.
        kept: whether they are kept.
    """

    def __init__(
        self, folder: RunFolder, manifest: Manifest, entries: Sequence[PhoneEntry], *, kept: bool
    ) -> None:
        self._folder, self._manifest, self._entries = folder, manifest, entries
        self._kept: dict[int, Recording] | None = {} if kept else None

    def __len__(self) -> int:
        return len(self._entries)

    @overload
    def __getitem__(self, index: int) -> Recording: ...

    @overload
    def __getitem__(self, index: slice) -> Sequence[Recording]: ...

    def __getitem__(self, index: int | slice) -> Recording | Sequence[Recording]:
        """One of them, or several.

        Raises:
            TableDamagedError: if a table cannot be read.
        """
        if isinstance(index, slice):
            return [self[number] for number in range(*index.indices(len(self)))]
        number = range(len(self))[index]
        if self._kept is not None and number in self._kept:
            return self._kept[number]
        entry = self._entries[number]
        mine = {name: _frame(self._folder, name, entry.label) for name in _COLUMNS}
        found = _recording(self._manifest, entry, mine, self._folder.path)
        if self._kept is not None:
            self._kept[number] = found
        return found


def _n_rows(folder: RunFolder, phone: str) -> int:
    """How many readings there are of a phone."""
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


def _recording(
    manifest: Manifest, entry: PhoneEntry, tables: dict[str, pd.DataFrame], path: Path
) -> Recording:
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
        calibration=_calibration(manifest, entry, path),
    )


def _in_order(rows: pd.DataFrame) -> bool:
    """Whether all rows are of one boot session and come one after the other."""
    one = len(_boot_ids(rows)) == 1 and bool(np.isfinite(rows["host_s"].to_numpy()).all())
    return one and all(_ascends(rows[name]) for name in ("seq", "boot_s"))


def _ascends(column: "pd.Series[float]") -> bool:
    values = column.to_numpy()
    return bool((values[1:] > values[:-1]).all())


def _boot_ids(rows: pd.DataFrame) -> list[str]:
    """Names of the boot sessions, in the order in which they appear."""
    names = rows["boot_id"].cat.categories
    return list(names if len(names) == 1 else rows["boot_id"].unique())


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
    ids = _boot_ids(frame)
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
    return _floats(mine["boot_s"]) + clock.sessions[0].shift_s, _floats(mine["energy_mwh"])


def _microseconds(seconds: Floats) -> npt.NDArray[np.timedelta64]:
    return np.rint(seconds * 1e6).astype("timedelta64[us]")


def _floats(column: "pd.Series[float]") -> Floats:
    return np.asarray(column.to_numpy(), dtype=np.float64)


def _lasting(column: "pd.Series[bool]") -> Bools:
    """A state that holds from where it was read until it is read again; False before."""
    known = np.flatnonzero(column.notna())
    result = np.zeros(len(column), dtype=np.bool_)
    if len(known):
        values = column.iloc[known].to_numpy(dtype=np.bool_)
        result[known[0] :] = np.repeat(values, np.diff(known, append=len(column)))
    return result


def _across_sessions(frame: pd.DataFrame) -> Floats:
    """Awake time on one clock: between two sessions the phone counts as awake, it was off."""
    awake_s, t_s = _floats(frame["awake_s"]), frame["t_s"].to_numpy()
    later = _boot_ids(frame)[1:]
    if later:
        awake_s = awake_s.copy()
    for boot_id in later:
        first = int(np.argmax((frame["boot_id"] == boot_id).to_numpy()))
        before = np.flatnonzero(np.isfinite(awake_s[:first]))
        after = first + np.flatnonzero(np.isfinite(awake_s[first:]))
        if len(before) and len(after):
            one, two = before[-1], after[0]
            awake_s[first:] += awake_s[one] + (t_s[two] - t_s[one]) - awake_s[two]
    return awake_s
