"""Settings of a phone that adb can set and put back: read, written, and read again."""

import re
from dataclasses import dataclass

from collector.adb import Phone
from collector.fairness.facts import DEADLINE_S, setting_of, volume_of

_VALUE = re.compile(r"-?\d{1,12}(?:\.\d{1,12})?")
_NAMESPACES = ("system", "global", "secure")
_NAME = re.compile(r"\w{1,80}")
_TITLES = {
    "adaptive_battery_management_enabled": "adaptive battery",
    "bluetooth_on": "bluetooth",
    "doze_always_on": "always-on display",
    "location_mode": "location",
    "low_power": "battery saver",
    "min_refresh_rate": "least refresh rate",
    "music_volume": "volume",
    "night_display_activated": "night light",
    "peak_refresh_rate": "refresh rate",
    "screen_brightness": "brightness slider",
    "screen_brightness_mode": "automatic brightness",
    "screen_off_timeout": "screen time-out",
    "stay_on_while_plugged_in": "stay awake",
    "ui_night_mode": "dark theme",
}
"""What people call a setting."""
_NUMBERS = {"music_volume", "screen_brightness"}
_HZ = {"peak_refresh_rate", "min_refresh_rate"}
_NIGHT_MODES = {"0": "automatic", "1": "off", "2": "on", "3": "by the clock"}
"""AOSP frameworks/base core/java/android/app/UiModeManager.java."""


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
        return _TITLES.get(self.name) or self.name.replace("_", " ")

    def word(self, value: str | None) -> str:
        """A value as people say it."""
        if value is None:
            return "its own default"
        number = f"{float(value):g}"
        if self.name in _NUMBERS or self.name not in _TITLES:
            return number
        if self.name in _HZ:
            return f"{number} Hz"
        if self.name == "screen_off_timeout":
            return f"{float(value) / 1000:.0f} s"
        if self.name == "ui_night_mode":
            return _NIGHT_MODES.get(number, number)
        return "off" if number == "0" else "on"

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
        phone.ask(self.command(value), DEADLINE_S)
        seen = self.read(phone)
        if not same_value(seen, value):
            raise ValueError(f"the phone keeps it at {self.word(seen)}")

    def command(self, value: str | None) -> str:
        """The shell command that sets it, or takes the setting away for None.

        Raises:
            ValueError: if nothing of the kind may be written.
        """
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
