"""What can go wrong between us and the phones, by what the caller can do about it."""

from parsers.errors import RundownError
from parsers.text import printable


class CollectorError(RundownError):
    """Base of every error that leaves this package; by default a phone or its link is at fault."""

    exit_code = 3


class AdbMissingError(CollectorError):
    """No adb program was found: install one or name it.

    Attributes:
        looked_in: where it was looked for, in words.
    """

    def __init__(self, looked_in: str) -> None:
        self.looked_in = looked_in
        super().__init__(
            f"no adb program found in {looked_in}: install Android's platform-tools or reinstall"
            " the 'adbutils' package, whose wheel carries one"
        )


class ServerGoneError(CollectorError):
    """No adb server answers: start one.

    Attributes:
        port: where it was expected on this computer.
    """

    def __init__(self, port: int, reason: str = "") -> None:
        self.port = port
        because = f" ({printable(reason, 200)})" if reason else ""
        super().__init__(
            f"no adb server answers on port {port}{because}: start it with 'adb start-server'"
        )


class PhoneGoneError(CollectorError):
    """The link to a phone broke before the answer was whole: ask again once it is back.

    Attributes:
        serial: the link's name.
        during: what was being asked.
        reason: what adb said, empty if nothing.
        state: the server's word for the link, empty if it is not listed or was not looked up.
    """

    def __init__(self, serial: str, during: str, reason: str = "", state: str = "") -> None:
        self.serial = serial
        self.during = during
        self.reason = reason
        self.state = state
        because = f": {printable(reason)}" if reason else ""
        super().__init__(
            f"{printable(serial)} went away during '{printable(during)}'{because};"
            " check cable or network, it is asked again when it is back"
        )


class PhoneSilentError(PhoneGoneError):
    """A phone did not answer in time: the link may be stalled.

    Attributes:
        deadline_s: how long it was given.
    """

    def __init__(self, serial: str, during: str, deadline_s: float) -> None:
        self.deadline_s = deadline_s
        super().__init__(serial, during, f"no whole answer within {deadline_s:g} s")


class PhoneRefusedError(CollectorError):
    """A phone does not let us in: a person must act on it.

    Attributes:
        serial: the link's name.
        said: adb's own words.
    """

    def __init__(self, serial: str, said: str) -> None:
        self.serial = serial
        self.said = said
        super().__init__(
            f"{printable(serial)} refuses: {printable(said)};"
            " unlock it and accept this computer's key"
        )


class PhoneArmedError(PhoneRefusedError):
    """A phone records for another run already: collect that one first."""

    def __init__(self, serial: str, run_id: str) -> None:
        self.run_id = run_id
        super().__init__(serial, f"it is armed for run {run_id}")
        self.args = (
            f"{printable(serial)} is armed for run {printable(run_id, 40)}: fetch that one with"
            " `rundown collect` first",
        )


class PhoneFloodError(CollectorError):
    """A phone sends far more than a recorder has to say: it is not followed any more.

    Attributes:
        n_bytes: sent so far.
    """

    def __init__(self, n_bytes: int) -> None:
        self.n_bytes = n_bytes
        super().__init__(
            f"the phone has sent {n_bytes} bytes, more than any run needs; it is left alone"
        )


class JournalFullError(CollectorError):
    """A journal takes nothing more and memory is used up: make room; the phone keeps recording.

    Attributes:
        path: the journal.
    """

    exit_code = 4

    def __init__(self, path: str, reason: str) -> None:
        self.path = path
        super().__init__(f"{path}: {printable(reason)}; make room, the phone keeps recording")


class NoPhonesError(CollectorError):
    """No phone to work with: attach one, or name the right one."""


class RunBusyError(CollectorError):
    """Another process is recording into this run: stop it or choose another folder.

    Attributes:
        path: the run.
    """

    exit_code = 2

    def __init__(self, path: str) -> None:
        self.path = path
        super().__init__(f"{path} is being recorded by another process")


class RunExistsError(CollectorError):
    """The folder holds a run already: choose another.

    Attributes:
        path: the run folder.
    """

    exit_code = 2

    def __init__(self, path: str) -> None:
        self.path = path
        super().__init__(f"{path}: there is a run in this folder already; choose another folder")


class TagError(CollectorError):
    """A tag cannot be set as asked: the message says what to do instead."""

    exit_code = 2


class PlanError(CollectorError):
    """A plan cannot be used: the message names line and key.

    Attributes:
        path: where it was read from.
        problems: one sentence each.
    """

    exit_code = 2

    def __init__(self, path: str, problems: tuple[str, ...]) -> None:
        self.path = path
        self.problems = problems
        super().__init__("; ".join(f"{path}: {problem}" for problem in problems))


class NumberRefusedError(CollectorError):
    """A number is not called, whatever the plan says.

    Attributes:
        number: as it was given.
        reason: why not, in a few words.
    """

    exit_code = 2

    def __init__(self, number: str, reason: str) -> None:
        self.number = number
        self.reason = reason
        super().__init__(f"'{printable(number, 40)}' is not called: {reason}")
