"""Wren, a reading lamp: USB or a lithium cell through a power path, a 3.3 V regulator. An own scenario, and small.

`board(diode_to=...)` draws it: "VSYS" as it should be, "VBAT" with the diode on the wrong side of the power-path
transistor, where it ties the 5 V input to the cell (common practice, no source: an error that first boards do have).
"""

from __future__ import annotations

from pathlib import Path

BOARD = """
[board]
name = "Wren"
revision = "A"
ground = "GND"

[supplies.USB]
net = "VUSB"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"

[supplies.CELL]
net = "VBAT"
kind = "cell"
volts = "3.7 V"
range = "3.5 .. 4.2 V"
budget = "500 mA"
may_take = "0 mA"

[rails.VSYS]
net = "VSYS"
from = ["USB", "CELL"]
range = "2.9 .. 5.25 V"

[rails.V33]
net = "+3V3"
from = "VSYS"
volts = "3.3 V ± 3 %"

[points]
TP1 = { net = "VUSB", place = "left edge, first pad" }
TP2 = { net = "VSYS", place = "left edge, second pad" }
TP3 = { net = "+3V3", place = "left edge, third pad" }
TP4 = { net = "VBAT", place = "right edge, first pad" }

[parts]
D1 = { kind = "schottky", drop = "0.40 V", at = "1 A", pins = { A = "VUSB", K = "@K@" }, max = { current = "1 A" } }
Q1 = { kind = "mosfet", channel = "p", threshold = "0.9 V", ohms = "60 mΩ", at = "4.5 V", pins = { S = "VSYS", G = "VUSB", D = "VBAT" }, max = { current = "3 A", voltage = "20 V" } }
R1 = { kind = "resistor", value = "100k", tolerance = "1 %", pins = ["VUSB", "GND"] }
R2 = { kind = "resistor", value = "3k3", tolerance = "1 %", pins = ["+3V3", "GND"] }
C1 = { kind = "capacitor", value = "10 µF", pins = ["VSYS", "GND"], max = { voltage = "10 V" } }
C2 = { kind = "capacitor", value = "10 µF", pins = ["+3V3", "GND"], max = { voltage = "6.3 V" } }
U2 = { kind = "ldo", volts = "3.3 V ± 2 %", dropout = "200 mV", limit = "600 mA", lockout = "2.2 V", quiescent = "60 µA", enable_above = "1.0 V", enable_pull = "none", pins = { IN = "VSYS", OUT = "+3V3", EN = "VSYS", GND = "GND" }, max = { voltage = "7 V", current = "500 mA", power = "900 mW" } }
"""  # noqa: E501  one part a line, as in a board file

SEQUENCE = """
title = "First power-on"
board = "board.toml"

[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"

[[step]]
do = "power on"
supply = "USB"
limit = "@LIMIT@"
ramp = "0.5 V every 20 ms"
on_fail = "go on"

[[step]]
do = "back-feed"
expect = "< 0.3 V"

[[step]]
do = "rails"

[[step]]
do = "power off"
"""


def write(folder: Path, *, diode_to: str = "VSYS", limit: str = "100 mA") -> Path:
    """The board and its sequence in a folder; the sequence's path."""
    (folder / "board.toml").write_text(BOARD.replace("@K@", diode_to), encoding="utf-8")
    sequence = folder / "first-power-on.toml"
    sequence.write_text(SEQUENCE.replace("@LIMIT@", limit), encoding="utf-8")
    return sequence
