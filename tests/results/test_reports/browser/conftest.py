"""A real Chromium, without a window, spoken to over a pipe (DevTools protocol, remote debugging pipe on fds 3 and 4).

Skipped where Chromium is missing, except in CI, where a missing browser is a failure.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
]


# The browser expects the two pipes as file descriptors 3 and 4.
PUT_PIPES = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(n), fcntl.F_DUPFD, 10) for n in sys.argv[1:3]]
for place, end in zip((3, 4), ends):
    os.dup2(end, place)
os.execvp(sys.argv[3], sys.argv[3:])
"""


class Chromium:
    """One browser process; `call` sends a command of the protocol and waits for its answer, keeping what it tells."""

    def __init__(self, program: str, profile: Path) -> None:
        to_browser, self._write = os.pipe()
        self._read, from_browser = os.pipe()
        command = [program, *FLAGS, f"--user-data-dir={profile}", "about:blank"]
        self.process = subprocess.Popen(
            [sys.executable, "-c", PUT_PIPES, str(to_browser), str(from_browser), *command],
            pass_fds=(to_browser, from_browser),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._rest = b""
        self._number = 0
        self.told: list[dict[str, Any]] = []

    def call(self, method: str, session: str | None = None, **params: Any) -> dict[str, Any]:
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if session:
            message["sessionId"] = session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") != self._number:
                self.told.append(answer)
                continue
            assert "error" not in answer, f"{method}: {answer['error']}"
            result: dict[str, Any] = answer["result"]
            return result

    def wait_for(self, method: str) -> None:
        while not any(event.get("method") == method for event in self.told):
            self.told.append(self._next())

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            piece = os.read(self._read, 1 << 16)
            assert piece, "the browser went away"
            self._rest += piece
        line, self._rest = self._rest.split(b"\0", 1)
        message: dict[str, Any] = json.loads(line)
        return message

    def close(self) -> None:
        try:
            self.call("Browser.close")
        except (OSError, AssertionError):
            self.process.kill()
        self.process.wait(10)
        os.close(self._read)
        os.close(self._write)


@dataclass
class Page:
    """A report opened in the browser at one width and in one theme."""

    browser: Chromium
    session: str
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def evaluate(self, script: str) -> Any:
        answer = self.browser.call(
            "Runtime.evaluate", self.session, expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def press(self, key: str, code: int) -> None:
        for kind in ("rawKeyDown", "keyUp"):
            self.browser.call(
                "Input.dispatchKeyEvent", self.session, type=kind, key=key, code=key, windowsVirtualKeyCode=code
            )

    def screenshot(self, to: Path) -> None:
        shot = self.browser.call("Page.captureScreenshot", self.session, captureBeyondViewport=True)
        to.write_bytes(base64.b64decode(shot["data"]))

    def gather(self) -> None:
        """Sorts what the browser told since the page began to load."""
        for event in self.browser.told:
            params = event.get("params", {})
            match event.get("method"):
                case "Network.requestWillBeSent":
                    self.requests.append(params["request"]["url"])
                case "Runtime.consoleAPICalled" | "Runtime.exceptionThrown":
                    self.complaints.append(json.dumps(params)[:300])
                case "Log.entryAdded":
                    self.complaints.append(params["entry"]["text"])
        self.browser.told.clear()


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    program = next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)
    if program is None:
        assert not os.environ.get("CI"), "CI needs Chromium for the tests of the reports (Debian: chromium)"
        pytest.skip("Chromium is not installed (Debian: chromium)")
    browser = Chromium(program, tmp_path_factory.mktemp("chromium"))
    yield browser
    browser.close()


@pytest.fixture
def open_page(chromium: Chromium, tmp_path: Path) -> Iterator[Callable[..., Page]]:
    """open_page(html, width=390, dark=False) -> Page; closed after the test."""
    targets = []

    def open_(html: str, width: int = 1280, dark: bool = False, media: str = "") -> Page:
        file = tmp_path / f"page{len(targets)}.html"
        file.write_text(html, encoding="utf-8")
        chromium.told.clear()
        target = chromium.call("Target.createTarget", url="about:blank")["targetId"]
        targets.append(target)
        session = chromium.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            chromium.call(f"{domain}.enable", session)
        theme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        chromium.call("Emulation.setEmulatedMedia", session, media=media, features=[theme])
        chromium.call(
            "Emulation.setDeviceMetricsOverride", session, width=width, height=900, deviceScaleFactor=1, mobile=False
        )
        chromium.told.clear()
        chromium.call("Page.navigate", session, url=file.as_uri())
        chromium.wait_for("Page.loadEventFired")
        page = Page(chromium, session)
        time.sleep(0.05)  # what is told after loading (a late request) must be heard too
        page.evaluate("document.fonts.ready.then(() => 1)")
        page.gather()
        return page

    yield open_
    for target in targets:
        chromium.call("Target.closeTarget", targetId=target)
