"""One new file each: a step kind, a part kind, a review rule and a dialect that nobody has heard of, taken all the way.

The Python file stands beside the board and is named by it; the same module laid in our own folder is found as well. The
registry is the one that finds our own kinds.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import sys
from pathlib import Path

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe import own
from wakeboard.harness.describe.files import check_files
from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.describe.registry import Registry
from wakeboard.harness.describe.sequence.steps import STEPS, _take, step_kinds
from wakeboard.harness.run.session import take_unit

sys.path.insert(0, str(Path(__file__).parent / "run"))
import toy

sys.path.pop(0)

OURS = '''"""The share of one net's volts that stands on another."""

from typing import Literal

from wakeboard.harness.describe.toml.fields import OneOrMore
from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.run.decide import Limits, decide
from wakeboard.instruments.virtual.circuit.kind import Kind, Quantity

KIND = "share{tag}"
NEEDS = Needs(power="on")


class Model(StepModel):
    do: Literal["share{tag}"]
    of: OneOrMore
    most: float = 1.0


def run(context, model):
    seen = dict((net, context.meter.volts().value) for net in context.meter.points(context.drawn.nets(model.of)))
    first, second = seen.values()
    limits = Limits(None, model.most, "step")
    context.log.number("share", "number", second / first, "", limits, decide(second / first, 0.001, limits))
    {extra}


def _expand(d):
    d.conductance("1", "2", d.number("value") * 1e-3)


KINDS = (
    Kind("millisiemens{tag}", ("1", "2"), {{"value": Quantity("", None, "mS", required=True)}}, _expand, "mS, not ohms",
         main="value", faults=("missing",)),
)


def find(study):
    for part in study.board.parts.values():
        if part.kind == "millisiemens{tag}":
            yield Concern("by-the-millisiemens", False, tuple(part.pins.values()), f"{{part.name}} is in mS", "nothing")
