"""Recording with no link at all: armed phones run by themselves and are collected afterwards."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from filelock import FileLock

from collector.adb import AdbServer, WritablePhone
from collector.clock import Clock, RunClock, host_boot
from collector.errors import CollectorError, PhoneGoneError, PhoneRefusedError, PhoneSilentError
from collector.onphone import LoopSettings, fetch_command
from collector.recording.anchor import measure_clock
from collector.recording.bench import Ready, begin_run, new_manifest, take_lock
from collector.recording.ending import cutoffs_seen, judge
from collector.recording.identity import identify, phone_hash
from collector.recording.merge import Merged, merge
from collector.recording.recorder import Recorder
from collector.recording.remote import RecorderStatus, RemoteRecorder
from parsers.assemble import Assembler
from parsers.blocks import BlockReader
from parsers.journal import read_journal
from parsers.runfolder import ClockAnchor, Manifest, PhoneEnd, PhoneEntry, RunFolder

READ_TIMEOUT_S = 10.0
FETCH_TRIES = 5
WALL_CLOCK_U_S = 0.3
"""Of a wall clock that stands in for the monotonic one: rectangular, +- 0.5 s."""
LAST_BLOCKS = 240


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one phone.

    Attributes:
        label: the user's name for it.
        n_blocks: new blocks fetched from it.
        problem: what is wrong, in a sentence; None if all is well.
    """

    label: str
    n_blocks: int = 0
    problem: str | None = None


def arm(  # noqa: PLR0913 - a run is all of this
    folder: RunFolder,
    server: AdbServer,
    phones: Sequence[Ready],
    clock: Clock,
    *,
    title: str = "",
    ambient_c: float | None = None,
    virtual: bool = False,
) -> list[Outcome]:
    """Begins a run whose phones record by themselves from now on.

    Args:
        folder: the run; made if it does not exist.
        server: the adb server.
        phones: from `make_ready`.
        clock: the computer's clocks.
        title: the user's words for the run.
        ambient_c: room temperature stated by the user.
        virtual: True when the phones are virtual.

    Raises:
        RunBusyError, RunExistsError: if the folder cannot be used.
        OSError: if it cannot be written.
    """
    armed = [replace(p, entry=p.entry.model_copy(update={"armed": True})) for p in phones]
    manifest = new_manifest(armed, clock, title=title, ambient_c=ambient_c, virtual=virtual)
    with FileLock(folder.lock_path) as lock:
        begin_run(folder, manifest, lock)
        return [_arm_phone(folder, manifest, server, phone, clock) for phone in armed]


def _arm_phone(
    folder: RunFolder, manifest: Manifest, server: AdbServer, ready: Ready, clock: Clock
) -> Outcome:
    phone, label = server.phone(ready.serial), ready.entry.label
    recorder = Recorder(folder.journal_path(label), clock)
    try:
        anchor = measure_clock(phone, clock)
        remote = RemoteRecorder(phone, manifest.run_id, ready.offer.settings, "armed")
        status = remote.ensure_running("", 0)
        recorder.event("armed", {"boot_id": status.boot_id})
        recorder.event("clock", anchor.model_dump(mode="json"))
    except CollectorError as exc:
        return Outcome(label=label, problem=str(exc))
    finally:
        recorder.close()
    return Outcome(label=label)


def collect(folder: RunFolder, server: AdbServer, clock: Clock) -> list[Outcome]:
    """Fetches what the phones of a run hold: an armed run, or one whose poller lost sight of them.

    A phone is recognised by its salted hash, however it is attached now.

    Raises:
        RunFolderError: if the folder is not a run.
        RunBusyError: if another process records into it.
        ServerGoneError: if no adb server answers.
        OSError: if the run cannot be written.
    """
    manifest = folder.read_manifest()
    began = manifest.clocks
    same_boot = began.host_boot in ("", host_boot())
    run_clock = RunClock(clock, began.utc, began.host_s, same_boot=same_boot)
    cutoffs_mv = cutoffs_seen(folder.path.absolute().parent)
    lock = FileLock(folder.lock_path)
    take_lock(folder, lock)
    try:
        outcomes, ends = [], {}
        attached = _attached(server)
        for entry in manifest.phones:
            phone = attached.get(entry.phone_hash)
            if phone is None:
                outcomes.append(Outcome(label=entry.label, problem="not attached, or not ready"))
                continue
            cutoff_mv = cutoffs_mv.get(entry.phone_hash)
            one = _Collection(folder, manifest.run_id, entry, phone, run_clock)
            try:
                outcomes.append(one.fetch())
                ends[entry.label] = one.end(cutoff_mv)
            except CollectorError as exc:
                outcomes.append(Outcome(label=entry.label, problem=str(exc)))
        folder.write_manifest(_with_ends(manifest, ends))
    finally:
        lock.release()
    return outcomes


def _attached(server: AdbServer) -> dict[str, WritablePhone]:
    """Usable phones by hash; one that does not answer is left out."""
    phones: dict[str, WritablePhone] = {}
    for serial, state in server.states().items():
        if state != "device":
            continue
        phone = server.phone(serial)
        try:
            phones[phone_hash(identify(phone).serial or serial)] = phone
        except CollectorError:
            continue
    return phones


