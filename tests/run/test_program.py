"""A step that runs a program: bounded in time and output, agreed to, on record, and gone with its children.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import hashlib
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.describe import own
from wakeboard.harness.describe.files import check_files
from wakeboard.harness.describe.load import load_bench, load_sequence
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.errors import power_cut
from wakeboard.harness.run.guard.core import Cut
from wakeboard.harness.run.programs.beside import KEPT, Program
from wakeboard.harness.run.runner import Result, Runner
from wakeboard.harness.run.session import exit_code, run_start, take_unit
from wakeboard.harness.run.steps import program as kind
from wakeboard.results.told import ProgramTold

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="process groups are POSIX's")
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="orphans are found by Linux's /proc")
FORKS = """
import os, sys, time
def note(): open("pids", "a").write(f"{os.getpid()}\\n")
note()
if os.fork() == 0:
    note()
    if os.fork() == 0:
        os.setsid()                     # a daemon: out of the group, orphaned when its parent ends
        if os.fork() == 0:
            note(); open("ready", "w"); time.sleep(600)
        os._exit(0)
    time.sleep(600)
time.sleep(float(sys.argv[1]))
"""
POWER = '[[step]]\ndo = "resistance"\n[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\n'


@pytest.fixture(autouse=True)
def _own_config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


def alive(pids: Path) -> list[int]:
    """Those of a file of numbers that live and are no corpse."""
    found = []
    for pid in map(int, pids.read_text().split()):
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            continue
        found += [pid] if state not in "ZX" else []
    return found


def within(seconds: float, good: Callable[[], Any]) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if good():
            return True
        time.sleep(0.02)
    return False


def take(toy: Any, keys: str, *, before: str = "", unit: str = "T-1", agreed: bool = True) -> Result:
    """A run with one program step; agreed to, as a person would."""
    sequence = load_sequence(toy.steps(f'{before}[[step]]\ndo = "program"\nname = "it"\n{keys}\n'))
    with open_virtual(sequence.board, unit=unit) as bench:
        yes = (lambda question, text: "yes") if agreed else None
        return Runner(sequence, bench, run_start(sequence, bench, unit), asker=yes).run()


def problems(toy: Any, keys: str) -> list[str]:
    file = toy.steps(f'[[step]]\ndo = "program"\n{keys}\n')
    return [str(each) for checked in check_files([file]) for each in checked.problems]


def test_what_it_prints_becomes_readings_and_what_it_flashes_is_known(toy: Any) -> None:
    toy.write("loader.py", "import sys\nprint('wrote', sys.argv[1:], 'at 48.5 kB/s, 21,5 C, 3 retries')\n")
    toy.write("image.bin", "firmware")
    result = take(
        toy,
        'argv = ["{python}", "loader.py", "{board}", "{revision}", "{unit}", "image.bin", "{{x}}"]\n'
        'flashes = "image.bin"\n'
        "readings.rate = { pattern = 'at (?P<value>[\\d.]+) kB', unit = 'kB/s', expect = '> 40 kB/s' }\n"
        "readings.celsius = { pattern = '([\\d,]+) C', unit = 'degrees', expect = '< 20' }\n"
        "readings.retries = { pattern = '(\\d+) retries', expect = '0 .. 5' }\n"
        "readings.verified = { pattern = 'verified in ([\\d.]+) s', unit = 's' }\n",
    )
    step = result.record.steps[0]
    seen = {each.of: (each.value, each.unit, each.outcome) for each in step.readings}
    assert seen["it.rate"] == (48500.0, "B/s", "pass")
    assert seen["it.celsius"] == (21.5, "degrees", "fail")
    assert seen["it.retries"] == (3.0, "", "pass")
    assert seen["it.verified"][2] == "fail"  # it does not say so
    told = ProgramTold.of(step)
    assert told.exit == 0
    assert "['Toy', 'A', 'T-1', 'image.bin', '{x}']" in told.output
    assert told.flashed == {"image.bin": hashlib.sha256(b"firmware").hexdigest()}
    assert set(told.files or ()) == {"loader.py", sys.executable}
    assert told.flashed["image.bin"] in step.says


def test_another_exit_code_fails_stops_and_says_what_it_said_last(toy: Any) -> None:
    keys = """argv = ["sh", "-c", "echo first; echo no target >&2; exit 3"]"""
    result = take(toy, keys + '\n[[step]]\ndo = "wait"\nfor = "1 s"')
    assert [step.kind for step in result.record.steps] == ["program"]
    reading = result.record.steps[0].readings[0]
    assert reading.outcome == "fail"
    assert "exit code 3: 0 is expected" in reading.says
    assert "no target" in reading.says
    assert take(toy, keys + "\nexit = 3").outcome == "pass"


@LINUX
@pytest.mark.parametrize(("seconds", "outcome"), [("600", "fail"), ("0.3", "pass")])
def test_its_children_end_with_it(toy: Any, seconds: str, outcome: str) -> None:
    """One that hangs until its time is over, one that ends and leaves children behind: a daemon among them."""
    toy.write("forks.py", FORKS)
    limit = "1.5 s" if outcome == "fail" else "60 s"
    result = take(toy, f'argv = ["{{python}}", "forks.py", "{seconds}"]\ntimeout = "{limit}"', before=POWER)
    assert result.record.steps[2].outcome == outcome
    assert result.off.confirmed
    pids = toy.folder / "pids"
    assert len(pids.read_text().split()) >= 2
    assert within(5, lambda: not alive(pids))
    if outcome == "fail":
        assert "not over within 1.5 s" in result.record.steps[2].readings[0].says
        assert ProgramTold.of(result.record.steps[2]).exit is None


@LINUX
def test_it_ends_on_a_trip_and_what_it_said_is_kept(toy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    toy.write("forks.py", "print('begun', flush=True)\n" + FORKS)
    sequence = load_sequence(toy.steps(f'{POWER}[[step]]\ndo = "program"\nargv = ["{{python}}", "forks.py", "600"]\n'))
    with open_virtual(sequence.board, unit="T-1") as bench:
        runner = Runner(sequence, bench, run_start(sequence, bench, "T-1"), asker=lambda *_: "yes")
        pulse = runner.context.time.pulse

        def cut(*lease: float) -> None:
            if (toy.folder / "ready").exists():
                raise power_cut("USB", Cut("over-current", 0.0, 5.0, 0.2, "too much"))
            pulse(*lease)

        monkeypatch.setattr(runner.context.time, "pulse", cut)
        result = runner.run()
    assert result.outcome == "tripped"
    assert within(5, lambda: not alive(toy.folder / "pids"))
    step = next(step for step in result.record.steps if step.kind == "program")
    assert ProgramTold.of(step).output == "begun"


@LINUX
@pytest.mark.parametrize("how", ["interrupt", "kill"])
def test_it_ends_when_the_runner_is_interrupted_or_killed(tmp_path: Path, how: str) -> None:
    (tmp_path / "forks.py").write_text(FORKS)
    code = (
        "import sys\nfrom wakeboard.harness.run.programs.beside import Program\n"
        "with Program([sys.executable, 'forks.py', '600'], sys.argv[1]) as program:\n"
        "    while not program.wait(0.05):\n        pass\n"
    )
    runner = subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stderr=subprocess.DEVNULL)
    assert within(60, (tmp_path / "ready").exists)
    assert len(alive(tmp_path / "pids")) >= 3
    runner.send_signal(signal.SIGINT if how == "interrupt" else signal.SIGKILL)
    runner.wait(30)
    assert within(10, lambda: not alive(tmp_path / "pids"))


def test_a_hundred_megabytes_are_counted_and_not_kept(toy: Any) -> None:
    toy.write("loud.py", "import sys\nprint('speed 5 V')\nfor _ in range(100): sys.stdout.write('x' * 1000000)\n"
                         "print('\\ndone 7 V')\n")  # fmt: skip
    result = take(toy, 'argv = ["{python}", "loud.py"]\nreadings.first = { pattern = "speed (.*) V", unit = "V" }\n'
                       'readings.last = { pattern = "done (.*) V", unit = "V" }')  # fmt: skip
    step = result.record.steps[0]
    assert result.outcome == "pass"
    told = ProgramTold.of(step)
    assert told.output_bytes > 100_000_000
    assert len(told.output) < 2 * KEPT + 100
    assert "bytes were not kept" in told.output
    assert {each.of: each.value for each in step.readings if each.value} == {"it.first": 5.0, "it.last": 7.0}


def test_what_a_terminal_would_obey_is_shown_and_colours_do_not_hide_a_number(toy: Any) -> None:
    said = "\x1b]52;c;cm0=\x07\x1b[31mrate 12\x1b[0m.5 kB/s\u202e\x00\r\nend"
    toy.write("said.bin", said)
    result = take(toy, 'argv = ["cat", "said.bin"]\n'
                       "readings.rate = { pattern = 'rate ([\\d.]+)', unit = 'kB/s' }")  # fmt: skip
    output = ProgramTold.of(result.record.steps[0]).output
    assert "\x1b" not in output
    assert "\x00" not in output
    assert "\u202e" not in output
    assert "\\x1b]52" in output
    assert output.endswith("\nend")
    assert result.record.steps[0].readings[1].value == 12500.0


def test_a_pattern_that_would_take_for_ever_is_an_error(toy: Any) -> None:
    toy.write("a.txt", "a" * 60 + "c b")
    result = take(toy, 'argv = ["cat", "a.txt"]\nreadings.x = { pattern = "(a|a)+b" }')
    assert result.outcome == "error"
    assert "takes more than" in result.record.says


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ('argv = ["x", "{prot}"]', 'did you mean "port"'),
        ('argv = ["x", "{port.consol}"]', 'did you mean "port.console"'),
        ('argv = ["x"]\nflashes = "{uint}.bin"', 'did you mean "unit"'),
        ('argv = "rm -rf x"', "a list, the program first"),
        ("argv = []", "a list, the program first"),
        ('argv = ["x"]\nreadings.a = { pattern = "(" }', "a regular expression"),
        ('argv = ["x"]\nreadings.a = { pattern = "1", unit = "kB/s", expect = "> 3 V" }', "3 V"),
        ('argv = ["x"]\ntimeout = "0 s"', "longer than 0 s"),
        ('argv = ["x"]\nshell = true', "shell"),
    ],
)
def test_mistakes_in_the_file(toy: Any, keys: str, says: str) -> None:
    assert any(says in each for each in problems(toy, keys)), problems(toy, keys)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ('argv = ["no-such-program-here"]', "this computer has no program"),
        ('argv = ["loader.sh"]', 'the one beside the sequence is "./loader.sh"'),
        ('argv = ["./missing.sh"]', "that may be run"),
        ('argv = ["true", "x"]\nflashes = "missing.bin"', '"missing.bin" cannot be read'),
        ('argv = ["true", "{unit}"]', "the program would take it for an option"),
    ],
)
def test_what_is_missing_is_told_before_anything_is_on(toy: Any, keys: str, says: str) -> None:
    toy.write("loader.sh", "#!/bin/sh\n")
    result = take(toy, keys, before=POWER, unit="--erase")
    assert exit_code(result) == 2
    assert says in result.record.says
    assert result.record.steps == ()
    assert not result.record.energised_s


def test_nobody_s_command_line_is_run_unasked(toy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    toy.write("loader.sh", "touch ran\n")
    keys = 'argv = ["sh", "loader.sh"]'
    refused = take(toy, keys, agreed=False)
    assert exit_code(refused) == 2
    assert not (toy.folder / "ran").exists()
    digest = re.search(rf"{own.VARIABLE}=(\w+)", refused.record.says)
    assert digest is not None
    monkeypatch.setenv(own.VARIABLE, digest[1])
    assert take(toy, keys, agreed=False).outcome == "pass"
    toy.write("loader.sh", "touch ran-another\n")  # what it runs is not what was agreed to
    assert exit_code(take(toy, keys, agreed=False)) == 2
    assert take(toy, keys, agreed=True).outcome == "pass"
    assert take(toy, keys, agreed=False).outcome == "pass"  # a person is asked once


def test_a_rehearsal_runs_no_programs_and_a_virtual_bench_has_no_port(toy: Any) -> None:
    sequence = load_sequence(toy.steps('[[step]]\ndo = "program"\nargv = ["touch", "ran", "{port}"]\n'))
    assert take_unit(sequence, unit="T-1").outcome == "skipped"
    sequence = load_sequence(toy.steps('[[step]]\ndo = "program"\nargv = ["touch", "ran"]\n'))
    with open_virtual(sequence.board, unit="T-1") as bench:
        bench.runs_programs = False
        assert Runner(sequence, bench, run_start(sequence, bench, "T-1")).run().outcome == "skipped"
    assert not (toy.folder / "ran").exists()


def test_a_leash_that_is_killed_is_an_error_of_the_bench_and_the_program_ends(tmp_path: Path) -> None:
    from wakeboard.instruments.errors import BenchError

    with Program(["sleep", "600"], str(tmp_path)) as program:
        assert within(30, lambda: program._pid)
        program._leash.kill()
        with pytest.raises(BenchError, match="the process that keeps it died"):
            assert within(30, lambda: program.wait(0.02))
    assert program._pid is not None
    (tmp_path / "pids").write_text(str(program._pid))
    assert within(5, lambda: not alive(tmp_path / "pids"))


@pytest.mark.timeout(240)
def test_on_a_bench_of_its_own_the_guard_watches_and_the_port_is_free(
    toy: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The power stays on for longer than the runner's lease; the program opens the port that the console had, alone."""
    from wakeboard.harness.cli.virtual import bench_toml
    from wakeboard.harness.run.bench.virtual import virtual_bench
    from wakeboard.instruments.virtual.wire.server import running

    toy.write("loader.py", (
        "import serial, sys, time\nport = serial.Serial(sys.argv[1], int(sys.argv[2]), timeout=2, exclusive=True)\n"
        "port.write(b'id\\n'); time.sleep(4); print(port.read(200))\n"
    ))  # fmt: skip
    talk = '[[step]]\ndo = "talk"\nsend = "id"\nexpect = "toy [0-9.]+ C"\ntimeout = "10 s"\n'
    sequence = load_sequence(toy.steps(
        f'{POWER}{talk}[[step]]\ndo = "program"\nargv = ["{{python}}", "loader.py", "{{port}}", "{{baud.console}}"]\n'
        f"readings.version = {{ pattern = 'toy ([0-9.]+) C' }}\n{talk}"
    ))  # fmt: skip
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    bench = virtual_bench(sequence.board, unit="T-1", transients=False)
    with running(bench) as addresses:
        text = bench_toml("Toy", "T-1", bench.bench_description(addresses.instruments, console=addresses.console))
        text = re.sub(r'^(calibrated|due) = "(.*)"', r"\1 = \2", text, flags=re.MULTILINE)
        described = load_bench(toy.write("bench.toml", text), sequence.board)
        monkeypatch.setattr(own, "is_agreed", lambda digest: True)
        result = take_unit(sequence, unit="T-1", described=described, energise=True)
    assert result.outcome == "pass", result.record.says
    step = next(step for step in result.record.steps if step.kind == "program")
    assert step.readings[1].value == 1.25
    assert step.trace is not None
    assert step.ended - step.started > 4
    assert os.fspath(kind.__file__ or "")
