"""The app in front, from the activity manager's or the window manager's dump.

References:
    AOSP services/core/java/com/android/server/wm: ActivityRecord.java (toString),
    ActivityTaskSupervisor.java, RootWindowContainer.java, DisplayContent.java (dump).
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump, keyed
from parsers.outcome import Parsed

KIND = "foreground"
COMMAND = "dumpsys activity activities"
"""`dumpsys window` is understood as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForegroundRow:
    """What the default display shows; both None when that is only a system window, or nothing.

    Attributes:
        package: name of the app.
        activity: full class name, whichever way it was shortened.
    """

    package: str | None = None
    activity: str | None = None


SPELLINGS = (
    "topResumedActivity=",
    "ResumedActivity:",
    "Resumed:",
    "mResumedActivity:",
    "mFocusedApp=",
    "mCurrentFocus=",
)
"""Best first: the whole display's app, then one task's, then a window that may be the system's."""
_DISPLAY = re.compile(r"(?:Display #|Display: mDisplayId=)([0-9]{1,10})\b.*")
_RECORD = re.compile(
    r"(?:ActivityRecord|Window)\{[0-9A-Za-z]{1,20} u[0-9]{1,6} "
    r"(android|[A-Za-z]\w{0,200}(?:\.\w{1,200}){1,30})/([\w$]{0,200}\.[\w.$]{1,400})(?=[ },]|$)",
    re.ASCII,
)
"""Strict, because the title of a window can be any text, even a private one."""
_SYSTEM_WINDOW = re.compile(r"mCurrentFocus=Window\{[^/]{1,400}\}")
_NOTHING = ("null", "")


class _Reader:
    def __init__(self) -> None:
        self.apps: dict[str, ForegroundRow] = {}
        self.n_read = 0
        self._default_display = True
        self._ours = keyed(SPELLINGS)

    def wants(self, line: str) -> bool:
        """Skips other lines, and those of other displays than the default one."""
        display = _DISPLAY.fullmatch(line.strip())
        if display is not None:
            self._default_display = int(display[1]) == 0
        return self._default_display and self._ours(line)

    def take(self, line: str) -> bool:
        text = line.strip()
        spelling = next(name for name in SPELLINGS if text.startswith(name))
        record = _RECORD.search(text)
        if record is not None:
            self.apps.setdefault(spelling, _app(record[1], record[2]))
        empty = text.removeprefix(spelling).strip() in _NOTHING
        understood = record is not None or empty or _SYSTEM_WINDOW.fullmatch(text) is not None
        self.n_read += understood
        return understood


def _app(package: str, activity: str) -> ForegroundRow:
    return ForegroundRow(
        package=package, activity=package + activity if activity.startswith(".") else activity
    )


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether a line says which activity is resumed or which window has the focus."""
    ours = keyed(SPELLINGS)
    return any(ours(line) for _, line in lines)


def parse(text: str) -> Parsed[ForegroundRow]:
    """The app in front. Lines that begin with none of the six spellings are skipped.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    reader = _Reader()
    dump.read(reader.take, reader.wants)
    apps = (reader.apps[spelling] for spelling in SPELLINGS if spelling in reader.apps)
    row = next(apps, ForegroundRow())
    return dump.parsed(row, found=reader.n_read > 0, needs="resumed or focused app")
