"""What a plan may have done on the phones by themselves, and the shell commands it becomes.

Places on the screen are shares of its width and height, so that a plan fits every phone.
"""

import re
import shlex
from typing import Annotated, Literal, Protocol

from pydantic import BaseModel, ConfigDict, Field, field_validator

from collector.driving.numbers import international
from collector.errors import NumberRefusedError
from collector.fairness.knobs import VOLUME, Knob
from parsers.text import printable

_PACKAGE = r"[A-Za-z][A-Za-z0-9_]{0,80}(?:\.[A-Za-z0-9_]{1,80}){1,20}"
_COMPONENT = re.compile(rf"{_PACKAGE}(?:/[.A-Za-z0-9_$]{{1,200}})?")
_LINK = re.compile(
    r"(?:https?|geo|rtsp|market|content|file)://?[\x21-\x7e]{1,1000}|geo:[\x21-\x7e]{1,200}"
)
_TEXT = re.compile(r"[\x20-\x7e]{1,200}")
_KEY_PLAY, _KEY_PAUSE, _KEY_CAMERA, _KEY_END_CALL, _KEY_ENTER, _KEY_WAKE_UP = (
    126, 127, 27, 6, 66, 224
)  # fmt: skip
"""AOSP android/view/KeyEvent.java; the power key is never pressed: repeated, it calls for help."""

_TIMEOUT = Knob(namespace="system", name="screen_off_timeout")

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Place = Annotated[list[Share], Field(min_length=2, max_length=2)]
EverySeconds = Annotated[float, Field(ge=1.0, le=3600.0)]


def checked_package(name: str) -> str:
    """The name, if it is a package's.

    Raises:
        ValueError: if it is not, in a sentence.
    """
    if re.fullmatch(_PACKAGE, name) is None:
        raise ValueError(f"'{printable(name, 40)}' is no package like org.example.wayfinder")
    return name


class Screen(Protocol):
    """A phone's screen in pixels."""

    @property
    def width(self) -> int:
        """Pixels across."""
        ...

    @property
    def height(self) -> int:
        """Pixels down."""
        ...


class Step(BaseModel):
    """One shell command on the phone.

    Attributes:
        command: as the phone's shell gets it.
        every_s: how often; None for once, when the segment begins.
        at_end: once, when it ends, also when it is broken off.
        after_s: so long after the beginning.
    """

    model_config = ConfigDict(frozen=True)

    command: str
    every_s: float | None = None
    at_end: bool = False
    after_s: float = 0.0


