"""`explain --ask --bench` in a process of its own against the virtual bench on its ports: measured, and broken off.

Nothing here asserts how long something takes; waits end as soon as what is waited for is seen, and give up late.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import json
import runpy
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.processes import LATE, start, wait_until
from wakeboard.harness.describe.load import load_bench
from wakeboard.results.records import ASKED
from wakeboard.results.store.store import Store

TOOLS = runpy.run_path(str(Path(__file__).with_name("skep_bench.py")))
UNIT = "SK-A-005"
pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="signals and ptys of POSIX systems"),
    pytest.mark.timeout(240),  # a loaded computer: five processes
]


class Served:
    """A folder with the unit's first look in its store, and its bench served on ports; `on` asks the supply itself."""

    def __init__(self, folder: Path) -> None:
        self.folder = TOOLS["skep_folder"](folder)
        with Store.open(folder / "wakeboard.db") as store:
            TOOLS["look_at"](folder, UNIT, store)
            self.look = store.run().id
        self.process = start("virtual", "board.toml", "--unit", UNIT, "--settled", "--bench-file", "bench.toml",
                             folder=folder)  # fmt: skip
        wait_until((folder / "bench.toml").exists, "the bench file")
        self.port = int(load_bench(folder / "bench.toml").instruments["supply"].address.split("::")[2])

    def on(self) -> bool:
        with socket.create_connection(("127.0.0.1", self.port), timeout=10) as link:
            link.sendall(b"OUTP? (@1)\n")
            return link.recv(100).strip() in (b"1", b"+1", b"ON")

    def ask(self) -> subprocess.Popen[bytes]:
        return start(
            "explain",
            self.look,
            "--ask",
            "--bench",
            "bench.toml",
            "--energise",
            "--alone",
            "--json",
            folder=self.folder,
        )

    def asked_runs(self) -> list[Any]:
        with Store.open(self.folder / "wakeboard.db") as store:
            store.mark_abandoned()
            return [store.run(summary.id) for summary in store.runs(sequence=ASKED)]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("served")
        patch.setenv("WAKEBOARD_LOCKS", str(folder / "locks"))
        bench = Served(folder)
        yield bench
        bench.process.kill()
        bench.process.communicate()


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 4), (signal.SIGKILL, -signal.SIGKILL)])
def test_broken_off_with_the_board_powered_everything_goes_off(served: Served, number: int, code: int) -> None:
    asking = served.ask()
    wait_until(lambda: served.on() or asking.poll() is not None, "the output on")
    assert asking.poll() is None, asking.communicate()
    asking.send_signal(number)
    _, said = asking.communicate(timeout=LATE)
    assert asking.returncode == code, said.decode()
    wait_until(lambda: not served.on(), "the output off")
    assert b"Traceback" not in said
    newest = served.asked_runs()[0]
    assert newest.outcome == "error"
    assert newest.outputs_off is (
        True if code == 4 else None
    )  # a killed program has confirmed nothing; the guard acted


def test_over_the_wire_it_measures_until_one_group_is_left(served: Served) -> None:
    asking = served.ask()
    out, said = asking.communicate(timeout=LATE)
    assert asking.returncode == 0, said.decode()
    assert not served.on()
    document = json.loads(out)
    best = document["candidates"][0]
    assert {text.partition("=")[0] for text in best["faults"]} == {"R14:missing", "U5.NRST:pull_up"}
    assert best["probability"] > 0.97
    assert document["asked"]["outputs_off"] is True
    assert any(taken["readings"] for taken in document["asked"]["taken"])
    assert served.asked_runs()[0].id == document["asked"]["run"]
