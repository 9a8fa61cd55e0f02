"""Nothing of the working folder is imported: a borrowed board's folder may hold a `queue.py`.

Each test fails on the way that Python itself starts a module: `python -m` looks into the working folder first.
"""

import os
import subprocess
import sys

import pytest

from wakeboard.instruments import own_code

STARTED_FROM = ("queue", "tempfile", "json", "socket", "pyvisa", "pyvisa_py", "serial", "numpy", "wakeboard", "random")
BENCH = """
[instruments.supply]
kind = "psu"
address = "TCPIP::127.0.0.1::1::SOCKET"
feeds = { 1 = "USB" }
[instruments.meter]
kind = "dmm"
address = "TCPIP::127.0.0.1::1::SOCKET"
[probing]
by = "hand"
"""


@pytest.fixture
def borrowed(tmp_path, monkeypatch):
    """A board's folder with files that say so when they are run, and what they have said."""
    said = tmp_path / "said"
    folder = tmp_path / "board"
    folder.mkdir()
    for name in (*STARTED_FROM, "sitecustomize", "usercustomize"):
        text = f"import os\nwith open({os.fspath(said)!r}, 'a') as file: file.write({name + chr(10)!r})\n"
        (folder / f"{name}.py").write_text(text)
    monkeypatch.chdir(folder)
    for name in ("PYTHONPATH", "PYTHONSAFEPATH"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "path", ["", *sys.path])
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    return said


def test_the_traps_work(borrowed):
    """Or the tests below could not fail."""
    subprocess.run([sys.executable, "-c", "import queue"], check=True)
    assert borrowed.read_text() == "queue\n"


def test_the_guard_runs_nothing_of_the_folder(borrowed):
    from wakeboard.harness.run.guard.client import ProcessGuard

    guard = ProcessGuard([])
    guard.close()
    assert not borrowed.exists()


def test_a_whole_command_runs_nothing_of_the_folder(borrowed):
    """The installed program: it starts the guard, whose supply does not answer."""
    from wakeboard.harness.cli import execute

    assert execute(["new", "mine", "--no-input"]) == 0
    (borrowed.parent / "board" / "mine" / "bench.toml").write_text(BENCH)
    program = os.path.join(os.path.dirname(sys.executable), "wakeboard")
    sequence = next((borrowed.parent / "board" / "mine").glob("first*.toml"))
    done = subprocess.run(
        [program, "run", str(sequence), "--unit", "1", "--bench", "mine/bench.toml", "--no-input"],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode in (2, 3), done.stderr
    assert "Traceback" not in done.stderr
    assert not borrowed.exists()


def test_workers_of_a_pool_run_nothing_of_the_folder(borrowed):
    """Where a worker is a Python of its own (spawn, the only way on some systems), its path is the program's."""
    code = (
        "from wakeboard.instruments.own_code import keep_out; keep_out()\n"
        "import multiprocessing as m\n"
        "if __name__ == '__main__':\n"
        "    with m.get_context('spawn').Pool(1) as pool: print(pool.apply(len, ('abc',)))\n"
    )
    script = borrowed.with_name("program.py")
    script.write_text(code)
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False, timeout=60)
    assert done.stdout == "3\n", done.stderr
    assert not borrowed.exists()


def test_python_m_forgets_the_folder_at_once(tmp_path, monkeypatch):
    """What Python's own start imports before our first line, only `python -P` keeps from the folder."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "click.py").write_text("raise SystemExit(99)")
    done = subprocess.run([sys.executable, "-m", "wakeboard", "--version"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout[:9]) == (0, "wakeboard"), done.stderr


def test_the_path_is_fixed(borrowed, monkeypatch):
    monkeypatch.setattr(sys, "path", ["", os.getcwd(), "/added/site-packages", "/added/elsewhere"])
    assert own_code.fixed_path() == ["/added/site-packages"]
    own_code.keep_out()
    assert sys.path == ["/added/site-packages", "/added/elsewhere"]
