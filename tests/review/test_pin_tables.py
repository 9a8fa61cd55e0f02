"""Pin tables: the packaged ones, and what is wrong in one's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from wakeboard.harness.describe.pin_tables import load_pin_table, packaged
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
    assert stm.pin("BOOT0").strap == "low"
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
        ("[pins\n", "TOML"),
    ],
)
def test_a_contradictory_table_is_refused_with_its_key(tmp_path: Path, text: str, found: str) -> None:
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems, match=found):
        load_pin_table("own.toml", str(tmp_path))
