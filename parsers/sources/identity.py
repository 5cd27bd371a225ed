"""System properties: which phone and which build this is, never its serial number.

References:
    AOSP frameworks/base/core/java/android/os/Build.java; AOSP system/core/toolbox/getprop.
"""

import re
from dataclasses import dataclass
from typing import Any

from parsers.dump import Dump
from parsers.outcome import Parsed
from parsers.text import printable

KIND = "identity"
COMMAND = "getprop"


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityRow:
    """The allow-listed properties, each made printable; every other property is dropped.

    Attributes:
        product: `ro.product.name`.
        android_release: the version shown to users.
        api_level: `ro.build.version.sdk`.
        emulator: True if the phone says that it is emulated.
        network_types: `gsm.network.type`, one word per SIM.
    """

    manufacturer: str | None = None
    brand: str | None = None
    model: str | None = None
    device: str | None = None
    product: str | None = None
    fingerprint: str | None = None
    android_release: str | None = None
    api_level: int | None = None
    incremental: str | None = None
    build_type: str | None = None
    hardware: str | None = None
    board_platform: str | None = None
    soc_manufacturer: str | None = None
    soc_model: str | None = None
    emulator: bool | None = None
    network_types: str | None = None


FIELDS = {
    "ro.product.manufacturer": "manufacturer",
    "ro.product.brand": "brand",
    "ro.product.model": "model",
    "ro.product.device": "device",
    "ro.product.name": "product",
    "ro.build.fingerprint": "fingerprint",
    "ro.build.version.release": "android_release",
    "ro.build.version.sdk": "api_level",
    "ro.build.version.incremental": "incremental",
    "ro.build.type": "build_type",
    "ro.hardware": "hardware",
    "ro.board.platform": "board_platform",
    "ro.soc.manufacturer": "soc_manufacturer",
    "ro.soc.model": "soc_model",
    "ro.boot.qemu": "emulator",
    "ro.kernel.qemu": "emulator",
    "gsm.network.type": "network_types",
}
_OPENING = re.compile(r"\[([\w.:@+/-]{1,200})\]: \[(.*)")
_LONGEST = 200
_API_LEVEL = re.compile(r"[0-9]{1,3}")


class _Reader:
    def __init__(self) -> None:
        self.values: dict[str, Any] = {}
        self.n_properties = 0
        self._open = False

    def take(self, line: str) -> bool:
        opening = _OPENING.fullmatch(line)
        if opening is None:
            continued = self._open  # the rest of a value with line ends in it
            self._open = self._open and not line.endswith("]")
            return continued
        name, rest = opening.groups()
        self._open = not rest.endswith("]")
        self.n_properties += 1
        if name in FIELDS and not self._open:
            return self._keep(FIELDS[name], rest[:-1])
        return True

    def _keep(self, field: str, text: str) -> bool:
        value: Any = printable(text.strip(), _LONGEST)
        if field == "api_level":
            value = int(text) if _API_LEVEL.fullmatch(text) else None
            if value is None:
                return False
        elif field == "emulator":
            self.values["emulator"] = bool(self.values.get("emulator")) or text == "1"
            return True
        self.values.setdefault(field, None if value in ("", "unknown") else value)
        return True


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the lines have one of the allow-listed properties in brackets."""
    starts = tuple(f"[{name}]: [" for name in FIELDS)
    return any(line.startswith(starts) for _, line in lines)


def parse(text: str) -> Parsed[IdentityRow]:
    """The phone's identity.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    reader = _Reader()
    dump.read(reader.take)
    row = IdentityRow(**reader.values)
    return dump.parsed(row, found=reader.n_properties > 0, needs="'[name]: [value]' line")
