"""The phones under test, side by side: made ready, recorded, and the run's manifest kept."""

import secrets
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version

from filelock import FileLock, Timeout

from collector.adb import AdbServer
from collector.clock import Clock, host_boot
from collector.errors import NoPhonesError, RunBusyError, RunExistsError
from collector.inventory.observer import known_costs
from collector.inventory.probe import Offer, probe
from collector.names import full_name
from collector.recording.anchor import measure_clock
from collector.recording.ending import cutoffs_seen
from collector.recording.identity import identify, new_label, phone_hash
from collector.recording.link import Link
from collector.recording.poller import Poller
from collector.recording.recorder import Recorder
from collector.recording.remote import RemoteRecorder
from collector.recording.watch import Patience
from parsers.runfolder import Clocks, Manifest, PhoneEntry, RunFolder, checked_label

JOIN_DEADLINE_S = 45.0
"""A poller may still be stopping the recorder on its phone and taking what is left there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """One phone, asked and chosen for.

    Attributes:
        serial: the link's name; never written to disk.
        entry: what the manifest says of it.
        offer: what it can be polled for.
    """

    serial: str
    entry: PhoneEntry
    offer: Offer


def tool_version() -> str:
    """This program's version."""
    try:
        return version("phone-rundown")
    except PackageNotFoundError:
        return "unknown"


def make_ready(
    server: AdbServer,
    labels: dict[str, str],
    *,
    capacities_mah: dict[str, float] | None = None,
    tick_ms: int = 1000,
) -> list[Ready]:
    """Asks every attached phone what it is and what it offers.

    Args:
        server: the adb server that lists the phones.
        labels: the user's label for a serial, or for the ending of one; if not empty, only these
            phones are used.
        capacities_mah: rated capacity stated by the user, by label.
        tick_ms: time between two readings.

    Raises:
        NoPhonesError: if none can be used, or one that was asked for is missing.
        CollectorError: if a link breaks meanwhile.
        ValueError: if a label cannot be used.
    """
    states = server.states()
    usable = [serial for serial, state in states.items() if state == "device"]
    labels = {full_name(given, usable): label for given, label in labels.items()}
    missing = [serial for serial in labels if serial not in usable]
    if missing or not usable:
        raise NoPhonesError(_nothing_usable(len(missing), list(states.values())))
    stated, costs = capacities_mah or {}, known_costs()
    ready: list[Ready] = []
    for serial in labels or sorted(usable):
        phone = server.phone(serial)
        facts = identify(phone)
        label = checked_label(
            labels.get(serial) or new_label(facts.model, [r.entry.label for r in ready])
        )
        offer = probe(phone, tick_ms)
        capacity_mah, capacity_from = stated.get(label), "stated by the user"
        if capacity_mah is None and offer.design_mah is not None:
            capacity_mah, capacity_from = offer.design_mah, "the phone's nameplate file"
        hashed = phone_hash(facts.serial or serial)
        cost = costs.get(hashed)
        rate_hz = 1e3 / offer.settings.tick_ms
        entry = PhoneEntry(
            label=label,
            phone_hash=hashed,
            model=facts.model,
            build=facts.build,
            capacity_mah=capacity_mah,
            capacity_from=capacity_from if capacity_mah is not None else "",
            sources=offer.sources,
            polling_mw=None if cost is None else cost.mw_at_1hz * rate_hz,
            polling_u_mw=None if cost is None else cost.u_mw * rate_hz,
        )
        ready.append(Ready(serial=serial, entry=entry, offer=offer))
    return ready if labels else sorted(ready, key=lambda one: one.entry.label)


