"""Skep's five units on the virtual bench, after a first look that leaves doubt: what `explain --ask` starts from."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any

UNITS = ("SK-A-001", "SK-A-002", "SK-A-003", "SK-A-004", "SK-A-005")

LOOK = """
title = "First look"
board = "board.toml"

[[step]]
do = "resistance"
of = "USB"
expect = "> 35 kΩ"
shunt = false      # without the resistor across, ohms tell little: what is asked for then needs power, and a pin driven

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
ramp = "0.5 V every 20 ms"
expect = "< 40 mA"
on_fail = "go on"

[[step]]
do = "rails"

[[step]]
do = "line"
of = "every line"
second_load = "never"

[[step]]
do = "power off"
"""


def skep_folder(folder: Path) -> Path:
    """The demo board with its units file and a sequence of a first look."""
    for name in ("board.toml", "units.toml", "first-power-on.toml"):
        text = resources.files("wakeboard.sequences.demo.skep").joinpath(name).read_text(encoding="utf-8")
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "look.toml").write_text(LOOK, encoding="utf-8")
    return folder


def look_at(folder: Path, unit: str, store: Any, sequence: str = "look.toml") -> Any:
    """Take a unit through a sequence on the virtual bench."""
    from wakeboard.harness.describe.load import load_sequence
    from wakeboard.harness.run.session import planted, take_unit

    described = load_sequence(folder / sequence)
    return take_unit(described, unit=unit, plants=planted(described.board, unit), store=store)
