"""Phones whose adb listens on the network: said before a run, and ended after it on request."""

from collections.abc import Iterable, Mapping
from contextlib import suppress

from collector.adb import AdbServer
from collector.errors import CollectorError, PhoneGoneError
from collector.recording.bench import Ready
from parsers.text import decode

ASK_DEADLINE_S = 5.0
COMMAND = "getprop service.adb.tcp.port"


def listening(server: AdbServer, phones: Iterable[Ready]) -> dict[str, str]:
    """Serial by label of each phone that takes adb connections without encryption.

    That is what `adb tcpip` leaves behind. Wireless debugging of Android 11 and newer asks for a
    pairing and is not meant here. A phone that does not answer is left out.

    References:
        AOSP packages/modules/adb/daemon/main.cpp (service.adb.tcp.port).
    """
    found = {}
    for phone in phones:
        try:
            told = server.phone(phone.serial).ask(COMMAND, ASK_DEADLINE_S).stdout
        except CollectorError:
            continue
        port = decode(told).strip()
        if port.isdigit() and int(port) > 0:
            found[phone.entry.label] = phone.serial
    return found


def stop_listening(server: AdbServer, phones: Mapping[str, str]) -> list[str]:
    """Makes them listen on USB alone; returns the labels of those that could not be told so.

    Args:
        server: the adb server.
        phones: serial by label, from `listening`.

    Raises:
        ServerGoneError: if no adb server answers.
    """
    failed = []
    states = server.states()
    for label, serial in phones.items():
        try:
            if states.get(serial) != "device":
                raise PhoneGoneError(serial, "close adb's port")
            with suppress(PhoneGoneError):  # it may go before it has answered, as it was told to
                server.open_service(serial, "usb:", "close adb's port").close()
        except CollectorError:
            failed.append(label)
    return failed
