"""The assignment of pins against exhaustive search on small cases, and contradictions worked out by hand."""

from __future__ import annotations

import itertools
import random
from pathlib import Path

import pytest
from click.testing import CliRunner

from wakeboard.harness.cli.revise import command
from wakeboard.harness.describe.board.pin_tables import PinFacts, load_pin_table, packaged
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.revise.assigning import Assignment, Function, NoAssignment, assigned
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


@pytest.mark.parametrize("seed", range(40))
def test_pins_that_are_not_drawn_are_taken_last_among_as_few_moves(seed: int) -> None:
    functions, pins, now, options = drawn(seed)
    undrawn = [pin for pin in pins if pin not in now.values()][:2]
    best = None
    for chosen in itertools.permutations(pins, len(functions)):
        pairs = list(zip(functions, chosen, strict=True))
        if all(not each.misses(pin, pins[pin], options) for each, pin in pairs):
            rank = (sum(now[each.name] != pin for each, pin in pairs), sum(pin in undrawn for pin in chosen))
            best = rank if best is None else min(best, rank)
    if best is None:
        with pytest.raises(NoAssignment):
            assigned(functions, pins, now, options, undrawn=undrawn)
        return
    found = assigned(functions, pins, now, options, undrawn=undrawn)
    moves = sum(found.pins[name] != pin for name, pin in now.items())
    assert (moves, sum(pin in undrawn for pin in found.pins.values())) == best
    assert found.undrawn == {name for name, pin in found.pins.items() if pin in undrawn}


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


def with_ports(seed: int) -> tuple[list[Function], dict[str, PinFacts], dict[str, str], dict[str, list[dict]]]:
    """Two or three ports, led out in one or two ways, and up to two buses with two signals each beside plain pins."""
    dice = random.Random(seed)
    pins = {f"P{k}": PinFacts(strap="low" if dice.random() < 0.2 else None) for k in range(7)}
    ports = {
        f"I2C{k}": [
            {"SDA": (a,), "SCL": (b,)} if dice.random() < 0.7 else {"SDA": (a, b), "SCL": (a, b)}
            for a, b in (dice.sample(list(pins), 2) for _ in range(dice.randint(1, 2)))
        ]
        for k in range(dice.randint(1, 3))
    }
    functions = [Function(f"F{k}", "output", dice.random() < 0.3) for k in range(dice.randint(0, 2))]
    for bus in range(dice.randint(1, 2)):
        quiet = dice.random() < 0.3
        functions += [Function(f"B{bus}{s}", "output", quiet, role=f"I2C.{s}", port=f"b{bus}") for s in ("SDA", "SCL")]
    now = dict(zip([each.name for each in functions], dice.sample(list(pins), len(functions)), strict=True))
    return functions, pins, now, ports


def fits_ports(functions, chosen, ports):
    """Whether some giving of ports to buses leads every signal out where it is."""
    buses = sorted({each.port for each in functions if each.port})
    at = {(each.port, each.role.partition(".")[2]): pin for each, pin in zip(functions, chosen, strict=True)}
    for given in itertools.permutations(ports, len(buses)):
        if all(
            any(all(at[bus, s] in way[s] for s in ("SDA", "SCL")) for way in ports[port])
            for bus, port in zip(buses, given, strict=True)
        ):
            return True
    return False


@pytest.mark.parametrize("seed", range(60))
def test_buses_as_exhaustive_search_finds_them(seed: int) -> None:
    functions, pins, now, ports = with_ports(seed)
    best = None
    for chosen in itertools.permutations(pins, len(functions)):
        pairs = list(zip(functions, chosen, strict=True))
        if any(each.misses(pin, pins[pin], ()) for each, pin in pairs) or not fits_ports(functions, chosen, ports):
            continue
        moves = sum(now[each.name] != pin for each, pin in pairs)
        best = moves if best is None else min(best, moves)
    if best is None:
        with pytest.raises(NoAssignment) as error:
            assigned(functions, pins, now, ports=ports)
        left = [each for each in functions if each.name in error.value.functions]
        for one in left:  # none of them can be left out
            assigned([each for each in left if each is not one], pins, now, ports=ports)
        return
    found = assigned(functions, pins, now, ports=ports)
    assert sum(found.pins[name] != pin for name, pin in now.items()) == best
    assert fits_ports(functions, [found.pins[each.name] for each in functions], ports)


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


def test_a_pin_that_the_drawing_does_not_show(tmp_path: Path) -> None:
    """IRQ stands 5 V and is no strap nor debug pin: of those drawn only PB2 is left, and the lamp sits there. Of LQFP48
    the table has others, such as PB10; VBAT, NRST and BOOT0 are none, nor what the crystal uses."""
    drawn = BOARD.replace('PB2 = "x2", PC13 = "x3"', 'PB2 = "LED2"').replace('PA1 = "x1", ', "")
    drawn = drawn.replace('pin_table = "stm32f103"', 'pin_table = "stm32f103"\npackage = "LQFP48"')
    lamp = 'R3 = { kind = "resistor", value = "1k", pins = ["LED2", "GND"] }\n[parts.U1]'
    (tmp_path / "board.toml").write_text(drawn.replace("[parts.U1]", lamp), encoding="utf-8")
    needs = 'board = "board.toml"\npart = "U1"\nwhile_debugging = true\n[needs.IRQ]\nkind = "input"\nfive_volt = true\n'
    (tmp_path / "needs.toml").write_text(needs, encoding="utf-8")
    found = pins_for(str(tmp_path / "needs.toml"))
    table = load_pin_table("stm32f103", "")
    assert found.undrawn == {"IRQ"}
    assert found.pins["IRQ"] in table.free("LQFP48")
    assert table.pin(found.pins["IRQ"]).five_volt
    done = CliRunner().invoke(command, ["pins", str(tmp_path / "needs.toml")], standalone_mode=False)
    assert (
        f"{found.pins['IRQ']} is not in the board file: unconnected there, its pad has to be brought out" in done.output
    )


