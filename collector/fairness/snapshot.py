"""What a test changed on phones, kept on this computer until it is put back."""

import contextlib
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Literal

from filelock import FileLock, Timeout
from platformdirs import user_state_path
from pydantic import AwareDatetime, BaseModel, ConfigDict, ValidationError

from collector.adb import Phone
from collector.errors import CollectorError
from collector.fairness.knobs import Knob, same_value
from parsers.runfolder import replace_file


class Change(BaseModel):
    """One setting that was changed; None stands for "never set"."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    namespace: str
    name: str
    old: str | None
    new: str | None

    @property
    def knob(self) -> Knob:
        """The setting."""
        return Knob(namespace=self.namespace, name=self.name)


class Snapshot(BaseModel):
    """What is to be put back on one phone.

    Attributes:
        in_run: a recording has begun since; if none goes on now, it was broken off.
        armed_for: id of the run that the phone records by itself; put back once it is fetched.
        changes: in the order they were made.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    snapshot_schema: Literal[1] = 1
    phone_hash: str
    label: str
    made_utc: AwareDatetime
    in_run: bool = False
    armed_for: str = ""
    changes: tuple[Change, ...] = ()


class Snapshots:
    """The snapshots of this computer's user, one file per phone.

    Args:
        folder: where they are; the user's state folder if None.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._recording = False
        self._folder = folder or user_state_path("phone-rundown", appauthor=False) / "restore"

    def pending(self) -> dict[str, Snapshot]:
        """Everything not yet put back, by phone hash."""
        found = {}
        for path in sorted(self._folder.glob("*.json")):
            with contextlib.suppress(ValidationError, OSError):
                snapshot = Snapshot.model_validate_json(path.read_bytes())
                found[snapshot.phone_hash] = snapshot
        return found

    def left_behind(self) -> dict[str, Snapshot]:
        """What a recording that was broken off has not put back, by phone hash."""
        return {
            phone: snapshot
            for phone, snapshot in self.pending().items()
            if snapshot.in_run and not self._is_held(phone)
        }

    def kept_for(self, run_id: str) -> dict[str, Snapshot]:
        """What is to be put back when that run is fetched, by phone hash."""
        return {p: s for p, s in self.pending().items() if s.armed_for == run_id}

    def keep_for(self, run_id: str, hashes: Iterable[str]) -> None:
        """What is pending for these phones stays as it is until that run is fetched.

        Raises:
            OSError: if that cannot be written.
        """
        pending = self.pending()
        for phone_hash in hashes:
            if phone_hash in pending:
                armed = {"armed_for": run_id, "in_run": False}
                self._keep(pending[phone_hash].model_copy(update=armed))

    def set(
        self,
        phone: Phone,
        phone_hash: str,
        label: str,
        wanted: Iterable[tuple[Knob, str]],
        at: datetime,
    ) -> tuple[list[str], list[str]]:
        """Sets settings; how each one was is safe on disk before it is touched.

        Returns:
            What was set and what was not, in sentences.

        Raises:
            CollectorError: if the link breaks meanwhile.
            OSError: if the snapshot cannot be written; then nothing more is set.
        """
        done, failed = [], []
        for knob, value in wanted:
            try:
                old = knob.read(phone)
                if same_value(old, value):
                    continue
                self._remember(phone_hash, label, knob, old, value, at)
                knob.write(phone, value)
            except ValueError as exc:
                failed.append(f"{label}: {knob} not set to {knob.word(value)}: {exc}")
            else:
                was = knob.word(old)
                done.append(f"{label}: {knob} set to {knob.word(value)}, was {was}")
        return done, failed

    def restore(self, phone: Phone, phone_hash: str) -> tuple[list[str], list[str]]:
        """Puts everything back on one phone, last change first.

        Returns:
            What was put back and what was not, in sentences; the latter stays pending.

        Raises:
            CollectorError: if the link breaks meanwhile; what is left stays pending.
        """
        snapshot = self.pending().get(phone_hash)
        if snapshot is None:
            return [], []
        done, failed, left = [], [], list(snapshot.changes)
        for change in reversed(snapshot.changes):
            was = change.knob.word(change.old)
            try:
                change.knob.write(phone, change.old)
            except ValueError as exc:
                failed.append(f"{snapshot.label}: {change.knob} not put back to {was}: {exc}")
            else:
                done.append(f"{snapshot.label}: {change.knob} is {was} again")
                left.remove(change)
                self._keep(snapshot.model_copy(update={"changes": tuple(left)}))
        return done, failed

    @contextlib.contextmanager
    def held(self, hashes: Iterable[str]) -> Iterator[None]:
        """While it lasts, what is pending for these phones belongs to a recording."""
        with contextlib.ExitStack() as stack:
            for phone_hash in hashes:
                self._folder.mkdir(parents=True, exist_ok=True)
                lock = self._lock(phone_hash)
                try:
                    lock.acquire(timeout=0)
                except Timeout:
                    continue  # another recording has the phone, and will say so itself
                stack.callback(lock.release)
                if (snapshot := self.pending().get(phone_hash)) is not None:
                    self._keep(snapshot.model_copy(update={"in_run": True, "armed_for": ""}))
            self._recording = True
            try:
                yield
            finally:
                self._recording = False

    def _remember(
        self, phone_hash: str, label: str, knob: Knob, old: str | None, new: str, at: datetime
    ) -> None:
        before = self.pending().get(phone_hash)
        snapshot = before or Snapshot(phone_hash=phone_hash, label=label, made_utc=at)
        known = {(change.namespace, change.name): change for change in snapshot.changes}
        first = known.get((knob.namespace, knob.name))
        known[knob.namespace, knob.name] = Change(
            namespace=knob.namespace, name=knob.name, old=first.old if first else old, new=new
        )
        self._keep(
            snapshot.model_copy(
                update={
                    "changes": tuple(known.values()),
                    "in_run": snapshot.in_run or self._recording,
                }
            )
        )

    def _keep(self, snapshot: Snapshot) -> None:
        path = self._folder / f"{snapshot.phone_hash}.json"
        if snapshot.changes:
            replace_file(path, snapshot.model_dump_json(indent=2).encode() + b"\n")
        else:
            path.unlink(missing_ok=True)

    def _is_held(self, phone_hash: str) -> bool:
        lock = self._lock(phone_hash)
        try:
            lock.acquire(timeout=0)
        except Timeout:
            return True
        lock.release()
        return False

    def _lock(self, phone_hash: str) -> FileLock:
        return FileLock(self._folder / f"{phone_hash}.lock")


def restore_all(
    snapshots: Snapshots, phones: Mapping[str, Phone], wanted: Iterable[str]
) -> tuple[list[str], list[str]]:
    """Puts back what is pending on those of the wanted phones that are attached.

    Args:
        snapshots: what is pending.
        phones: attached ones, by hash.
        wanted: hashes.

    Returns:
        What was put back and what was not, in sentences.
    """
    done, failed = [], []
    pending = snapshots.pending()
    for phone_hash in wanted:
        snapshot = pending.get(phone_hash)
        if snapshot is None:
            continue
        names = ", ".join(str(change.knob) for change in snapshot.changes)
        if phone_hash not in phones:
            failed.append(
                f"{snapshot.label}: {names}, as it is not attached: attach it, then "
                "rundown check --restore"
            )
            continue
        try:
            put_back, not_put_back = snapshots.restore(phones[phone_hash], phone_hash)
        except CollectorError as exc:
            failed.append(f"{snapshot.label}: {names} still to be put back: {exc}")
        else:
            done += put_back
            failed += not_put_back
    return done, failed