class Bench:
    """A run being recorded.

    Use as a context manager: entering takes the run's lock, writes the manifest and starts the
    pollers; leaving stops them and writes how each phone ended.

    Args:
        folder: the run; made if it does not exist.
        server: the adb server.
        phones: from `make_ready`.
        clock: the computer's clocks.
        title: the user's words for the run.
        ambient_c: room temperature stated by the user.
        plan: name of the plan; None for a free run.
        virtual: True when the phones are virtual.
        patience: how long a silent phone is waited for.
        start_server: called when the adb server is gone in mid-run; None leaves it to the user.
        keep_raw: keep what the phones print with everything private in it.

    Attributes:
        pollers: one per phone.
        problem: what could not be written in the end; None if all was.
    """

    def __init__(  # noqa: PLR0913 - a run is all of this
        self,
        folder: RunFolder,
        server: AdbServer,
        phones: Sequence[Ready],
        clock: Clock,
        *,
        title: str = "",
        ambient_c: float | None = None,
        plan: str | None = None,
        virtual: bool = False,
        patience: Patience | None = None,
        start_server: Callable[[int], None] | None = None,
        keep_raw: bool = False,
    ) -> None:
        self._folder = folder
        self._server = server
        self._phones = phones
        self._clock = clock
        self._stop = threading.Event()
        self._patience = patience
        self._start_server = start_server
        self._keep_raw = keep_raw
        self._lock = FileLock(folder.lock_path)
        self._manifest = new_manifest(
            phones, clock, title=title, ambient_c=ambient_c, plan=plan, virtual=virtual
        )
        self.pollers: list[Poller] = []
        self.problem: str | None = None

    def __enter__(self) -> "Bench":
        """Starts recording.

        Raises:
            RunBusyError: if another process records into this folder.
            RunExistsError: if the folder holds a run already.
            OSError: if the folder cannot be written.
        """
        begin_run(self._folder, self._manifest, self._lock)
        cutoffs_mv = cutoffs_seen(self._folder.path.absolute().parent)
        self.pollers = [self._poller(phone, cutoffs_mv) for phone in self._phones]
        for poller in self.pollers:
            poller.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stops what still runs and completes the manifest."""
        self._stop.set()
        for poller in self.pollers:
            poller.join(timeout=JOIN_DEADLINE_S)
        ends = {poller.label: poller.watch.end for poller in self.pollers}
        by_themselves = all(end is not None and end.what != "stopped" for end in ends.values())
        self._manifest = self._manifest.model_copy(
            update={
                "phones": tuple(
                    entry.model_copy(update={"end": ends[entry.label]})
                    for entry in self._manifest.phones
                ),
                "outcome": "finished" if by_themselves else "stopped",
            }
        )
        try:
            self._folder.write_manifest(self._manifest)
        except OSError as exc:
            # The run stays marked as interrupted, which is what it is until it can be written.
            self.problem = f"cannot write {self._folder.manifest_path}: {exc.strerror or exc}"
        self._lock.release()

    def wait(self, timeout_s: float) -> bool:
        """Waits at most that long; True once every phone has ended."""
        for poller in self.pollers:
            if poller.is_alive():
                poller.join(timeout=timeout_s)
                break
        return not any(poller.is_alive() for poller in self.pollers)

    def _poller(self, phone: Ready, cutoffs_mv: dict[str, float]) -> Poller:
        link = Link(self._server, phone.serial, self._start_server)
        run_id, entry = self._manifest.run_id, phone.entry
        return Poller(
            entry.label,
            link,
            RemoteRecorder(link.phone, run_id, phone.offer.settings, "polled"),
            Recorder(self._folder.journal_path(entry.label), self._clock, keep_raw=self._keep_raw),
            self._clock,
            self._stop,
            lambda: measure_clock(link.phone, self._clock),
            self._patience,
            cutoffs_mv.get(entry.phone_hash),
        )


def new_manifest(
    phones: Sequence[Ready],
    clock: Clock,
    *,
    title: str = "",
    ambient_c: float | None = None,
    plan: str | None = None,
    virtual: bool = False,
) -> Manifest:
    """The manifest of a run that begins now."""
    return Manifest(
        run_id=secrets.token_hex(6),
        title=title,
        ambient_c=ambient_c,
        plan=plan,
        virtual=virtual,
        tool_version=tool_version(),
        clocks=Clocks(utc=clock.utc(), host_s=clock.monotonic_s(), host_boot=host_boot()),
        phones=tuple(phone.entry for phone in phones),
    )


def begin_run(folder: RunFolder, manifest: Manifest, lock: FileLock) -> None:
    """Takes the lock of a new run folder and writes its manifest.

    Raises:
        RunBusyError: if another process records into this folder.
        RunExistsError: if the folder holds a run already.
        OSError: if the folder cannot be written.
    """
    folder.path.mkdir(parents=True, exist_ok=True)
    take_lock(folder, lock)
    if folder.manifest_path.exists():
        lock.release()
        raise RunExistsError(str(folder.path))
    folder.write_manifest(manifest)


def take_lock(folder: RunFolder, lock: FileLock) -> None:
    """Makes this process the one that records into the run.

    Raises:
        RunBusyError: if another process does.
    """
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise RunBusyError(str(folder.path)) from None


def _nothing_usable(n_missing: int, states: list[str]) -> str:
    seen = ", ".join(sorted(states)) or "nothing"
    which = f"{n_missing} of the phones asked for are" if n_missing else "no phone is"
    return (
        f"{which} ready (the adb server lists: {seen}); "
        "see `rundown phones` for what to do about each"
    )