def test_only_what_is_known_to_be_free_is_taken_from_a_package() -> None:
    table = load_pin_table("stm32f103", "")
    assert not {"VBAT", "VDD", "VSSA", "NRST", "BOOT0"} & set(table.free("LQFP48"))
    assert table.free("") == table.free("LQFP48")  # the only package that the table has
    assert table.free("LQFP64") == []  # not known
    assert len(table.free("LQFP48")) == 37  # data sheet of the maker: 37 I/O in 48 pins (from memory)


def test_a_fixed_pin_that_no_package_has(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text('fixed = "VDX"\n[packages]\nQ4 = "VDD GND A B"\n', encoding="utf-8")
    with pytest.raises(FileProblems, match="fixed"):
        load_pin_table("own.toml", str(tmp_path))


BUSES = BOARD.replace(
    'pins = { VDD = "+3V3", GND = "GND", PA13 = "LED", PA1 = "x1", PB2 = "x2", PC13 = "x3", PB8 = "TAKEN" }',
    'pins = { VDD = "+3V3", GND = "GND", PB6 = "SCL", PB11 = "SDA", PB7 = "LED", PB10 = "x1", PB9 = "x2", PA15 = "x3", '
    'PB8 = "TAKEN", PB3 = "IRQ" }',
)


def pins_of(tmp_path: Path, needs: str, head: str = "") -> Assignment:
    (tmp_path / "board.toml").write_text(BUSES, encoding="utf-8")
    text = f'board = "board.toml"\npart = "U1"\n{head}\n{needs}'
    (tmp_path / "needs.toml").write_text(text, encoding="utf-8")
    return pins_for(str(tmp_path / "needs.toml"))


I2C = '[needs.SDA]\nrole = "I2C.SDA"\n[needs.SCL]\nrole = "I2C.SCL"\n'


def test_a_bus_goes_to_one_port(tmp_path: Path) -> None:
    """SCL on I2C1 and SDA on I2C2 is no bus. PB8 leads to R2, so I2C1 stays where it is led out first, and one of its
    pins is the lamp's: one move to I2C2, with SCL on PB10, leaves the lamp alone."""
    found = pins_of(tmp_path, I2C + "[needs.LED]\n")
    assert dict(found.pins) == {"SDA": "PB11", "SCL": "PB10", "LED": "PB7"}
    assert set(found.moved) == {"SCL"}
    other = found.runner_up
    assert other is not None
    assert (other.pins["SDA"], other.pins["SCL"]) in {("PB11", "PB10"), ("PB7", "PB6")}


def test_two_buses_are_two_ports_and_a_third_there_is_none(tmp_path: Path) -> None:
    two = I2C.replace("\n[", '\nport = "a"\n[') + 'port = "a"\n'
    two += '[needs.LED]\n[needs.x1]\nrole = "I2C.SDA"\nport = "b"\n[needs.x2]\nrole = "I2C.SCL"\nport = "b"\n'
    found = pins_of(tmp_path, two)
    assert {(found.pins["SDA"], found.pins["SCL"]), (found.pins["x1"], found.pins["x2"])} == {
        ("PB7", "PB6"), ("PB11", "PB10"),
    }  # fmt: skip
    with pytest.raises(NoAssignment, match="cannot be led out together, though each could by itself"):
        pins_of(tmp_path, two + '[needs.x3]\nrole = "I2C.SDA"\nport = "c"\n')


def test_while_debugging_is_of_all_that_do_not_say_otherwise(tmp_path: Path) -> None:
    """PA15 is JTDI, PB3 JTDO in the table."""
    needs = '[needs.x3]\ndebugging = false\n[needs.IRQ]\nkind = "input"\n'
    free = pins_of(tmp_path, needs)
    assert (free.moved, free.debug) == ({}, {"x3": "JTDI", "IRQ": "JTDO"})
    attached = pins_of(tmp_path, needs, "while_debugging = true")
    assert attached.moved == {"IRQ": "PB3 is on the debug port (JTDO)"}
    assert attached.debug == {"x3": "JTDI"}


def test_a_role_that_no_port_has(tmp_path: Path) -> None:
    with pytest.raises(FileProblems, match=r'"I2C.SDO"; allowed: .*did you mean "I2C.SDA"'):
        pins_of(tmp_path, '[needs.SDA]\nrole = "I2C.SDO"\n')
    with pytest.raises(FileProblems, match="role"):
        pins_of(tmp_path, '[needs.SDA]\nrole = "SDA"\n')


@pytest.mark.parametrize("ways", ['"PB6"', "[]", "[{}]", "[{ SCL = 6 }]", "[{ SCL = [] }]"])
def test_ways_that_are_none(tmp_path: Path, ways: str) -> None:
    (tmp_path / "own.toml").write_text(f'name = "own"\n[ports]\nI2C1 = {ways}\n', encoding="utf-8")
    with pytest.raises(FileProblems, match=r"ports\.I2C1"):
        load_pin_table("own.toml", str(tmp_path))


def test_every_pin_of_a_packaged_port_is_one_of_its_chip() -> None:
    """By the pins of its package, and those of the larger one that the table covers."""
    for name in packaged():
        table = load_pin_table(name, "")
        known = {pin for order in table.packages.values() for pin in order} | {"PC10", "PC11"}
        for port, ways in table.ports.items():
            for way in ways:
                assert {pin for some in way.values() for pin in some} <= known, port
