"""Chromium, driven over its own debugging pipe: a page, what it said, what it asked for."""

import base64
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
DEADLINE_S = 30.0


class Browser:
    """One headless Chromium; commands and events as the DevTools protocol names them."""

    def __init__(self, program: str, profile: Path) -> None:
        to_read, self._out = os.pipe()
        self._in, to_write = os.pipe()
        # The browser reads commands from descriptor 3 and writes answers to descriptor 4.
        shell = f'exec "$0" "$@" 3<&{to_read} 4>&{to_write}'
        self._process = subprocess.Popen(
            [
                *("bash", "-c", shell, program, "--headless", "--no-sandbox", "--disable-gpu"),
                *("--disable-background-networking", "--remote-debugging-pipe"),
                *("--no-first-run", "--hide-scrollbars", f"--user-data-dir={profile}"),
            ],
            pass_fds=(to_read, to_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._rest = b""
        self._number = 0
        self._session = ""
        self.events: list[dict[str, Any]] = []
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)[
            "sessionId"
        ]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.ask(f"{domain}.enable")

    def ask(self, method: str, **params: object) -> dict[str, Any]:
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._message()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                result: dict[str, Any] = answer["result"]
                return result
            self.events.append(answer)

    def open(self, path: Path, width: int, height: int, *, dark: bool = False) -> None:
        self.events.clear()
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 500,
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.ask("Emulation.setEmulatedMedia", media="", features=[scheme])
        self.ask("Page.navigate", url=path.as_uri())
        deadline = time.monotonic() + DEADLINE_S
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            assert time.monotonic() < deadline, "the page did not load"
            self.events.append(self._message())

    def run(self, script: str) -> Any:
        done = self.ask(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in done, done["exceptionDetails"]
        return done["result"].get("value")

    def press(self, key: str) -> None:
        for kind in ("keyDown", "keyUp"):
            self.ask("Input.dispatchKeyEvent", type=kind, key=key, code=key, **_KEYS[key])

    def hover(self, x: float, y: float) -> None:
        self.ask("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def picture(self) -> bytes:
        return base64.b64decode(self.ask("Page.captureScreenshot")["data"])

    def paper(self) -> bytes:
        return base64.b64decode(self.ask("Page.printToPDF", preferCSSPageSize=True)["data"])

    @property
    def complaints(self) -> list[str]:
        """Errors and warnings on the console, and scripts that failed."""
        found = []
        for event in self.events:
            match event.get("method"):
                case "Runtime.exceptionThrown" | "Log.entryAdded":
                    found.append(json.dumps(event["params"]))
                case "Runtime.consoleAPICalled" if event["params"]["type"] in (
                    "error",
                    "warning",
                ):
                    found.append(json.dumps(event["params"]["args"]))
        return found

    @property
    def requests(self) -> list[str]:
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]

    def close(self) -> None:
        os.close(self._out)
        os.close(self._in)
        self._process.terminate()
        self._process.wait(timeout=DEADLINE_S)

    def _message(self) -> dict[str, Any]:
        deadline = time.monotonic() + DEADLINE_S
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._in], [], [], max(deadline - time.monotonic(), 0))
            assert ready, "the browser does not answer"
            part = os.read(self._in, 1 << 16)
            assert part, "the browser has gone"
            self._rest += part
        body, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(body)
        return message


_KEYS = {
    "Tab": {"windowsVirtualKeyCode": 9},
    "ArrowRight": {"windowsVirtualKeyCode": 39},
    "End": {"windowsVirtualKeyCode": 35},
}


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    program = shutil.which("chromium") or shutil.which("google-chrome")
    assert program, "the tests of the page need Chromium: ./.ci/setup dev installs it"
    found = Browser(program, tmp_path_factory.mktemp("profile"))
    yield found
    found.close()


@pytest.fixture(scope="session")
def axe() -> str:
    assert AXE.is_file(), "the tests of the page need axe-core: ./.ci/setup dev installs it"
    return AXE.read_text("utf-8")
