"""The command line: help without the heavy modules, `check` and `new`, and what each failure becomes.

Figures are those of the invented board and of the tool itself, unless marked.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import wakeboard.harness.cli
from wakeboard.harness.cli import execute
from wakeboard.harness.cli.exits import Exit, OutputsNotOff, Stopped, exit_code
from wakeboard.harness.cli.options import to_json
from wakeboard.harness.cli.table import COMMANDS
from wakeboard.harness.describe.load import load_bench, load_board
from wakeboard.harness.describe.problems import FileProblems, Problem
from wakeboard.instruments.errors import LinkTimeout

# The contract of the command line: what people and scripts rely on.
PROMISED = """demo new page parts map changes check review rehearse bench off run explain learnt compare unit rework
finding revise report smoke virtual export push"""
HEAVY = ("numpy", "scipy", "pandas", "pyvisa", "serial", "sqlalchemy", "jinja2", "rich", "pydantic", "quantiphy")


@pytest.fixture
def state(tmp_path, monkeypatch):
    """A state directory of its own, so that no test writes into the user's."""
    folder = tmp_path / "state"
    monkeypatch.setattr("platformdirs.user_state_dir", lambda *_args, **_more: str(folder))
    return folder


def fails_with(monkeypatch, error):
    def command():
        raise error

    import click

    monkeypatch.setattr(
        wakeboard.harness.cli.LazyGroup, "get_command", lambda *_: click.Command("check", callback=command)
    )


def test_the_table_has_every_promised_command():
    assert sorted(COMMANDS) == sorted(PROMISED.split())