def _with_ends(manifest: Manifest, ends: dict[str, PhoneEnd]) -> Manifest:
    entries = [p.model_copy(update={"end": ends.get(p.label, p.end)}) for p in manifest.phones]
    known = [entry.end.what for entry in entries if entry.end is not None]
    outcome = manifest.outcome
    if len(known) == len(entries):
        outcome = "stopped" if "stopped" in known else "finished"
    return manifest.model_copy(update={"phones": tuple(entries), "outcome": outcome})


class _Collection:
    """One phone being collected."""

    def __init__(
        self,
        folder: RunFolder,
        run_id: str,
        entry: PhoneEntry,
        phone: WritablePhone,
        clock: RunClock,
    ) -> None:
        self._path = folder.journal_path(entry.label)
        self._run_id = run_id
        self._entry = entry
        self._phone = phone
        self._clock = clock
        self._status: RecorderStatus | None = None

    def fetch(self) -> Outcome:
        """Brings everything into the journal, and only then deletes it from the phone."""
        remote = RemoteRecorder(self._phone, self._run_id, LoopSettings(fast="none"), "armed")
        recorder = Recorder(self._path, self._clock)
        try:
            remote.status()
            recorder.event("clock", self._anchor().model_dump(mode="json"))
            self._status = remote.stop()
            if self._status.records(self._run_id):
                raise PhoneRefusedError(self._phone.serial, "its recorder does not stop")
            n_blocks = self._fetch_blocks(recorder, self._status.n_bytes)
            recorder.event("fetched_all", {"n_bytes": self._status.n_bytes})
        finally:
            durable = recorder.close()
        if not durable:
            problem = f"cannot write the journal: {recorder.problem}; it is still on the phone"
            return Outcome(label=self._entry.label, n_blocks=n_blocks, problem=problem)
        remote.remove()
        return Outcome(label=self._entry.label, n_blocks=n_blocks)

    def end(self, cutoff_mv: float | None) -> PhoneEnd:
        """How its recording ended, told by the last readings and by whether it restarted."""
        last = merge(read_journal(self._path)).taken[-LAST_BLOCKS:]
        if self._status is None or not last:
            return PhoneEnd(what="link_lost", evidence="nothing was recorded")
        boot_id = last[-1].block.boot_id
        if boot_id == self._status.boot_id:
            return PhoneEnd(
                what="stopped",
                last_answer_utc=last[-1].host_utc,
                evidence="collected while it went on",
            )
        assembler = Assembler(self._entry.label)
        readings = [
            assembler.feed(t.block, t.host_utc, t.host_s).reading
            for t in last
            if t.block.boot_id == boot_id
        ]
        booted_utc = self._clock.utc() - timedelta(seconds=self._status.boot_s)
        return judge(readings, booted_utc, cutoff_mv=cutoff_mv, restarted=True)

    def _anchor(self) -> ClockAnchor:
        anchor = measure_clock(self._phone, self._clock)
        if self._clock.same_boot:
            return anchor
        return anchor.model_copy(update={"u_s": math.hypot(anchor.u_s, WALL_CLOCK_U_S)})

    def _fetch_blocks(self, recorder: Recorder, n_bytes: int) -> int:
        """Appends the blocks that the journal lacks; returns how many those were.

        Damage on the way differs from one time to the next: what does not is on the phone itself.
        """
        known = _known(merge(read_journal(self._path)))
        n_before, stray_bytes = len(known), -1
        for _ in range(FETCH_TRIES):
            before, stray_bytes = stray_bytes, self._fetch_once(recorder, n_bytes, known)
            if stray_bytes in (0, before):
                break
        return len(known) - n_before

    def _fetch_once(self, recorder: Recorder, n_bytes: int, known: set[tuple[str, int]]) -> int:
        """Reads the whole file, adding to `known`; returns the bytes that belong to no block.

        A stream that breaks is taken up again behind the last whole block.
        """
        at_bytes = stray_bytes = 0
        for tries_left in reversed(range(FETCH_TRIES)):
            reader, begun_bytes = BlockReader(), at_bytes
            stream = self._phone.stream(fetch_command(self._run_id, at_bytes))
            try:
                while begun_bytes + reader.taken_bytes < n_bytes:
                    data = stream.read(READ_TIMEOUT_S)
                    if data is None:
                        raise PhoneSilentError(self._entry.label, "fetching", READ_TIMEOUT_S)
                    for raw, block in reader.feed(data):
                        if (block.boot_id, block.seq) not in known:
                            recorder.block(raw)
                            known.add((block.boot_id, block.seq))
                        at_bytes = begun_bytes + reader.taken_bytes
            except PhoneGoneError:
                rest_bytes = n_bytes - begun_bytes - reader.taken_bytes
                if rest_bytes <= reader.waiting_bytes:
                    return stray_bytes + reader.stray_bytes + rest_bytes
                if not tries_left:
                    raise
            else:
                return stray_bytes + reader.stray_bytes
            finally:
                stream.close()
        return stray_bytes


def _known(merged: Merged) -> set[tuple[str, int]]:
    return {(taken.block.boot_id, taken.block.seq) for taken in merged.taken}
