"""Sequences: names that the board has, and an order that is safe.

Figures are those of the invented board and of its sequence.
"""

from pathlib import Path

import pytest

from wakeboard import sequences
from wakeboard.harness.describe.load import load_sequence, load_units
from wakeboard.harness.describe.problems import FileProblems

SKEP = Path(sequences.__file__).parent / "demo" / "skep"
SHORT_CHECK = 'do = "resistance"\nof = "every supply"\n'
POWER = 'do = "power on"\nsupply = "USB"\n'

# what stands there, what is written instead, lines below its first line, key, found, allowed, hint
MISTAKES = {
    "step kind": ('"back-feed"', '"back-fed"', 0, "step[3].do", '"back-fed"', '"power on"', '"back-feed"'),
    "no step kind": ('do = "back-feed"\n', "", -1, "step[3].do", "nothing", '"power on"', ""),
    "step key": ("limit =", "limt =", 0, "step[2].limt", '"limt"', "limit", '"limit"'),
    "quantity": ('"120 mA"', '"120"', 0, "step[2].limit", '"120"', "in A", ""),
    "no limit": ('limit = "120 mA"\n', "", -3, "step[2].limit", "nothing", "energised", ""),
    "zero limit": ('"120 mA"', '"0 A"', 0, "step[2].limit", "0", "more than zero", ""),
    "supply": ('limit = "120 mA"', 'limit = "120 mA"\nvolts = "5"', 1, "step[2].volts", '"5"', "in V", ""),
    "line": ('"RST", "SDA"', '"RST", "SDDA"', 0, "step[4].of[2]", '"SDDA"', "RST", '"SDA"'),
    "state": ('state = "boot"', 'state = "booot"', 0, "step[4].state", '"booot"', "released", '"boot"'),
    "short check of another supply": ('"every supply"', '"CELL"', 5, "step[2].supply", "before", "resistance", ""),
    "short check of a rail": ('"every supply"', '"V33"', 5, "step[2].supply", "before", "resistance", ""),
    "unknown group": ('"every supply"', '"every suply"', 0, "step[1].of", '"every suply"', "USB", ""),
    "no title": ('title = "First power-on"\n', "", 0, "title", "nothing", "called", ""),
    "unknown head": ("title =", "name =", 0, "name", '"name"', "title", ""),
}


