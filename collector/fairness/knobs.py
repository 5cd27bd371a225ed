"""Settings of a phone that adb can set and put back: read, written, and read again."""

import re
from dataclasses import dataclass

from collector.adb import Phone
from collector.fairness.facts import DEADLINE_S, setting_of, volume_of

_VALUE = re.compile(r"-?\d{1,12}(?:\.\d{1,12})?")
_NAMESPACES = ("system", "global", "secure")
_NAME = re.compile(r"\w{1,80}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Knob:
    """One setting.

    Attributes:
        namespace: `system`, `global`, `secure`, or `volume` for that of a stream.
        name: of the setting.
    """

    namespace: str
    name: str

    def __str__(self) -> str:
        return self.name.replace("_", " ")

    def read(self, phone: Phone) -> str | None:
        """What it is set to; None if it was never set.

        Raises:
            ValueError: if the phone does not tell, or it is nothing that could be put back.
            CollectorError: if the link breaks meanwhile.
        """
        if self.namespace != "volume":
            return setting_of(phone, self.namespace, self.name)
        volume = volume_of(phone)
        if volume is None:
            raise ValueError("no answer")
        return str(volume[0])

    def write(self, phone: Phone, value: str | None) -> None:
        """Sets it, or takes the setting away for None, and looks whether the phone took it.

        Raises:
            ValueError: if the phone did not take it, or nothing of the kind may be written.
            CollectorError: if the link breaks meanwhile.
        """
        phone.ask(self._command(value), DEADLINE_S)
        seen = self.read(phone)
        if not same_value(seen, value):
            raise ValueError(
                f"the phone keeps it at {'its own default' if seen is None else seen}"
            )

    def _command(self, value: str | None) -> str:
        if value is not None and _VALUE.fullmatch(value) is None:
            raise ValueError(f"'{value}' is no number")
        if self.namespace == "volume" and value is not None:
            return f"cmd media_session volume --stream 3 --set {value}"
        if self.namespace not in _NAMESPACES or _NAME.fullmatch(self.name) is None:
            raise ValueError(f"{self.namespace} {self.name} cannot be set")
        place = f"{self.namespace} {self.name}"
        return f"settings delete {place}" if value is None else f"settings put {place} {value}"


VOLUME = Knob(namespace="volume", name="music_volume")


def same_value(one: str | None, other: str | None) -> bool:
    """Whether two settings are the same number: `60` is `60.0`."""
    if one is None or other is None:
        return one is other
    return float(one) == float(other)
