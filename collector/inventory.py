"""Attached phones as a user wants to see them: usable or not, what they report, what to fix."""

import json
from dataclasses import asdict, dataclass

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from collector.adb import AdbServer, Attached
from collector.errors import CollectorError
from collector.identity import identify
from collector.probe import probe
from parsers.text import printable

ADVICE = {
    "offline": "link lost: wait, or connect again",
    "unauthorized": "unlock the phone and accept the debugging key",
    "authorizing": "unlock the phone and accept the debugging key",
    "no permissions": "on Linux add a udev rule for the phone, or join the group that may use it",
    "recovery": "start the phone normally",
    "sideload": "start the phone normally",
    "bootloader": "start the phone normally",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One attached phone.

    Attributes:
        serial: the link's name, printable.
        state: the server's word for the link.
        model: as the phone says, printable; empty if it could not be asked.
        sources: what would be polled for what.
        refused: source and reason, for each that the phone denies.
        advice: what the user could do; empty if nothing is needed.
    """

    serial: str
    state: str
    model: str = ""
    sources: dict[str, str]
    refused: dict[str, str]
    advice: str = ""

    @property
    def usable(self) -> bool:
        """Whether it can be recorded now."""
        return bool(self.sources)


def inventory(server: AdbServer) -> list[Found]:
    """Asks every attached phone what it offers.

    Raises:
        ServerGoneError: if no adb server answers.
    """
    return [_found(server, attached) for attached in server.attached()]


def _found(server: AdbServer, attached: Attached) -> Found:
    serial = printable(attached.serial, 40)
    if attached.state != "device":
        advice = ADVICE.get(attached.state, "see whether the phone is on and debugging allowed")
        state = printable(attached.state, 20)
        return Found(serial=serial, state=state, sources={}, refused={}, advice=advice)
    phone = server.phone(attached.serial)
    try:
        model = printable(identify(phone).model, 40)
        offer = probe(phone)
    except CollectorError as exc:
        return Found(serial=serial, state=attached.state, sources={}, refused={}, advice=str(exc))
    advice = "" if "current" in offer.sources else "percent only: expect wide intervals"
    return Found(
        serial=serial,
        state=attached.state,
        model=model,
        sources=offer.sources,
        refused={name: printable(reason) for name, reason in offer.refused.items()},
        advice=advice,
    )


def print_inventory(found: list[Found], console: Console, *, as_json: bool) -> None:
    """Prints the phones as a table, or as JSON."""
    if as_json:
        console.print_json(json.dumps({"schema": 1, "phones": [asdict(phone) for phone in found]}))
        return
    if not found:
        console.print(
            "no phone attached: the cable may carry power only, USB or wireless debugging may be "
            "off, or the port may have changed"
        )
        return
    table = Table(box=None, pad_edge=False)
    for heading in ("phone", "link", "model", "reports", "to do"):
        table.add_column(heading)
    for phone in found:
        reports = ", ".join(f"{what} ({source})" for what, source in phone.sources.items())
        cells = (phone.serial, phone.state, phone.model, reports or "–", phone.advice or "–")
        table.add_row(*map(escape, cells))
    console.print(table)