@pytest.mark.parametrize("mistake", MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_in_a_sequence(folder, mistake):
    old, new, below, key, found, allowed, hint = mistake
    line = folder.edit("sequence.toml", old, new) + below
    with pytest.raises(FileProblems) as caught:
        load_sequence(folder / "sequence.toml")
    problem = next(problem for problem in caught.value.problems if problem.key == key)
    assert problem.file == str(folder / "sequence.toml")
    assert problem.line == max(line, 1)
    assert found in problem.found
    assert allowed in problem.allowed
    assert hint in problem.hint


def steps(folder, text):
    return folder.write("other.toml", 'title = "x"\nboard = "board.toml"\n' + text)


def problems_of(path):
    with pytest.raises(FileProblems) as caught:
        load_sequence(path)
    return [(problem.key, problem.found) for problem in caught.value.problems]


def test_a_good_sequence(folder):
    sequence = load_sequence(folder / "sequence.toml")
    assert (sequence.title, sequence.board.name, len(sequence.steps)) == ("First power-on", "Finch", 5)
    assert [step.do for step in sequence.steps] == ["resistance", "power on", "back-feed", "line", "power off"]
    assert sequence.steps[1].limit == 0.12
    assert sequence.lines == (4, 9, 15, 19, 24)


def test_energising_without_a_short_check_is_refused_unless_it_says_why(folder):
    text = f'[[step]]\n{POWER}limit = "120 mA"\n'
    assert problems_of(steps(folder, text)) == [("step[1].supply", '"USB" energised before its check for a short')]
    assert load_sequence(steps(folder, text + 'why = "checked by hand"\n')).steps[0].why == "checked by hand"


@pytest.mark.parametrize("of", ['"every supply"', '"USB"', '["CELL", "USB"]', '"VUSB"', '"all"'])
def test_what_counts_as_a_short_check(folder, of):
    text = f'[[step]]\ndo = "resistance"\nof = {of}\n[[step]]\n{POWER}limit = "120 mA"\n'
    assert len(load_sequence(steps(folder, text)).steps) == 2


def test_the_check_comes_before(folder):
    text = f'[[step]]\n{POWER}limit = "120 mA"\n[[step]]\ndo = "power off"\nsupply = "USB"\n[[step]]\n{SHORT_CHECK}'
    assert problems_of(steps(folder, text)) == [("step[1].supply", '"USB" energised before its check for a short')]


def test_no_limit_is_refused(folder):
    text = f"[[step]]\n{SHORT_CHECK}[[step]]\n{POWER}"
    assert [key for key, _ in problems_of(steps(folder, text))] == ["step[2].limit"]


def test_the_order_of_power(folder):
    on = f'[[step]]\n{POWER}limit = "120 mA"\n'
    check = f"[[step]]\n{SHORT_CHECK}"
    off = '[[step]]\ndo = "power off"\nsupply = "USB"\n'
    rails = '[[step]]\ndo = "rails"\n'
    assert problems_of(steps(folder, check + rails)) == [("step[2].do", '"rails" with no supply on')]
    assert problems_of(steps(folder, check + on + check)) == [("step[3].do", '"resistance" while USB is on')]
    assert problems_of(steps(folder, check + on + on)) == [("step[3].supply", '"USB", which is on already')]
    assert problems_of(steps(folder, check + off)) == [("step[2].supply", '"USB", which is not on')]
    assert len(load_sequence(steps(folder, check + on + rails + off + check + on)).steps) == 6


def test_what_a_step_needs_of_the_board(folder):
    on = f'[[step]]\n{SHORT_CHECK}[[step]]\n{POWER}limit = "120 mA"\n'
    drive = '[[step]]\ndo = "drive"\nof = "RST"\n'
    assert len(load_sequence(steps(folder, on + drive)).steps) == 3
    folder.edit("board.toml", 'pin_command = { send = "pin {pin} {level}", reply = "ok" }\n', "")
    assert problems_of(steps(folder, on + drive)) == [("step[3].do", '"drive" on a board that says no pin command')]


def test_mistakes_of_both_files_are_told(folder):
    folder.edit("sequence.toml", "limit =", "limt =")
    folder.edit("board.toml", 'budget = "500 mA"', 'budget = "500"')
    with pytest.raises(FileProblems) as caught:
        load_sequence(folder / "sequence.toml")
    files = {Path(problem.file).name for problem in caught.value.problems}
    assert files == {"board.toml", "sequence.toml"}


def test_a_board_that_is_not_there(folder):
    folder.edit("sequence.toml", '"board.toml"', '"bord.toml"')
    with pytest.raises(FileProblems) as caught:
        load_sequence(folder / "sequence.toml")
    (problem,) = caught.value.problems
    assert (Path(problem.file).name, problem.line) == ("bord.toml", 0)


@pytest.mark.parametrize(
    "text", ['title = "x"\nboard = "board.toml"\n', 'title = "x"\nboard = "board.toml"\nstep = 1\n']
)
def test_no_steps(folder, text):
    assert [key for key, _ in problems_of(folder.write("other.toml", text))] == ["step"]


@pytest.mark.parametrize("name", ["first-power-on.toml", "bring-up.toml"])
def test_skep_sequences_read(name):
    assert load_sequence(SKEP / name).board.name == "Skep"


def test_skep_units():
    units = load_units(SKEP / "units.toml")
    assert len(units.units) == 5
    assert units.plants("SK-A-003") == ("U5.NRST:pull_up=13k", "+3V3+GND:bridge=2")


def test_a_fault_that_nobody_can_plant(folder):
    path = folder.write("units.toml", '[units.A]\nplant = ["R99:missing", "R1:missing"]\n')
    with pytest.raises(FileProblems) as caught:
        load_units(path)
    (problem,) = caught.value.problems
    assert (problem.key, problem.line) == ("units.A.plant[1]", 2)
    assert "R99" in problem.found
