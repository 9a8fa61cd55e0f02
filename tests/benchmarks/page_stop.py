"""From pressing Stop on the page to the off command at the supply's socket, in mid-ramp, beside what was promised.

    python tests/benchmarks/page_stop.py [RUNS]

Both moments are of one clock: the press is the request that the page's script sends, the command is noted where the
virtual supply takes it. The promise is what `wakeboard bench` says for an over-current on this bench, measured just
before: a round of the guard's questions and the commands for each output.
"""

from __future__ import annotations

import http.client
import json
import re
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "page"))
from bench import Command, hand_bench

STEPS = (
    '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\nwhy = "a measurement"\nramp = "0.05 V every 200 ms"\n'
)


class Browser:
    """The requests of one page."""

    def __init__(self, address: str) -> None:
        self.host, _, path = address.removeprefix("http://").partition("/")
        reply = self._ask("GET", f"/{path}")
        self.cookie = reply[0].partition(";")[0]
        self.csrf = re.findall(r'name="page" content="([^"]+)"', self._ask("GET", "/")[1])[0]

    def stop(self) -> None:
        self._ask("POST", "/stop", Origin=f"http://{self.host}", **{"x-wakeboard-page": self.csrf})

    def _ask(self, method: str, path: str, **headers: str) -> tuple[str, str]:
        link = http.client.HTTPConnection(self.host, timeout=30)
        cookie = {"Cookie": self.cookie} if hasattr(self, "cookie") else {}
        link.request(method, path, "{}" if method == "POST" else None, {"Host": self.host, **cookie, **headers})
        reply = link.getresponse()
        found = reply.getheader("set-cookie", ""), reply.read().decode()
        link.close()
        return found


def one(folder: Path) -> tuple[float, dict[str, float]]:
    """(s from the press to the last output's off command, event -> s promised)."""
    offs: list[float] = []

    def heard(name: str, way: str, text: str) -> None:
        if name == "supply" and way == ">" and "OUTP OFF" in text:
            offs.append(time.monotonic())

    with hand_bench(folder, heard) as bench:
        bench.steps(STEPS)
        with Command(folder, "bench", "bench.toml", "--json") as told:
            told.wait()
            document = json.loads(told.text[told.text.index("{") : told.text.rindex("}") + 1])
        promised = {bound["event"]: bound["seconds"] for bound in document["budget"]}
        with Command(folder, "run", "steps.toml", "--unit", "T-1", "--bench", "bench.toml", "--no-input", "--energise",
                     "--page") as command:  # fmt: skip
            browser = Browser(command.address)
            while not bench.on:
                time.sleep(0.05)
            time.sleep(1.0)
            pressed = time.monotonic()
            browser.stop()
            assert command.wait() == 4, command.text
    return min(at for at in offs if at > pressed) - pressed, promised


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    found = []
    for _ in range(runs):
        with tempfile.TemporaryDirectory() as name:
            found.append(one(Path(name)))
    took = [each[0] for each in found]
    print(f"{runs} stops: off command {statistics.median(took) * 1e3:.0f} ms after the press (median), "
          f"{max(took) * 1e3:.0f} ms at most")  # fmt: skip
    for event in found[0][1]:
        print(f"  promised after {event}: {statistics.median(each[1][event] for each in found) * 1e3:.0f} ms (median)")


if __name__ == "__main__":
    main()
