"""A real Chromium, driven over its debugging pipe (Chrome DevTools Protocol): no port, no driver, no further package.

with Chromium() as browser:
    tab = browser.tab("http://…", width=390)
    tab.says("#prompt-title")                   the text of an element, "" where it is hidden
    tab.click("#stop"); tab.press("Enter"); tab.picture(path)
"""

from __future__ import annotations

import base64
import contextlib
import itertools
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")
LATE = 60.0  # s: the machine may be busy with other things
CODES = {"Enter": 13, "Escape": 27, " ": 32}


class Chromium:
    """One browser, with an empty profile of its own unless one is given, which is kept then."""

    def __init__(self, profile: Path | None = None) -> None:
        assert PROGRAM
        self._kept = profile is not None
        self.profile = str(profile or tempfile.mkdtemp(prefix="chromium-"))
        to_browser, self._out = os.pipe()
        self._in, from_browser = os.pipe()

        def ends() -> None:  # in the new process: the pipe's ends become 3 and 4, whatever numbers they had
            one, two = os.dup(to_browser), os.dup(from_browser)
            os.dup2(one, 3)
            os.dup2(two, 4)

        self.process = subprocess.Popen(
            [PROGRAM, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe", "--no-first-run",
             "--disable-extensions", "--disable-dev-shm-usage", "--disable-background-networking",
             f"--user-data-dir={self.profile}", "about:blank"],
            preexec_fn=ends, close_fds=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(to_browser)
        os.close(from_browser)
        self._numbers = itertools.count(1)
        self._rest = b""
        self.events: list[dict[str, Any]] = []

    def __enter__(self) -> Chromium:
        return self

    def __exit__(self, *_error: object) -> None:
        if self._kept:  # as a person closes it: what it keeps is written
            with contextlib.suppress(AssertionError, OSError, subprocess.TimeoutExpired):
                self.call("Browser.close")
                self.process.wait(10)
        self.process.kill()
        self.process.wait(10)
        os.close(self._in)
        with contextlib.suppress(OSError):
            os.close(self._out)
        if not self._kept:
            shutil.rmtree(self.profile, ignore_errors=True)

    def call(self, method: str, session: str | None = None, **parameters: Any) -> Any:
        number = next(self._numbers)
        message: dict[str, Any] = {"id": number, "method": method, "params": parameters}
        if session:
            message["sessionId"] = session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        ends = time.monotonic() + LATE
        while True:
            answer = self._next(ends, method)
            if answer.get("id") == number:
                assert "error" not in answer, f"{method}: {answer['error']}"
                return answer["result"]
            self.events.append(answer)

    def _next(self, ends: float, method: str) -> dict[str, Any]:
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._in], [], [], max(0.0, ends - time.monotonic()))
            assert ready, f"no answer to {method}"
            chunk = os.read(self._in, 1 << 20)
            assert chunk, "the browser ended"
            self._rest += chunk
        line, _, self._rest = self._rest.partition(b"\0")
        return dict(json.loads(line))

    def tab(self, address: str, width: int = 1280, height: int = 900, dark: bool = False) -> Tab:
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        tab = Tab(self, session, target)
        tab.call("Page.enable")
        tab.call("Runtime.enable")
        tab.call("Log.enable")
        tab.call("Network.enable")
        tab.size(width, height, dark)
        tab.go(address)
        return tab


class Tab:
    """One page of it."""

    def __init__(self, browser: Chromium, session: str, target: str) -> None:
        self.browser = browser
        self.session = session
        self.target = target

    def call(self, method: str, **parameters: Any) -> Any:
        return self.browser.call(method, self.session, **parameters)

    def go(self, address: str) -> None:
        self.call("Page.navigate", url=address)
        self.until(lambda: self.run("document.readyState") == "complete", f"{address} loads")

    def size(self, width: int, height: int, dark: bool = False) -> None:
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1,
                  mobile=width < 600)  # fmt: skip
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])

    def run(self, script: str) -> Any:
        """The value of an expression in the page."""
        result = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in result, result["exceptionDetails"]
        return result["result"].get("value")

    def says(self, selector: str) -> str:
        """The text of an element as a person sees it; "" where it is not shown."""
        return self.says_each(selector)[0]

    def says_each(self, *selectors: str) -> list[str]:
        """Several at one moment: read one after the other, the first may be of an old question and the second of a new
        one."""
        return list(map(str, self.run(
            f"{json.dumps(selectors)}.map((s) => {{ const e = document.querySelector(s); "
            "return e && (e.offsetParent !== null || getComputedStyle(e).position === 'fixed') ? e.innerText : ''; })"
        )))  # fmt: skip

    def click(self, selector: str) -> None:
        """Where the element's middle is on the screen, as a finger would."""
        place = self.run(f"(() => {{ const e = document.querySelector({json.dumps(selector)}); "
                         "e.scrollIntoView({block: 'center'}); const r = e.getBoundingClientRect(); "
                         "return [r.x + r.width / 2, r.y + r.height / 2]; })()")  # fmt: skip
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=place[0], y=place[1], button="left", clickCount=1)

    def choose(self, selector: str, file: Path) -> None:
        """A file for a file input, as the dialog or the camera would give it."""
        found = self.call("Runtime.evaluate", expression=f"document.querySelector({json.dumps(selector)})")
        self.call("DOM.setFileInputFiles", files=[str(file)], objectId=found["result"]["objectId"])

    def press(self, key: str) -> None:
        """A key of the keyboard, a foot switch or a scanner."""
        text = "\r" if key == "Enter" else key if len(key) == 1 else ""
        code = CODES.get(key, ord(key[0].upper()))
        shared = {"key": key, "windowsVirtualKeyCode": code}
        self.call("Input.dispatchKeyEvent", type="keyDown", text=text, **shared)
        self.call("Input.dispatchKeyEvent", type="keyUp", **shared)

    def type(self, text: str) -> None:
        for each in text:
            self.press(each)

    def until(self, seen: Callable[[], Any], what: str, late: float = LATE) -> Any:
        ends = time.monotonic() + late
        while time.monotonic() < ends:
            if found := seen():
                return found
            time.sleep(0.1)
        raise AssertionError(f"never: {what}; the page says:\n{self.run('document.body.innerText')}")

    def picture(self, path: Path) -> None:
        data = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=False)["data"]
        path.write_bytes(base64.b64decode(data))

    def network(self, works: bool) -> None:
        self.call("Network.emulateNetworkConditions", offline=not works, latency=0, downloadThroughput=-1,
                  uploadThroughput=-1)  # fmt: skip

    def complaints(self) -> list[str]:
        """What the browser complained of: errors of the script, what the policy forbade."""
        return [
            json.dumps(event["params"])[:300]
            for event in self.browser.events
            if event.get("sessionId") == self.session
            and (event["method"] == "Runtime.exceptionThrown"
                 or (event["method"] == "Log.entryAdded" and event["params"]["entry"]["level"] == "error"))
        ]  # fmt: skip
