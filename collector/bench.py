"""The phones under test, side by side: made ready, recorded, and the run's manifest kept."""

import secrets
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version

from filelock import FileLock, Timeout

from collector.adb import AdbServer
from collector.clock import Clock
from collector.errors import NoPhonesError, RunBusyError, RunExistsError
from collector.identity import identify, new_label, phone_hash
from collector.poller import Patience, Poller
from collector.probe import Offer, probe
from collector.recorder import Recorder
from parsers.runfolder import Clocks, Manifest, PhoneEntry, RunFolder, checked_label


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
        labels: the user's label for a serial; if not empty, only these phones are used.
        capacities_mah: rated capacity stated by the user, by label.
        tick_ms: time between two readings.

    Raises:
        NoPhonesError: if none can be used, or one that was asked for is missing.
        CollectorError: if a link breaks meanwhile.
        ValueError: if a label cannot be used.
    """
    attached = server.attached()
    usable = [a.serial for a in attached if a.state == "device"]
    missing = [serial for serial in labels if serial not in usable]
    if missing or not usable:
        raise NoPhonesError(_nothing_usable(len(missing), [a.state for a in attached]))
    stated = capacities_mah or {}
    ready: list[Ready] = []
    for serial in labels or usable:
        phone = server.phone(serial)
        facts = identify(phone)
        label = checked_label(
            labels.get(serial) or new_label(facts.model, [r.entry.label for r in ready])
        )
        offer = probe(phone, tick_ms)
        capacity_mah, capacity_from = stated.get(label), "stated by the user"
        if capacity_mah is None and offer.design_mah is not None:
            capacity_mah, capacity_from = offer.design_mah, "the phone's nameplate file"
        entry = PhoneEntry(
            label=label,
            phone_hash=phone_hash(facts.serial or serial),
            model=facts.model,
            build=facts.build,
            capacity_mah=capacity_mah,
            capacity_from=capacity_from if capacity_mah is not None else "",
            sources=offer.sources,
        )
        ready.append(Ready(serial=serial, entry=entry, offer=offer))
    return ready


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
        virtual: True when the phones are virtual.
        patience: how long a silent phone is waited for.
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
        virtual: bool = False,
        patience: Patience | None = None,
    ) -> None:
        self._folder = folder
        self._server = server
        self._phones = phones
        self._clock = clock
        self._stop = threading.Event()
        self._patience = patience
        self._lock = FileLock(folder.lock_path)
        self._manifest = Manifest(
            run_id=secrets.token_hex(6),
            title=title,
            ambient_c=ambient_c,
            virtual=virtual,
            tool_version=tool_version(),
            clocks=Clocks(utc=clock.utc(), host_s=clock.monotonic_s()),
            phones=tuple(phone.entry for phone in phones),
        )
        self.pollers: list[Poller] = []

    def __enter__(self) -> "Bench":
        """Starts recording.

        Raises:
            RunBusyError: if another process records into this folder.
            RunExistsError: if the folder holds a run already.
            OSError: if the folder cannot be written.
        """
        self._folder.path.mkdir(parents=True, exist_ok=True)
        try:
            self._lock.acquire(timeout=0)
        except Timeout:
            raise RunBusyError(str(self._folder.path)) from None
        if self._folder.manifest_path.exists():
            self._lock.release()
            raise RunExistsError(str(self._folder.path))
        self._folder.write_manifest(self._manifest)
        self.pollers = [self._poller(phone) for phone in self._phones]
        for poller in self.pollers:
            poller.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stops what still runs and completes the manifest."""
        self._stop.set()
        for poller in self.pollers:
            poller.join(timeout=10)
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
        self._folder.write_manifest(self._manifest)
        self._lock.release()

    def wait(self, timeout_s: float) -> bool:
        """Waits at most that long; True once every phone has ended."""
        for poller in self.pollers:
            if poller.is_alive():
                poller.join(timeout=timeout_s)
                break
        return not any(poller.is_alive() for poller in self.pollers)

    def _poller(self, phone: Ready) -> Poller:
        def reconnect() -> None:
            if ":" in phone.serial:
                self._server.connect(phone.serial)

        return Poller(
            phone.entry.label,
            self._server.phone(phone.serial),
            phone.offer.settings,
            Recorder(self._folder.journal_path(phone.entry.label), self._clock),
            self._clock,
            self._stop,
            reconnect,
            self._patience,
        )


def _nothing_usable(n_missing: int, states: list[str]) -> str:
    seen = ", ".join(sorted(states)) or "nothing"
    which = f"{n_missing} of the phones asked for are" if n_missing else "no phone is"
    return (
        f"{which} ready (the adb server lists: {seen}); "
        "see `rundown phones` for what to do about each"
    )
