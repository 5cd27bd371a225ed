"""Display manager: state and brightness of the default display.

References:
    AOSP services/core/java/com/android/server/display/DisplayPowerState.java (dump).
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump, indent_of
from parsers.outcome import Parsed
from parsers.words import SCREEN, word

KIND = "display"
COMMAND = "dumpsys display"


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplayRow:
    """What the default display shows.

    Attributes:
        screen: `on`, `off`, `doze`, `doze_suspend`, ...
        brightness_ratio: 0 to 1 of the display's range; None if not within it.
    """

    screen: str | None = None
    brightness_ratio: float | None = None


_CONTROLLER = "Display Power Controller:"
_STATE = "Display Power State:"
_BACKLIGHT = "Photonic Modulator State:"
_DISPLAY_ID = re.compile(r"mDisplayId=([0-9]{1,10})")
_NUMBER = re.compile(r"(-?[0-9]{1,10})(\.[0-9]{1,40}(?:E-?[0-9]{1,2})?)?|NaN")
_HIGHEST_STEP = 255
"""Whole numbers (up to API 29) count from 0 to 255; fractions (from API 30) from 0 to 1."""
_IGNORED = (
    "mStopped=",
    "mSdrScreenBrightness=",
    "mScreenReady=",
    "mScreenUpdatePending=",
    "mColorFade",
    "mPendingState=",
    "mPendingBacklight=",
    "mPendingSdrBacklight=",
    "mActualState=",
    "mActualSdrBacklight=",
    "mStateChangeInProgress=",
    "mBacklightChangeInProgress=",
)


class _Reader:
    """Follows the blocks; keeps the first state block of display 0, or of a display without id."""

    def __init__(self) -> None:
        self.found = False
        self.screen: str | None = None
        self.brightness: dict[str, float | None] = {}
        self._display_id: str | None = None
        self._awaits_id = False
        self._indent: int | None = None  # of the header of the block being read
        self._done = False

    def wants(self, line: str) -> bool:
        text = line.strip()
        if text == _CONTROLLER:
            self._display_id, self._awaits_id, self._done = None, True, self.found
        elif self._awaits_id and (display := _DISPLAY_ID.fullmatch(text)) is not None:
            self._display_id, self._awaits_id = display[1], False
        if text in (_STATE, _BACKLIGHT):
            return self._enters(text, indent_of(line))
        if self._indent is not None and text.endswith(":") and indent_of(line) <= self._indent:
            self._indent = None
        return self._indent is not None

    def _enters(self, header: str, indent: int) -> bool:
        self._done = self._done or (self.found and header == _STATE)
        ours = not self._done and self._display_id in (None, "0")
        self._indent = indent if ours and (self.found or header == _STATE) else None
        self.found = self.found or (ours and header == _STATE)
        return self._indent is not None

    def take(self, line: str) -> bool:
        text = line.strip()
        if text in (_STATE, _BACKLIGHT) or text.startswith(_IGNORED):
            return True
        key, _, value = text.partition("=")
        if key == "mScreenState":
            self.screen = self.screen or word(value)
            return word(value) in SCREEN
        if key not in ("mScreenBrightness", "mActualBacklight"):
            return False
        match = _NUMBER.fullmatch(value)
        if match is not None:
            self.brightness.setdefault(key, _ratio(match))
        return match is not None


def _ratio(match: re.Match[str]) -> float | None:
    if match[1] is None:
        return None
    ratio = float(match[0]) if match[2] else int(match[0]) / _HIGHEST_STEP
    return ratio if 0 <= ratio <= 1 else None


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether the lines have the header of a display's power state."""
    return any(line.strip() == _STATE for _, line in lines)


def parse(text: str) -> Parsed[DisplayRow]:
    """State and brightness of the default display. Lines outside its state block are skipped.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    reader = _Reader()
    dump.read(reader.take, reader.wants)
    asked = reader.brightness.get("mScreenBrightness")
    row = DisplayRow(
        screen=reader.screen if reader.screen in SCREEN else None,
        brightness_ratio=asked if asked is not None else reader.brightness.get("mActualBacklight"),
    )
    return dump.parsed(row, found=reader.found, needs=f"'{_STATE}' block of the default display")
