"""Rehearsals over several processes and machines: the same answer, nothing lost, nothing counted twice."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import sys
import threading
import time
import warnings
from pathlib import Path

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.rehearse import spread
from wakeboard.harness.rehearse.job import Job
from wakeboard.harness.rehearse.kept import Kept, KeptElsewhere
from wakeboard.harness.rehearse.pool import judge_all
from wakeboard.harness.rehearse.rehearsal import drawn_sets, rehearse

pytest.importorskip("distributed")
pytestmark = [pytest.mark.timeout(400), pytest.mark.filterwarnings("ignore")]


@pytest.fixture(scope="module")
def sequence(tmp_path_factory):
    sys.path.insert(0, str(Path(__file__).parent))
    import wren

    sys.path.pop(0)
    return load_sequence(wren.write(tmp_path_factory.mktemp("wren")))


@pytest.fixture(scope="module")
def pairs(sequence):
    return drawn_sets(sequence.board, 70, 2, 1)


@pytest.fixture(scope="module")
def answer(sequence, pairs):
    """What one process says, to compare with."""
    return plain(rehearse(sequence, pairs, workers=1))


def plain(rehearsal):
    document = rehearsal.as_json()
    del document["seconds"]
    return json.dumps(document)


def test_two_workers_give_the_same_answer_to_the_last_bit_and_a_second_call_computes_nothing(
    sequence, pairs, answer, tmp_path, monkeypatch
):
    keep = str(tmp_path / "pairs.jsonl")
    seen = []
    told = rehearse(sequence, pairs, on="local", workers=2, keep=keep, progress=lambda done, _total: seen.append(done))
    assert plain(told) == answer
    assert len(set(seen)) > 2  # as they come
    monkeypatch.setattr(spread, "_computed", lambda *_: pytest.fail("computed again"))
    assert plain(rehearse(sequence, pairs, on="local", keep=keep)) == answer


def test_what_a_killed_program_has_kept_is_not_computed_again(sequence, pairs, answer, tmp_path, monkeypatch):
    """The file is cut in the middle of a line, as a power cut leaves it."""
    keep = tmp_path / "pairs.jsonl"
    job = Job(sequence, pairs)
    computed = []

    def here(plan, pieces, on, workers):
        for first, texts in pieces.items():
            computed.append(first)
            yield spread.work(plan, first, texts)

    monkeypatch.setattr(spread, "_computed", here)
    whole = spread.judge_spread(job, pairs, keep=str(keep))
    assert computed == [0, 16, 32, 48, 64]
    data = keep.read_bytes()
    keep.write_bytes(data[: len(data) * 2 // 3])
    computed.clear()
    assert spread.judge_spread(job, pairs, keep=str(keep)) == whole
    assert 0 not in computed
    assert computed
    assert keep.read_bytes().count(b'"first"') == 5
    assert [each.trial.faults for each in whole] == [each.trial.faults for each in judge_all(job, pairs, workers=1)]
    with pytest.raises(KeptElsewhere, match="another rehearsal"):
        spread.judge_spread(job, pairs[:3], keep=str(keep))
    assert keep.read_bytes().count(b'"first"') == 5


def test_pieces_grow_with_the_whole():
    sizes = {total: spread.piece_of(total) for total in (1, 70, 800, 100_000, 10**9)}
    assert sizes == {1: 16, 70: 16, 800: 32, 100_000: 4096, 10**9: 4096}
    assert all(size % 16 == 0 for size in sizes.values()), "batches as in one process"


def test_a_large_piece_is_judged_as_small_ones_are(sequence, pairs):
    plan = spread.plan_of(Job(sequence, pairs), texts := [tuple(map(str, each)) for each in pairs[:40]])
    _, whole = spread.work(plan, 0, texts)
    assert whole == [each for first in (0, 16, 32) for each in spread.work(plan, first, texts[first : first + 16])[1]]


def test_a_file_of_something_else_is_left_alone(tmp_path):
    file = tmp_path / "notes.txt"
    file.write_text("what I know of the board\n")
    with pytest.raises(KeptElsewhere, match="no file of a rehearsal"), Kept.open(str(file), "d"):
        pass
    assert file.read_text() == "what I know of the board\n"


def test_a_worker_of_another_version_is_told(sequence, pairs):
    plan = spread.plan_of(Job(sequence, pairs), [["D1:short"]])._replace(version="wakeboard 0.0.1")
    with pytest.raises(spread.OtherVersion, match=r"process \d+ has wakeboard .* this program has wakeboard 0.0.1"):
        spread.work(plan, 0, [["D1:short"]])


def test_no_scheduler_is_told(sequence, pairs, monkeypatch):
    monkeypatch.setattr(spread, "TIMEOUT", 1.0)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
    with pytest.raises(spread.SpreadError, match=f"no scheduler at {address}: Connection refused; start one"):
        rehearse(sequence, pairs[:2], on=address)


@pytest.mark.parametrize("on", ["host:8786", "http://host:8786", "tcp://host", "tcp://host:0", "tcp://a b:1", "x"])
def test_what_is_no_address_is_told_before_anything_is_tried(sequence, pairs, on):
    with pytest.raises(spread.SpreadError, match=r'write "local", or a scheduler as tcp://host:8786'):
        rehearse(sequence, pairs[:2], on=on)


def test_somebody_else_at_the_address_is_told(sequence, pairs, monkeypatch):
    monkeypatch.setattr(spread, "TIMEOUT", 1.0)
    with socket.create_server(("127.0.0.1", 0)) as stranger:
        threading.Thread(target=_greet, args=(stranger,), daemon=True).start()
        address = f"tcp://127.0.0.1:{stranger.getsockname()[1]}"
        with pytest.raises(spread.SpreadError, match=f"what answers at {address} is no Dask scheduler"):
            rehearse(sequence, pairs[:2], on=address)


def _greet(stranger):
    with contextlib.suppress(OSError):
        while True:
            link, _ = stranger.accept()
            with link:
                link.sendall(b"220 a mail server\r\n")


# --- a scheduler and workers in processes of their own ----------------------------------------------------------------
class Machines:
    """A scheduler and two workers, each a process that can be killed."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "scheduler.json"
        self.processes: list[subprocess.Popen[bytes]] = []
        self.scheduler = self.start(
            "dask_scheduler", "--port", "0", "--no-dashboard", "--scheduler-file", str(self.file)
        )
        while (address := self._told()) is None:
            assert self.scheduler.poll() is None
            time.sleep(0.05)
        self.address = address

    def _told(self) -> str | None:
        """Where the scheduler listens, once its file is whole: it is there before it is written."""
        try:
            return json.loads(self.file.read_text())["address"]
        except (FileNotFoundError, ValueError):
            return None

    def start(self, module: str, *arguments: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.{module}", *arguments]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self.processes.append(process)
        return process

    def worker(self) -> subprocess.Popen[bytes]:
        return self.start("dask_worker", self.address, "--no-nanny", "--nthreads", "1", "--no-dashboard",
                          "--memory-limit", "0")  # fmt: skip

    def end(self) -> None:
        for process in self.processes:
            process.kill()
            process.wait()


@pytest.fixture
def machines(tmp_path):
    made = Machines(tmp_path)
    yield made
    made.end()


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_a_killed_worker_costs_its_piece_only(sequence, pairs, answer, machines):
    first = machines.worker()
    killed = []

    def progress(done, total):
        if done and not killed:
            killed.append(done)
            machines.worker()
            first.send_signal(signal.SIGKILL)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert plain(rehearse(sequence, pairs, on=machines.address, progress=progress)) == answer
    assert killed
    assert first.wait(20) == -signal.SIGKILL


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_a_scheduler_that_goes_is_told_and_what_came_is_kept(sequence, pairs, machines, tmp_path, monkeypatch):
    monkeypatch.setattr(spread, "SILENCE", 0.5)
    machines.worker()
    keep = tmp_path / "kept.jsonl"

    def progress(done, total):
        if done:
            machines.scheduler.send_signal(signal.SIGKILL)

    with pytest.raises(spread.SpreadError, match="is gone"):
        rehearse(sequence, pairs, on=machines.address, keep=str(keep), progress=progress)
    assert keep.read_bytes().count(b'"first"') >= 1
