"""What open pages take from the guard: the gaps between its samples, with no page and with fifty, in turn.

    python tests/benchmarks/page_open.py [RUNS [PAGES]]

The toy board is served at real sockets; a run holds its supply on for some seconds. The gaps come from the trace that
the guard kept of that time. Each page is a reader of the event stream, as a browser is one.
"""

from __future__ import annotations

import http.client
import statistics
import sys
import tempfile
import threading
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "page"))
from bench import Command, hand_bench

from wakeboard.results.store.store import Store

STEPS = (
    '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\nwhy = "a measurement"\n'
    '[[step]]\ndo = "wait"\nfor = "6 s"\n[[step]]\ndo = "power off"\n'
)


def open_pages(address: str, count: int) -> list[bool]:
    """So many readers of the stream, each of which adds whether it was let in. They end with the server."""
    host, _, path = address.removeprefix("http://").partition("/")
    link = http.client.HTTPConnection(host, timeout=30)
    link.request("GET", f"/{path}", headers={"Host": host})
    cookie = link.getresponse().getheader("set-cookie", "").partition(";")[0]
    opened: list[bool] = []

    def read() -> None:
        stream = http.client.HTTPConnection(host, timeout=60)
        stream.request("GET", "/events", headers={"Host": host, "Cookie": cookie})
        reply = stream.getresponse()
        opened.append(reply.status == 200)
        while reply.read1(65536):
            pass

    for _ in range(count):
        threading.Thread(target=read, daemon=True).start()
    return opened


def gaps(pages: int) -> list[float]:
    """s between the guard's samples of one run."""
    with tempfile.TemporaryDirectory() as name, hand_bench(Path(name)) as bench:
        bench.steps(STEPS)
        more = ["--page"] if pages else []
        with Command(bench.folder, "run", "steps.toml", "--unit", "T-1", "--bench", "bench.toml", "--no-input",
                     "--energise", *more) as command:  # fmt: skip
            opened = open_pages(command.address, pages) if pages else []
            assert command.wait() == 0, command.text
            assert opened.count(True) == pages, "not every page was open"
        with Store.open(bench.folder / "wakeboard.db") as store:
            trace = store.run().steps[1].trace
        assert trace is not None
        return [after - before for before, after in pairwise(trace.supplies["USB"].times)]


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    pages = int(sys.argv[2]) if len(sys.argv) > 2 else 50
    found: dict[int, list[float]] = {0: [], pages: []}
    for _ in range(runs):
        for count, all_gaps in found.items():
            all_gaps += gaps(count)
    print("pages  samples  median ms  99 % ms  longest ms")
    for count, each in found.items():
        ranked = sorted(each)
        middle, high = statistics.median(ranked), ranked[int(0.99 * (len(ranked) - 1))]
        print(f"{count:5}  {len(ranked):7}  {middle * 1e3:9.1f}  {high * 1e3:7.1f}  {ranked[-1] * 1e3:10.1f}")


if __name__ == "__main__":
    main()