def test_help_loads_nothing_heavy():
    script = (
        "import sys, wakeboard.harness.cli\n"
        "code = wakeboard.harness.cli.execute(['--help'])\n"
        f"print(code, sorted(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=Path.cwd(), check=True)
    assert done.stderr.strip() == "0 []"
    for name in wakeboard.harness.cli.available():
        assert name in done.stdout


@pytest.mark.parametrize("name", sorted(wakeboard.harness.cli.available()))
def test_each_command_answers_help_without_heavy_modules(name):
    script = (
        "import sys, wakeboard.harness.cli\n"
        f"code = wakeboard.harness.cli.execute([{name!r}, '--help'])\n"
        f"print(code, sorted(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=Path.cwd(), check=True)
    assert done.stderr.strip() == "0 []"
    assert "Usage: wakeboard" in done.stdout


@pytest.mark.parametrize(("given", "used"), [(None, "1"), ("4", "4")])
def test_a_command_has_one_blas_thread_unless_told_otherwise(monkeypatch, given, used):
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", given or "")
    if given is None:
        monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    with pytest.raises(SystemExit):
        wakeboard.harness.cli.main(["--version"])
    assert os.environ["OPENBLAS_NUM_THREADS"] == used


def test_a_mistyped_command_is_answered_with_the_nearest(capsys):
    assert execute(["chek"]) == 2
    assert "Did you mean 'check'?" in capsys.readouterr().err
    assert execute(["ch"]) == 2  # no abbreviations: they would freeze the future


def test_check_is_brief_when_all_is_well(folder, capsys):
    files = [str(folder / name) for name in ("board.toml", "bench.toml")]
    assert execute(["check", *files]) == 0
    out = capsys.readouterr().out.splitlines()
    said = [line for line in out if not line.startswith("rough: ")]
    assert [line.split(": ")[0] for line in said] == files
    assert all("good" in line for line in said)
    assert len(out) - len(said) <= 2  # parts without a tolerance; and told once the solver is compiled, or of one part


def test_check_tells_everything(folder, capsys):
    line = folder.edit("board.toml", 'budget = "500 mA"', 'budget = "500"')
    folder.edit("bench.toml", 'by = "scanner"', 'by = "scaner"')
    assert execute(["check", str(folder / "board.toml"), str(folder / "bench.toml"), "absent.toml"]) == 2
    captured = capsys.readouterr()
    assert f'{folder / "board.toml"}:{line}: supplies.USB.budget: found "500"; allowed: ' in captured.out
    assert 'did you mean "scanner"?' in captured.out
    assert "absent.toml: found no such file" in captured.out
    assert execute(["check", str(folder / "bord.toml")]) == 2
    assert (
        'bord.toml: found no such file or directory; allowed: a file that can be read; did you mean "board.toml"?'
        in (capsys.readouterr().out)
    )
    assert "Traceback" not in captured.out + captured.err
    assert captured.err.strip() == "3 problems in 3 files"


def test_check_as_json(folder, capsys):
    folder.edit("board.toml", 'budget = "500 mA"', 'budget = "500"')
    assert execute(["check", "--json", str(folder / "board.toml")]) == 2
    captured = capsys.readouterr()
    document = json.loads(captured.out)
    assert document["ok"] is False
    assert document["files"][0]["kind"] == "board"
    assert document["problems"][0]["key"] == "supplies.USB.budget"
    assert execute(["check", "--json", str(folder / "bench.toml")]) == 0
    assert json.loads(capsys.readouterr().out)["ok"] is True


def test_check_reads_pin_tables(folder, capsys):
    line = folder.edit("board.toml", 'kind = "chip"', 'kind = "chip"\npin_table = "stm32f10"') + 1
    assert execute(["check", str(folder / "board.toml")]) == 2
    out = capsys.readouterr().out
    assert f'{folder / "board.toml"}:{line}: parts.U1.pin_table: found the pin table "stm32f10"' in out
    assert 'did you mean "stm32f103"?' in out
    folder.edit("board.toml", '"stm32f10"', '"own.toml"')
    (folder / "own.toml").write_bytes(b"\xff")
    assert execute(["check", str(folder / "board.toml")]) == 2
    assert "found in own.toml: the byte 0xff; allowed: text in UTF-8" in capsys.readouterr().out


def test_check_notes_what_looks_like_a_slip(folder, capsys):
    """A mistyped net is a new net: no error, but told, with the nearest net."""
    line = folder.edit("board.toml", 'pins = ["SDA", "+3V3"]', 'pins = ["SDA", "+3V33"]')
    assert execute(["check", str(folder / "board.toml")]) == 0
    out = capsys.readouterr().out
    assert f'note: {folder / "board.toml"}:{line}: parts.R2.pins[2]: found the net "+3V33"' in out
    assert 'did you mean "+3V3"?' in out
    assert execute(["check", "--json", str(folder / "board.toml")]) == 0
    assert len(json.loads(capsys.readouterr().out)["notes"]) == 1


def test_check_notes_a_circuit_that_cannot_be_solved(folder, capsys):
    """Two capacitors and nothing else on two nets: no direct current can settle them."""
    floating = "".join(f'C{n} = {{ kind = "capacitor", value = "1 µF", pins = ["X1", "X2"] }}\n' for n in (8, 9))
    folder.edit("board.toml", "[parts.U2]", floating + "[parts.U2]")
    assert execute(["check", str(folder / "board.toml")]) == 0
    assert "a circuit that cannot be solved" in capsys.readouterr().out


def test_new_makes_files_that_pass(tmp_path, capsys):
    folder = tmp_path / 'wren "x"'
    assert execute(["new", str(folder)]) == 0
    assert sorted(path.name for path in folder.iterdir()) == [
        ".gitignore",
        "bench.toml",
        "board.toml",
        "first-power-on.toml",
    ]
    board = load_board(folder / "board.toml")
    assert board.name == "wren x"
    assert load_bench(folder / "bench.toml", board).supplies == {"USB": ("supply", "1")}
    capsys.readouterr()
    assert execute(["check", *map(str, sorted(folder.glob("*.toml")))]) == 0, capsys.readouterr().out


def test_new_overwrites_nothing(tmp_path, capsys):
    (tmp_path / "bench.toml").write_text("mine")
    assert execute(["new", str(tmp_path)]) == 2
    assert "already has bench.toml" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["bench.toml"]
    assert (tmp_path / "bench.toml").read_text() == "mine"
    assert execute(["new", str(tmp_path / "bench.toml")]) == 2


def test_exit_codes_of_the_contract():
    assert [int(code) for code in Exit] == [0, 1, 2, 3, 4, 5, 6]
    assert exit_code(FileProblems([])) is Exit.USAGE
    assert exit_code(LinkTimeout("no reply")) is Exit.BENCH
    assert exit_code(KeyboardInterrupt()) is Exit.STOPPED
    assert exit_code(Stopped()) is Exit.STOPPED
    assert exit_code(OutputsNotOff("supply")) is Exit.OUTPUTS_ON
    assert exit_code(ZeroDivisionError()) is None


@pytest.mark.parametrize(
    ("error", "code", "text"),
    [
        (FileProblems([Problem("f", 3, "k", "x", "y")]), 2, "f:3: k: found x; allowed: y"),
        (LinkTimeout("no reply", instrument="meter"), 3, "no reply, instrument meter"),
        (KeyboardInterrupt(), 4, "stopped"),
        (OutputsNotOff("channel 1 of supply"), 6, "channel 1 of supply"),
    ],
)
def test_failures_become_text_and_code(monkeypatch, capsys, error, code, text):
    fails_with(monkeypatch, error)
    assert execute(["check"]) == code
    captured = capsys.readouterr()
    assert text in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""


def test_outputs_left_on_are_told_loudly(monkeypatch, capsys):
    fails_with(monkeypatch, OutputsNotOff("channel 1"))
    execute(["check"])
    err = capsys.readouterr().err
    assert "OUTPUTS NOT CONFIRMED OFF" in err
    assert "Switch the supply off at its front panel" in err


def test_the_unexpected_is_short_and_kept(monkeypatch, capsys, state):
    fails_with(monkeypatch, ZeroDivisionError("division by zero"))
    assert execute(["check"]) == 5
    err = capsys.readouterr().err
    assert "ZeroDivisionError: division by zero" in err
    assert "Traceback" not in err
    (kept,) = state.iterdir()
    assert str(kept) in err
    assert "Traceback" in kept.read_text()


def test_the_unexpected_where_nothing_can_be_written(monkeypatch, capsys, state):
    state.parent.joinpath("state").write_text("a file in the way")
    fails_with(monkeypatch, ZeroDivisionError())
    assert execute(["check"]) == 5
    assert "Traceback" in capsys.readouterr().err


def test_errors_as_json(capsys, monkeypatch):
    import click

    def command(**_options):
        raise FileProblems([Problem("f", 3, "k", "x", "y")])

    made = click.Command("check", callback=command, params=[click.Option(["--json", "as_json"], is_flag=True)])
    monkeypatch.setattr(wakeboard.harness.cli.LazyGroup, "get_command", lambda *_: made)
    assert execute(["check", "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    assert (document["exit"], document["problems"][0]["file"]) == (2, "f")


def test_json_has_no_nan():
    assert json.loads(to_json({"a": float("nan"), "b": [float("inf"), 1.0]})) == {"a": None, "b": [None, 1.0]}


def test_no_colour_where_none_is_wanted(monkeypatch, capsys):
    monkeypatch.setenv("NO_COLOR", "1")
    fails_with(monkeypatch, LinkTimeout("no reply"))
    execute(["check"])
    assert "\x1b" not in capsys.readouterr().err


def test_check_does_not_compile_the_solver(tmp_path):
    """A first `check` took 20 s of processor time to have a solver made that it does not need."""
    import subprocess
    import sys

    code = (
        "import sys; from importlib import resources; from wakeboard.harness.describe.files import check_files\n"
        "skep = resources.files('wakeboard.sequences') / 'demo' / 'skep'\n"
        "checked = check_files([str(skep / name) for name in ('board.toml', 'first-power-on.toml', 'bring-up.toml')])\n"
        "assert not any(each.problems for each in checked)\n"
    )
    kept = tmp_path / "compiled"
    subprocess.run(
        [sys.executable, "-c", code], check=True, timeout=60, env={**os.environ, "NUMBA_CACHE_DIR": str(kept)}
    )
    assert not list(kept.rglob("*.nbi"))
