"""The recorder that runs on a phone, as the computer sees it: installed, started, followed."""

import re
from dataclasses import dataclass
from typing import Protocol

from collector.adb import ByteStream, WritablePhone
from collector.errors import PhoneArmedError, PhoneRefusedError
from collector.onphone import (
    RECORDER_SCRIPT,
    RECORDER_VERSION,
    SCRIPT_PATH,
    LoopSettings,
    Mode,
    control_command,
    follow_command,
    start_command,
)
from parsers.text import decode, printable

STATUS_DEADLINE_S = 10.0
CHANGE_DEADLINE_S = 25.0
"""To start or stop: the script itself waits up to ten seconds."""
_STATUS = re.compile(
    r"recorder (\d{1,4}) ([a-z-]{1,20}) (\S{1,40}) (\S{1,10}) ([0-9a-f]{8}) "
    r"(\d{1,12}(?:\.\d{1,9})?) (\d{1,12})\s*"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderStatus:
    """What the script on the phone says of itself.

    Attributes:
        version: of the script.
        state: `running`, `idle`, or what the phone lacks for it.
        run_id: the run that the recorder of this phone works for, of any kind; `-` for none.
        mode: `polled` or `armed`.
        boot_id: first eight hexadecimal digits.
        boot_s: the phone's boot clock when it answered.
        n_bytes: blocks of the run that was asked about, as a file on the phone.
    """

    version: int
    state: str
    run_id: str
    mode: str
    boot_id: str
    boot_s: float
    n_bytes: int

    def records(self, run_id: str) -> bool:
        """Whether a recorder works for that run now."""
        return self.state == "running" and self.run_id == run_id


class OnPhone(Protocol):
    """A recorder on a phone, for the poller."""

    def status(self) -> RecorderStatus:
        """How it is; installs the script where it is missing.

        Raises:
            CollectorError: as `Phone.ask`.
        """
        ...

    def ensure_running(self, first_boot_id: str, first_seq: int) -> RecorderStatus:
        """Starts it unless it runs.

        Args:
            first_boot_id: boot session in which the count goes on from `first_seq`.
            first_seq: least number of its next block.

        Raises:
            PhoneArmedError: it records for another run, and nobody watches it.
            PhoneRefusedError: the phone cannot do it.
            CollectorError: as `Phone.ask`.
        """
        ...

    def follow(self, from_bytes: int) -> ByteStream:
        """Its blocks from a place in the file on, and those to come.

        Raises:
            CollectorError: as `Phone.stream`.
        """
        ...

    def stop(self) -> RecorderStatus:
        """Ends it; what it recorded stays on the phone.

        Raises:
            CollectorError: as `Phone.ask`.
        """
        ...

    def remove(self) -> None:
        """Deletes the run's blocks from the phone, and the script after the last run.

        Raises:
            CollectorError: as `Phone.ask`.
        """
        ...


class RemoteRecorder:
    """The recorder of one run on one phone (see `OnPhone`)."""

    def __init__(
        self, phone: WritablePhone, run_id: str, settings: LoopSettings, mode: Mode
    ) -> None:
        self._phone = phone
        self._run_id = run_id
        self._settings = settings
        self._mode: Mode = mode

    def status(self) -> RecorderStatus:
        """How it is; installs the script where it is missing or of another version."""
        status = self._told(control_command(self._run_id, "status"), STATUS_DEADLINE_S)
        if status is not None and status.version == RECORDER_VERSION:
            return status
        if status is not None and status.state == "running":
            self._make_way(status)
        self._phone.push(RECORDER_SCRIPT.encode(), SCRIPT_PATH, STATUS_DEADLINE_S)
        return self._answered(control_command(self._run_id, "status"), STATUS_DEADLINE_S)

    def ensure_running(self, first_boot_id: str, first_seq: int) -> RecorderStatus:
        """Starts it unless it runs."""
        status = self.status()
        if status.records(self._run_id):
            return status
        if status.state == "running":
            self._make_way(status)
        elif status.state != "idle":
            raise PhoneRefusedError(self._phone.serial, f"its shell is {status.state}")
        command = start_command(self._run_id, self._mode, self._settings, first_boot_id, first_seq)
        started = self._told(command, CHANGE_DEADLINE_S)
        if started is None or not started.records(self._run_id):
            raise PhoneRefusedError(
                self._phone.serial, "cannot record on the phone: is its storage full?"
            )
        return started

    def follow(self, from_bytes: int) -> ByteStream:
        """Its blocks from a place in the file on, and those to come."""
        return self._phone.stream(follow_command(self._run_id, from_bytes))

    def stop(self) -> RecorderStatus:
        """Ends it; what it recorded stays on the phone."""
        return self._answered(control_command(self._run_id, "stop"), CHANGE_DEADLINE_S)

    def remove(self) -> None:
        """Deletes the run's blocks from the phone, and the script after the last run."""
        self._phone.ask(control_command(self._run_id, "remove"), CHANGE_DEADLINE_S)

    def _make_way(self, status: RecorderStatus) -> None:
        """A recorder that nobody watches any more may be ended, an armed one not."""
        if status.mode == "armed" and status.run_id != self._run_id:
            raise PhoneArmedError(self._phone.serial, status.run_id)
        try:
            command = control_command(status.run_id, "stop")
        except ValueError as exc:
            raise PhoneRefusedError(self._phone.serial, "something else records there") from exc
        self._phone.ask(command, CHANGE_DEADLINE_S)

    def _answered(self, command: str, deadline_s: float) -> RecorderStatus:
        status = self._told(command, deadline_s)
        if status is None:
            raise PhoneRefusedError(self._phone.serial, "the recorder's script does not run there")
        return status

    def _told(self, command: str, deadline_s: float) -> RecorderStatus | None:
        return status_of(self._phone.ask(command, deadline_s).stdout)


def status_of(told: bytes) -> RecorderStatus | None:
    """The status line of the script; None for anything else."""
    found = _STATUS.fullmatch(decode(told))
    if found is None:
        return None
    return RecorderStatus(
        version=int(found[1]),
        state=found[2],
        run_id=printable(found[3], 40),
        mode=found[4],
        boot_id=found[5],
        boot_s=float(found[6]),
        n_bytes=int(found[7]),
    )