'''


@pytest.fixture
def board_with(tmp_path, monkeypatch):
    """A toy board with code of its own that was agreed to. What a test brings goes again with it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))

    def write(tag: str, extra: str = "pass", step: str = "", *, agreed: bool = True) -> Path:
        code = OURS.replace("{tag}", tag).replace("{extra}", extra).replace("{{", "{").replace("}}", "}")
        (tmp_path / f"ours{tag}.py").write_text(code, encoding="utf-8")
        board = toy.BOARD.replace('ground = "GND"', f'ground = "GND"\nown = "ours{tag}.py"')
        board = board.replace("[parts.U2]", PART.replace("{tag}", tag), 1)
        (tmp_path / "board.toml").write_text(board, encoding="utf-8")
        steps = toy.SEQUENCE[: toy.SEQUENCE.index('[[step]]\ndo = "drive"')]
        (tmp_path / "sequence.toml").write_text(steps + (step or STEP.replace("{tag}", tag)), encoding="utf-8")
        if agreed:
            monkeypatch.setenv(own.VARIABLE, hashlib.sha256(code.encode()).hexdigest()[: own.SHORT])
        return tmp_path

    yield write
    own.forget()


PART = '[parts.G1]\nkind = "millisiemens{tag}"\nvalue = 2\npins = ["EN", "GND"]\n\n[parts.U2]'
STEP = '\n[[step]]\ndo = "share{tag}"\nof = ["V33", "EN"]\nmost = 0.5\n\n[[step]]\ndo = "power off"\n'


def problems(files) -> list[str]:
    return [str(problem) for checked in check_files(files) for problem in checked.problems]


def document(said: str):
    """The JSON document on standard output; what was told beside it comes after."""
    return json.JSONDecoder().raw_decode(said)[0]


def told(capsys, *args: str) -> tuple[int, str]:
    code = execute(args)
    seen = capsys.readouterr()
    return code, seen.out + seen.err


@pytest.mark.timeout(240)
def test_own_kinds_go_all_the_way(board_with, capsys) -> None:
    folder = board_with("One")
    assert told(capsys, "check", "board.toml", "sequence.toml", "--no-input")[0] == 0
    code, reviewed = told(capsys, "review", "board.toml", "--json")
    assert "G1 is in mS" in reviewed
    code, said = told(capsys, "run", "sequence.toml", "--unit", "T1", "--plant", "G1:missing", "--no-input", "--json")
    steps = {step["kind"]: step for step in document(said)["steps"]}
    assert steps["shareOne"]["outcome"] == "pass"
    code, said = told(capsys, "rehearse", "sequence.toml", "--plant", "G1:missing", "--workers", "1", "--json")
    assert "G1:missing" in said
    code, said = told(capsys, "explain", "--json", "--alone")
    assert code == 0
    assert document(said)["candidates"]
    assert told(capsys, "report", "-o", "report.html")[0] == 0
    assert "shareOne" in (folder / "report.html").read_text(encoding="utf-8")


def test_code_that_nobody_agreed_to_is_not_run(board_with, capsys) -> None:
    folder = board_with("Two", extra="", agreed=False)
    (folder / "oursTwo.py").write_text("open('ran', 'w')\n", encoding="utf-8")
    code, said = told(capsys, "check", "board.toml", "--no-input")
    assert code == 2
    assert "code that was not run here before" in said
    assert own.VARIABLE in said
    assert not (folder / "ran").exists()


def test_a_person_is_asked_once(board_with) -> None:
    folder = board_with("Three", agreed=False)
    asked: list[str] = []
    own.ask_with(lambda file, digest: not asked.append(digest))
    try:
        assert problems([folder / "board.toml"]) == []
        own.forget()
        assert problems([folder / "board.toml"]) == []
    finally:
        own.ask_with(None)
    assert len(asked) == 1


@pytest.mark.parametrize(
    ("steps", "says"),
    [
        ('title = "X"\nboard = "board.toml"\n[[step]]\ndo = "shareFour"\nof = ["V33", "EN"]\n', "with no supply on"),
        ('title = "X"\nboard = "board.toml"\n[[step]]\ndo = "volts"\nof = ["V33"]\n', "with no supply on"),
        ('title = "X"\nboard = "board.toml"\n[[step]]\ndo = "shareFuor"\n', 'did you mean "shareFour"'),
    ],
)
def test_a_step_that_needs_power_and_has_none_is_refused(board_with, steps, says) -> None:
    folder = board_with("Four")
    (folder / "sequence.toml").write_text(steps, encoding="utf-8")
    assert any(says in each for each in problems([folder / "sequence.toml"]))


def test_a_mistake_in_an_own_step_is_told_as_its_own_and_the_power_is_off(board_with, capsys) -> None:
    board_with("Five", extra='raise KeyError("no such thing")')
    code, said = told(capsys, "run", "sequence.toml", "--unit", "T1", "--no-input")
    assert code == 2
    assert "a mistake in the step kind" in said
    assert "oursFive.py, line" in said
    assert "KeyError" in said
    assert "Wakeboard itself" not in said
    result = take_unit(load_sequence("sequence.toml"), unit="T2")
    assert result.off.confirmed
    assert result.outcome == "error"


def test_a_kind_that_does_not_say_what_it_needs_is_refused(board_with, monkeypatch) -> None:
    folder = board_with("Six")
    code = (folder / "oursSix.py").read_text(encoding="utf-8").replace("NEEDS =", "NEEDED =")
    (folder / "oursSix.py").write_text(code, encoding="utf-8")
    monkeypatch.setenv(own.VARIABLE, hashlib.sha256(code.encode()).hexdigest())
    assert any('"shareSix"' in each and "has no NEEDS" in each for each in problems([folder / "board.toml"]))


def test_a_name_of_ours_is_not_given_away(board_with, monkeypatch) -> None:
    folder = board_with("Seven")
    code = (folder / "oursSeven.py").read_text(encoding="utf-8").replace("shareSeven", "volts")
    (folder / "oursSeven.py").write_text(code, encoding="utf-8")
    monkeypatch.setenv(own.VARIABLE, hashlib.sha256(code.encode()).hexdigest())
    assert any("is taken, by Wakeboard itself" in each for each in problems([folder / "board.toml"]))
    assert step_kinds()["volts"].own == ""


def test_a_file_laid_in_our_folder_is_found(tmp_path, monkeypatch) -> None:
    """As a contributor adds a kind: one file, and no list anywhere."""
    package = importlib.import_module("wakeboard.harness.run.steps")
    code = OURS.replace("{tag}", "Eight").replace("{extra}", "pass").replace("{{", "{").replace("}}", "}")
    (tmp_path / "share_eight.py").write_text(code, encoding="utf-8")
    ours = set(STEPS.all())
    monkeypatch.setattr(package, "__path__", [*package.__path__, str(tmp_path)])
    found = Registry("step kind", "wakeboard.harness.run.steps", _take).all()
    assert set(found) - ours == {"shareEight"}
    assert found["shareEight"].summary == "The share of one net's volts that stands on another."


def test_a_dialect_beside_the_bench_is_used(tmp_path) -> None:
    from wakeboard.harness.describe.load import load_bench
    from wakeboard.instruments.dialect import load_dialect

    (tmp_path / "our-meter.toml").write_text('kind = "dmm"\ntitle = "Ours"\nbased_on = "hp-34401a"\n', encoding="utf-8")
    bench = '[instruments.meter]\nkind = "{}"\naddress = "TCPIP::127.0.0.1::5025::SOCKET"\ndialect = "our-meter.toml"\n'
    (tmp_path / "bench.toml").write_text(bench.format("dmm") + '[probing]\nby = "hand"\n', encoding="utf-8")
    described = load_bench(tmp_path / "bench.toml")
    assert load_dialect(str(described.instruments["meter"].dialect)).title == "Ours"
    (tmp_path / "bench.toml").write_text(bench.format("scanner"), encoding="utf-8")
    assert any("a dialect for a dmm" in each for each in problems([tmp_path / "bench.toml"]))


def test_the_step_kind_of_the_page_runs(board_with, monkeypatch) -> None:
    page = (Path(own.__file__).parent.parent / "describe.md").read_text(encoding="utf-8")
    code = page.split("```python\n")[-1].split("```")[0]
    step = '\n[[step]]\ndo = "difference"\nof = ["USB", "V33"]\nexpect = "1 .. 2 V"\n'
    folder = board_with("Nine", step=step)
    board = (folder / "board.toml").read_text(encoding="utf-8")
    (folder / "board.toml").write_text(board.replace('"oursNine.py"', '["oursNine.py", "page.py"]'), encoding="utf-8")
    (folder / "page.py").write_text(code, encoding="utf-8")
    hashes = [hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in ("oursNine.py", "page.py")]
    monkeypatch.setenv(own.VARIABLE, ",".join(hashes))
    record = take_unit(load_sequence(folder / "sequence.toml"), unit="T3").record
    assert [(r.of, r.outcome) for r in record.steps[-2].readings] == [("USB - V33", "pass")]
