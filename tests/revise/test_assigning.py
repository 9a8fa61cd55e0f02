"""The assignment of pins against exhaustive search on small cases, and contradictions worked out by hand."""

from __future__ import annotations

import itertools
import random
from pathlib import Path

import pytest

from wakeboard.harness.describe.board.pin_tables import PinFacts
from wakeboard.harness.revise.assigning import Function, NoAssignment, assigned
from wakeboard.harness.revise.needs import pins_for


def drawn(seed: int) -> tuple[list[Function], dict[str, PinFacts], dict[str, str], list[str]]:
    dice = random.Random(seed)
    pins = {
        f"P{k}": PinFacts(
            type=dice.choice(["io", "io", "input"]),
            reserved_by={"crystal": "OSC"} if dice.random() < 0.2 else {},
            debug="SWDIO" if dice.random() < 0.2 else "",
            strap="low" if dice.random() < 0.2 else None,
            five_volt=dice.random() < 0.6,
        )
        for k in range(6)
    }
    functions = [
        Function(f"F{k}", dice.choice(["input", "output", "analogue"]), dice.random() < 0.4, dice.random() < 0.4,
                 dice.random() < 0.4)
        for k in range(dice.randint(2, 5))
    ]  # fmt: skip
    now = dict(zip([each.name for each in functions], dice.sample(list(pins), len(functions)), strict=True))
    return functions, pins, now, ["crystal"]


def by_hand(functions, pins, now, options):
    """The fewest moves over every way of giving pins; None where there is none."""
    best = None
    for chosen in itertools.permutations(pins, len(functions)):
        pairs = list(zip(functions, chosen, strict=True))
        if all(not each.misses(pin, pins[pin], options) for each, pin in pairs):
            moves = sum(now[each.name] != pin for each, pin in pairs)
            best = moves if best is None else min(best, moves)
    return best


def smallest(functions, pins, options):
    """The size of the smallest set of functions that share fewer pins than they are."""
    for size in range(1, len(functions) + 1):
        for some in itertools.combinations(functions, size):
            if len({pin for each in some for pin in pins if not each.misses(pin, pins[pin], options)}) < size:
                return size
    return None


@pytest.mark.parametrize("seed", range(40))
def test_as_few_moves_as_exhaustive_search_finds(seed: int) -> None:
    functions, pins, now, options = drawn(seed)
    wanted = by_hand(functions, pins, now, options)
    if wanted is None:
        with pytest.raises(NoAssignment) as error:
            assigned(functions, pins, now, options)
        assert len(error.value.functions) == smallest(functions, pins, options)
        return
    found = assigned(functions, pins, now, options)
    assert sum(found.pins[name] != pin for name, pin in now.items()) == wanted
    assert len(set(found.pins.values())) == len(functions)
    assert set(found.moved) == {name for name, pin in now.items() if found.pins[name] != pin}
    if found.runner_up is not None:
        assert dict(found.runner_up.pins) != dict(found.pins)


def test_reasons_and_contradictions_are_told() -> None:
    pins = {"PA13": PinFacts(debug="SWDIO", five_volt=True), "PA1": PinFacts(), "PA2": PinFacts(five_volt=True)}
    led = Function("LED", debugging=True)
    found = assigned([led], pins, {"LED": "PA13"})
    assert found.moved == {"LED": "PA13 is on the debug port (SWDIO)"}
    with pytest.raises(NoAssignment) as error:
        assigned([led, Function("IRQ", "input", five_volt=True, debugging=True),
                  Function("EN", five_volt=True, debugging=True)], pins)  # fmt: skip
    assert set(error.value.functions) == {"IRQ", "EN"}
    assert error.value.pins == ("PA2",)


BOARD = """
[board]
name = "X"
revision = "A"
[supplies.USB]
net = "+3V3"
volts = "3.3 V"
[parts]
R1 = { kind = "resistor", value = "1k", pins = ["LED", "GND"] }
R2 = { kind = "resistor", value = "1k", pins = ["TAKEN", "GND"] }
[parts.U1]
kind = "chip"
pin_table = "stm32f103"
options = ["debug"]
pins = { VDD = "+3V3", GND = "GND", PA13 = "LED", PA1 = "x1", PB2 = "x2", PC13 = "x3", PB8 = "TAKEN" }
supply = { VDD = { draws = "5 mA", above = "1.8 V" } }
"""


def test_needs_against_a_pin_table(tmp_path: Path) -> None:
    """Marks of the table: PA13 is SWDIO; PC13 gives 3 mA; PA1 does not stand 5 V; PB8 leads to R2; PB2 remains."""
    (tmp_path / "board.toml").write_text(BOARD, encoding="utf-8")
    needs = 'board = "board.toml"\npart = "U1"\n[needs.LED]\ndebugging = true\ncurrent = "8 mA"\nfive_volt = true\n'
    (tmp_path / "needs.toml").write_text(needs, encoding="utf-8")
    found = pins_for(str(tmp_path / "needs.toml"))
    assert dict(found.pins) == {"LED": "PB2"}
    assert found.moved == {"LED": "PA13 is on the debug port (SWDIO)"}
