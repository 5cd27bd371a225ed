"""Single keys from the terminal, without waiting for the return key; the terminal is put back."""

import os
import select
import signal
import sys
from types import FrameType
from typing import Any, Self

ENTER, ESCAPE, BACKSPACE = "\r", "\x1b", "\x7f"
_ENDINGS = ("SIGTERM", "SIGHUP")


class Keys:
    """Keys as they are pressed; use as a context manager.

    Where standard input is no terminal nothing is read, and nothing changed. While it is used, a
    polite end by signal leaves the terminal as it was, and Ctrl-Z is ignored: a recording that
    stands still would lose its phones.
    """

    def __init__(self) -> None:
        self._windows = sys.platform == "win32"
        self._saved: list[Any] | None = None
        self._handlers: dict[int, Any] = {}
        self.active = sys.stdin is not None and sys.stdin.isatty()

    def __enter__(self) -> Self:
        for name in _ENDINGS:
            if hasattr(signal, name):
                number = getattr(signal, name)
                self._handlers[number] = signal.signal(number, _end)
        if self.active and not self._windows:
            import termios  # noqa: PLC0415 - not on every platform
            import tty  # noqa: PLC0415

            self._saved = termios.tcgetattr(sys.stdin)
            tty.setcbreak(sys.stdin.fileno())
            self._handlers[signal.SIGTSTP] = signal.signal(signal.SIGTSTP, signal.SIG_IGN)
        return self

    def __exit__(self, *_: object) -> None:
        if self._saved is not None:
            import termios  # noqa: PLC0415

            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._saved)
            self._saved = None
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        self._handlers.clear()

    def pressed(self, timeout_s: float) -> str:
        """What was typed, after at most that long; empty if nothing was."""
        if not self.active:
            select.select([], [], [], timeout_s)
            return ""
        return self._windows_keys(timeout_s) if self._windows else self._posix_keys(timeout_s)

    def _posix_keys(self, timeout_s: float) -> str:
        readable, _, _ = select.select([sys.stdin], [], [], timeout_s)
        if not readable:
            return ""
        data = os.read(sys.stdin.fileno(), 256)
        if not data:
            self.active = False  # the terminal is gone
        text = data.decode("utf-8", "replace").replace("\n", ENTER).replace("\b", BACKSPACE)
        # An arrow or function key comes as several characters: it means nothing here.
        return "" if text.startswith(ESCAPE) and len(text) > 1 else text

    @staticmethod
    def _windows_keys(timeout_s: float) -> str:
        import msvcrt  # noqa: PLC0415 - only there
        import threading  # noqa: PLC0415

        reader: Any = msvcrt
        if not reader.kbhit():
            threading.Event().wait(timeout_s)
        text = ""
        while reader.kbhit():
            char = reader.getwch()
            if char in ("\x00", "\xe0"):
                reader.getwch()  # the second half of an arrow or function key
            else:
                text += char
        return text.replace("\b", BACKSPACE)


def _end(number: int, frame: FrameType | None) -> None:
    """Ends the program the way an error does, so that everything is closed and put back."""
    del frame
    raise SystemExit(128 + number)
