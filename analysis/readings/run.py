"""A run opened from its folder: manifest, tags, and the recordings of its phones."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import overload

from analysis.errors import NotEnoughError, NothingRecordedError
from analysis.readings.recording import Recording
from analysis.readings.table import count_readings, read_recording
from parsers.runfolder import Manifest, PhoneEntry, RunFolder
from parsers.tags import Tags, read_tags
from parsers.text import printable

_KEPT = 3_000_000
"""Readings that may stay in memory together: some hundreds of megabytes."""

_RECORD_AGAIN = "rebuild the tables with `rundown tidy`, or record again"


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
        every = list(self.recordings)
        mine = [recording for recording in every if phone in (None, recording.phone)]
        if len(mine) == 1:
            return mine[0]
        labels = ", ".join(recording.phone for recording in every)
        if not mine:
            raise NotEnoughError(
                str(self.path), f"no phone '{printable(phone or '')}'; there is {labels}"
            )
        raise NotEnoughError(str(self.path), f"which phone? --phone, one of {labels}")

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
    n_rows = {entry.label: count_readings(folder, entry.label) for entry in manifest.phones}
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
        found = read_recording(self._folder, self._manifest, self._entries[number])
        if self._kept is not None:
            self._kept[number] = found
        return found
