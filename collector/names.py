"""Names of links on the screen: enough to tell phones apart, not the phone's serial number."""

from collections.abc import Collection

from parsers.text import printable

_TLS_SUFFIX = "._adb-tls-connect._tcp"
_FEWEST_CHARS = 4


def short_names(serials: Collection[str]) -> dict[str, str]:
    """What each link is called on the screen; an address of the network is shown in full."""
    return {serial: _short(serial, serials) for serial in serials}


def full_name(given: str, serials: Collection[str]) -> str:
    """The link that the user means by its name, its short name or its ending; else as given."""
    if given in serials:
        return given
    ending = given.removeprefix("…")
    meant = [serial for serial in serials if _core(serial).endswith(ending)]
    return meant[0] if ending and len(meant) == 1 else given


def _short(serial: str, serials: Collection[str]) -> str:
    core = _core(serial)
    if core == serial and ":" in serial:
        return printable(serial, 40)
    others = [_core(other) for other in serials if other != serial]
    ending = next(
        core[-n:]
        for n in range(_FEWEST_CHARS, max(len(core), _FEWEST_CHARS) + 1)
        if n >= len(core) or not any(other.endswith(core[-n:]) for other in others)
    )
    return printable(core if ending == core else f"…{ending}", 40)


def _core(serial: str) -> str:
    return serial.removesuffix(_TLS_SUFFIX)