class _Action(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    after_s: Annotated[float, Field(ge=0.0, le=86_400.0)] = 0.0

    def settings(self) -> list[tuple[Knob, str]]:
        """What is set before it begins, each old value kept and put back in the end."""
        return []

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        del screen
        return []

    def _once(self, command: str) -> Step:
        return Step(command=command, after_s=self.after_s)

    def _at_end(self, command: str) -> Step:
        return Step(command=command, at_end=True)

    def _repeated(self, command: str, every_s: float | None) -> Step:
        return Step(command=command, every_s=every_s, after_s=self.after_s)


class OpenApp(_Action):
    """Brings an app to the front."""

    action: Literal["open"]
    app: str

    @field_validator("app")
    @classmethod
    def _named(cls, app: str) -> str:
        if _COMPONENT.fullmatch(app) is None:
            raise ValueError(f"'{app}' is no app like org.example.wayfinder")
        return app

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        del screen
        if "/" in self.app:
            return [self._once(f"am start -n {shlex.quote(self.app)}")]
        return [self._once(f"monkey -p {self.app} -c android.intent.category.LAUNCHER 1")]


class OpenLink(_Action):
    """Opens a link with whatever app the phone has for it."""

    action: Literal["link"]
    link: str
    every_s: EverySeconds | None = None

    @field_validator("link")
    @classmethod
    def _known_scheme(cls, link: str) -> str:
        if _LINK.fullmatch(link) is None:
            raise ValueError(f"'{link}' is not a link of http, https, geo, rtsp, content or file")
        return link

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        del screen
        command = f"am start -a android.intent.action.VIEW -d {shlex.quote(self.link)}"
        return [self._repeated(command, self.every_s)]


class Swipe(_Action):
    """Draws a finger over the screen, again and again."""

    action: Literal["swipe"]
    from_: Place = Field(alias="from")
    to: Place
    duration_ms: Annotated[int, Field(ge=50, le=5000)] = 300
    every_s: EverySeconds

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        places = f"{_pixels(self.from_, screen)} {_pixels(self.to, screen)}"
        return [self._repeated(f"input swipe {places} {self.duration_ms}", self.every_s)]


class Tap(_Action):
    """Touches a place."""

    action: Literal["tap"]
    at: Place
    every_s: EverySeconds | None = None

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        return [self._repeated(f"input tap {_pixels(self.at, screen)}", self.every_s)]


class TypeText(_Action):
    """Types into whatever has the focus."""

    action: Literal["type"]
    text: str
    enter: bool = False
    every_s: EverySeconds | None = None

    @field_validator("text")
    @classmethod
    def _plain(cls, text: str) -> str:
        if _TEXT.fullmatch(text) is None or "%" in text:
            raise ValueError("'text' takes 1 to 200 plain characters, no % (ASCII only)")
        return text

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        del screen
        typed = f"input text {shlex.quote(self.text.replace(' ', '%s'))}"
        enter = f"; input keyevent {_KEY_ENTER}" if self.enter else ""
        return [self._repeated(typed + enter, self.every_s)]


class Play(_Action):
    """Plays what the media app has ready, and pauses it at the end."""

    action: Literal["play"]

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        del screen
        return [
            self._once(f"input keyevent {_KEY_PLAY}"),
            self._at_end(f"input keyevent {_KEY_PAUSE}"),
        ]


class Volume(_Action):
    """Sets the media volume to a step of the phone's own scale; it is put back in the end."""

    action: Literal["volume"]
    step: Annotated[int, Field(ge=0, le=100)]

    def settings(self) -> list[tuple[Knob, str]]:
        """What is set, the old value kept."""
        return [(VOLUME, str(self.step))]


class Call(_Action):
    """Calls a number of the user's own list and hangs up in time."""

    action: Literal["call"]
    number: str
    max_s: Annotated[float, Field(gt=0.0, le=7200.0)]

    @field_validator("number")
    @classmethod
    def _never_an_emergency(cls, number: str) -> str:
        try:
            return international(number)
        except NumberRefusedError as exc:
            raise ValueError(str(exc)) from exc

    def steps(self, screen: Screen) -> list[Step]:
        """The commands; hangs up by itself even if the segment goes on."""
        del screen
        over = Step(command=f"input keyevent {_KEY_END_CALL}", after_s=self.after_s + self.max_s)
        return [
            self._once(f"am start -a android.intent.action.CALL -d tel:{self.number}"),
            over,
            self._at_end(f"input keyevent {_KEY_END_CALL}"),
        ]


class Film(_Action):
    """Films with the phone's own camera app, and stops at the end."""

    action: Literal["film"]

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        del screen
        shutter = f"input keyevent {_KEY_CAMERA}"
        return [
            self._once("am start -a android.media.action.VIDEO_CAMERA"),
            Step(command=shutter, after_s=self.after_s + 3.0),
            self._at_end(shutter),
        ]


class Picture(_Action):
    """Takes pictures with the phone's own camera app."""

    action: Literal["picture"]
    every_s: EverySeconds

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        del screen
        shutter = Step(
            command=f"input keyevent {_KEY_CAMERA}",
            every_s=self.every_s,
            after_s=self.after_s + 3.0,
        )
        return [self._once("am start -a android.media.action.STILL_IMAGE_CAMERA"), shutter]


class ScreenOn(_Action):
    """Wakes the phone and keeps the screen from going dark; the time-out is put back."""

    action: Literal["screen_on"]

    def settings(self) -> list[tuple[Knob, str]]:
        """What is set, the old value kept."""
        return [(_TIMEOUT, str(2**31 - 1))]

    def steps(self, screen: Screen) -> list[Step]:
        """The commands."""
        del screen
        return [self._once(f"input keyevent {_KEY_WAKE_UP}")]


Action = Annotated[
    OpenApp | OpenLink | Swipe | Tap | TypeText | Play | Volume | Call | Film | Picture | ScreenOn,
    Field(discriminator="action"),
]
ACTION_NAMES = (
    "open", "link", "swipe", "tap", "type", "play", "volume", "call", "film", "picture",
    "screen_on",
)  # fmt: skip


def _pixels(place: list[float], screen: Screen) -> str:
    return " ".join(
        str(min(round(share * size), size - 1))
        for share, size in zip(place, (screen.width, screen.height), strict=True)
    )
