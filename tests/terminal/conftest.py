"""Four virtual phones on a table, an adb server of their own, and a real terminal in front."""

import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from collector.adb_server import PrivateAdbServer
from collector.virtual.clock import FastTime
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import ALDER, BIRCH, CEDAR, Handset
from collector.virtual.loads import NAVIGATION, Activity
from collector.virtual.phone import VirtualPhone

ROOT = Path(__file__).parents[2]
DOGWOOD = replace(ALDER, key="dogwood", model="Dogwood", device="dogwood")
PROMPT = "ready> "
DEADLINE_S = 30.0


class Table:
    """Four phones that navigate, side by side, and a folder for what this computer keeps."""

    def __init__(self, farm: VirtualFarm, private: PrivateAdbServer, folder: Path) -> None:
        self.folder = folder
        self.farm = farm
        self.phones: dict[str, VirtualPhone] = {}
        self._port = private.port
        clock = FastTime(1.0)
        for spec in (ALDER, BIRCH, CEDAR, DOGWOOD):
            handset = Handset(spec, [], seed=1, until_off=False)
            handset.set_activity(NAVIGATION)
            handset.advance_to(handset.boot_s + 5)
            phone = VirtualPhone(handset, clock)
            self.phones[f"{spec.key}-1"] = phone
            private.connect(farm.add(phone).address)

    def play(self, label: str, activity: Activity) -> None:
        """Somebody takes a phone and does something else with it."""
        self.farm.call(self.phones[label].handset.set_activity, activity)

    def environment(self) -> dict[str, str]:
        """As of a user's shell; the program is on its path, and keeps its files in the folder."""
        bin_folder = self.folder / "bin"
        bin_folder.mkdir(exist_ok=True)
        program = bin_folder / "rundown"
        words = shlex.join([sys.executable, str(ROOT / "rundown.py")])
        program.write_text(f'#!/bin/sh\nexec {words} "$@"\n')
        program.chmod(0o755)
        homes = {
            f"XDG_{name}_HOME": str(self.folder / name) for name in ("DATA", "STATE", "CONFIG")
        }
        return {
            **homes,
            "ANDROID_ADB_SERVER_PORT": str(self._port),
            "HOME": str(self.folder),
            "LANG": "C.UTF-8",
            "PATH": f"{bin_folder}:{os.environ['PATH']}",
            "PS1": PROMPT,
            "TZ": "UTC",
        }


class Terminal:
    """A shell in tmux: what is typed goes in, and what a person would see comes out."""

    def __init__(self, folder: Path, given: dict[str, str], width: int, height: int) -> None:
        tmux = shutil.which("tmux")
        assert tmux, "install tmux: ./.ci/setup dev does"
        self._sockets = tempfile.TemporaryDirectory(prefix="rundown-tmux-")
        self._tmux = [tmux, "-f", os.devnull, "-S", f"{self._sockets.name}/socket"]
        named = (f"{name}={value}" for name, value in given.items())
        shell = shlex.join(["env", "-i", *named, "TERM=tmux-256color", "sh"])
        sizes = ("-x", f"{width}", "-y", f"{height}")
        self._run("new-session", "-d", *sizes, "-c", str(folder), shell)
        self._run("set-option", "-g", "history-limit", "5000")
        self.wait_for(PROMPT.strip())

    def close(self) -> None:
        """Ends the terminal and all that runs in it."""
        self._run("kill-server")
        self._sockets.cleanup()

    def resize(self, width: int, height: int) -> None:
        """As a person does who drags the window's corner."""
        self._run("resize-window", "-x", f"{width}", "-y", f"{height}")

    def type(self, text: str) -> None:
        """Presses keys."""
        self._run("send-keys", "-l", text)

    def press(self, key: str) -> None:
        """Presses a key that has a name, such as `C-c`."""
        self._run("send-keys", key)

    def run(self, command: str) -> None:
        """Gives the shell a command on an empty screen."""
        self._run("send-keys", "-R")
        self._run("clear-history")
        self.type(f'{command}; echo e""xit=$?\n')

    def end(self) -> tuple[int, str]:
        """Waits for the end of the command; its exit code, and everything on the terminal."""
        self.wait_for("exit=")
        text = self.everything()
        return int(text.rpartition("exit=")[2].split()[0]), text

    def finish(self, command: str) -> tuple[int, str]:
        """Gives the shell a command and waits for its end."""
        self.run(command)
        return self.end()

    def screen(self, *, colours: bool = False) -> list[str]:
        """The lines that are seen, as many as the window is high."""
        return self._run("capture-pane", "-p", *(["-e"] if colours else [])).split("\n")[:-1]

    def everything(self) -> str:
        """The screen and what has been scrolled off it, wrapped lines joined."""
        return self._run("capture-pane", "-p", "-J", "-S", "-")

    def wait_for(self, *said: str, but: str | None = None) -> list[str]:
        """The screen, once it says all that, and not the other."""
        deadline = time.monotonic() + DEADLINE_S
        while True:
            lines = self.screen()
            text = " ".join(" ".join(lines).split())
            if all(part in text for part in said) and (but is None or but not in text):
                return lines
            seen = "\n".join(lines)
            assert time.monotonic() < deadline, f"waited for {said}, not {but!r}; saw:\n{seen}"
            time.sleep(0.05)

    def state(self) -> tuple[str, str, str]:
        """What a program must leave as it was: line settings, cursor, and which screen is on."""
        tty, *flags = self._run(
            "display-message", "-p", "#{pane_tty}\n#{cursor_flag}\n#{alternate_on}"
        ).split()
        with Path(tty).open("rb") as terminal:
            modes = termios.tcgetattr(terminal)
        return repr(modes), flags[0], flags[1]

    def program(self) -> int:
        """Process id of the command that runs now."""
        shell = self._run("display-message", "-p", "#{pane_pid}").strip()
        found = subprocess.run(["pgrep", "-P", shell], capture_output=True, check=True)
        return int(found.stdout.split()[0])

    def _run(self, *words: str) -> str:
        outside = {name: value for name, value in os.environ.items() if name != "TMUX"}
        done = subprocess.run(
            [*self._tmux, *words], capture_output=True, timeout=15, check=False, env=outside
        )
        assert done.returncode == 0, done.stderr.decode()
        return done.stdout.decode()


@pytest.fixture
def table(tmp_path: Path) -> Iterator[Table]:
    with VirtualFarm() as farm, PrivateAdbServer() as private:
        yield Table(farm, private, tmp_path)


OpenTerminal = Callable[[int, int], Terminal]


@pytest.fixture
def open_terminal(table: Table) -> Iterator[OpenTerminal]:
    """Opens terminals of a width and height; they are closed in the end."""
    opened: list[Terminal] = []

    def open_one(width: int, height: int) -> Terminal:
        opened.append(Terminal(table.folder, table.environment(), width, height))
        return opened[-1]

    yield open_one
    for terminal in opened:
        terminal.close()
