"""Pin tables: the packaged ones, and what is wrong in one's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from wakeboard.harness.describe.board.pin_tables import load_pin_table, packaged
from wakeboard.harness.describe.problems import FileProblems


def test_every_packaged_table_loads_and_names_its_source() -> None:
    assert {"atmega328pb", "stm32f103"} <= set(packaged())
    for name in packaged():
        table = load_pin_table(name, ".")
        assert table.pins
        assert table.source


def test_straps_debug_and_reserved_pins_are_told() -> None:
    # from memory: STM32F103 (DS5319, RM0008): BOOT0 low starts from flash, PA13 is SWDIO; ATmega328PB: PB6 is XTAL1
    stm = load_pin_table("stm32f103", ".")
    assert stm.boots["flash"] == {"BOOT0": "low"}
    assert stm.pin("PA13").debug == "SWDIO"
    assert stm.pin("PA1").reserved_by == {}
    assert "crystal" in load_pin_table("atmega328pb", ".").pin("PB6").reserved_by


def test_an_unknown_table_names_the_nearest() -> None:
    with pytest.raises(FileProblems, match="stm32f103"):
        load_pin_table("stm32f013", ".")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('[pins.A]\nstrap = { level = "low" }\ndrives = "high"\n', "contradict"),
        ('[pins.A]\nstrap = { level = "middle" }\n', "middle"),
        ('[pins.A]\nreserved = "x"\n', "reserved"),
        ("[pins.A]\nreserved_by = 3\n", "reserved_by"),
        ("[pins\n", r"missing \]"),
    ],
)
def test_a_contradictory_table_is_refused_with_its_key(tmp_path: Path, text: str, found: str) -> None:
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems, match=found):
        load_pin_table("own.toml", str(tmp_path))


@pytest.mark.parametrize(
    ("table", "package", "pins", "number", "name"),
    [
        # maker's open pin data of the STM32F103C8, LQFP48; I/O multiplexing table of the ATmega328PB, TQFP32
        ("stm32f103", "LQFP48", 48, "44", "BOOT0"),
        ("stm32f103", "LQFP48", 48, "7", "NRST"),
        ("stm32f103", "LQFP48", 48, "34", "PA13"),
        ("atmega328pb", "TQFP32", 32, "29", "PC6"),
        ("atmega328pb", "TQFP32", 32, "12", "PB0"),
    ],
)
def test_pins_by_number(table: str, package: str, pins: int, number: str, name: str) -> None:
    known = load_pin_table(table, ".")
    assert len(known.packages[package]) == pins
    assert known.name_of(number, package) == name
    assert known.name_of("GPIO7", package) == "GPIO7"


def test_the_pins_that_do_not_stand_5_volts() -> None:
    # from memory, STM32F103 data sheet: pins 2 to 6, 10 to 19 and 41 of LQFP48
    known = load_pin_table("stm32f103", ".")
    for number in (*range(2, 7), *range(10, 20), 41):
        assert not known.pin(known.name_of(str(number), "LQFP48")).five_volt, number
    for number in (20, 21, 30, 31, 32, 33, 42, 43, 45):
        assert known.pin(known.name_of(str(number), "LQFP48")).five_volt, number
