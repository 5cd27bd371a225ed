"""The way to one phone, and the way back to it after a loss."""

from collections.abc import Callable

from collector.adb import AdbServer, WritablePhone
from collector.errors import (
    CollectorError,
    JournalFullError,
    PhoneGoneError,
    PhoneRefusedError,
    PhoneSilentError,
    ServerGoneError,
)
from parsers.text import printable

_ADVICE = {
    "offline": "link lost: wait, or connect again",
    "unauthorized": "unlock the phone and accept the debugging key",
    "authorizing": "unlock the phone and accept the debugging key",
    "no permissions": "on Linux add a udev rule for the phone, or join the group that may use it",
    "recovery": "start the phone normally",
    "sideload": "start the phone normally",
    "bootloader": "start the phone normally",
    "": "not listed: see whether phone, debugging and cable or Wi-Fi are on",
}


def advice_for(state: str) -> str:
    """What a user can do about a phone in that state; empty means not listed at all."""
    return next(
        (advice for word, advice in _ADVICE.items() if word and state.startswith(word)),
        _ADVICE[""] if not state else "see whether the phone is on and debugging allowed",
    )


def waiting_for(exc: CollectorError) -> tuple[str, str]:
    """What a recording waits for after that error, and what the user can do, both in words."""
    match exc:
        case ServerGoneError():
            return "waiting for the adb server", "start it with 'adb start-server'"
        case PhoneRefusedError():
            return "waiting for you", f"{printable(exc.said, 80)}: {advice_for(exc.said)}"
        case PhoneSilentError():
            return "no answer", "asleep or out of reach; it keeps recording and is asked again"
        case PhoneGoneError():
            return "waiting for the link", advice_for(exc.state)
        case JournalFullError():
            return "disk full", "make room on the computer's disk; the phone keeps recording"
        case _:
            return "waiting for the link", ""


class Link:
    """The way to one phone.

    Args:
        server: the adb server that lists it.
        serial: the link's name; HOST:PORT for a phone that is reached by network.
        start_server: called when no server answers; None leaves that to the user.
    """

    def __init__(
        self, server: AdbServer, serial: str, start_server: Callable[[int], None] | None = None
    ) -> None:
        self._server = server
        self._serial = serial
        self._start_server = start_server

    @property
    def phone(self) -> WritablePhone:
        """The phone at the end of the link."""
        return self._server.phone(self._serial)

    def restore(self, *, stalled: bool) -> None:
        """Makes the phone reachable again, or says why it is not.

        Args:
            stalled: the link is listed as good and yet carries nothing: begin it anew.

        Raises:
            CollectorError: what stands in the way (see `waiting_for`).
        """
        try:
            state = self._server.states().get(self._serial, "")
        except ServerGoneError:
            if self._start_server is None:
                raise
            self._start_server(self._server.port)
            state = self._server.states().get(self._serial, "")
        if ":" in self._serial and state not in ("unauthorized", "authorizing"):
            if stalled:
                self._server.disconnect(self._serial)
            self._server.connect(self._serial)
        elif state in ("unauthorized", "authorizing"):
            raise PhoneRefusedError(self._serial, state)
        elif state != "device":
            raise PhoneGoneError(self._serial, "waiting", state or "not listed", state=state)
