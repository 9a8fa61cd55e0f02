"""Boards besides Skep, invented, so that nothing is tuned to one: Wren, with a sequence of some length, Plover,
and Dunlin and Siskin, which state no tolerances.

write("plover", folder)                the sequence's path, with board.toml beside it
"""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

WREN_SEQUENCE = """
title = "Bring-up"
board = "board.toml"

[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"

[[step]]
name = "junctions"
do = "resistance"
of = "every point"
limits_from = "circuit"
on_fail = "go on"

[[step]]
name = "pulls"
do = "resistance"
of = "every point"
range = "100 kΩ"
shunt = true
limits_from = "circuit"
on_fail = "go on"

[[step]]
do = "power on"
supply = "USB"
limit = "100 mA"
ramp = "0.5 V every 20 ms"
on_fail = "go on"

[[step]]
do = "back-feed"
expect = "< 0.3 V"

[[step]]
do = "rails"
on_fail = "go on"

[[step]]
name = "levels"
do = "volts"
of = "every point"
on_fail = "go on"

[[step]]
do = "power off"
supply = "USB"

[[step]]
do = "power on"
supply = "CELL"
limit = "100 mA"
ramp = "0.5 V every 20 ms"
on_fail = "go on"

[[step]]
do = "rails"
on_fail = "go on"

[[step]]
name = "levels on the cell"
do = "volts"
of = "every point"
on_fail = "go on"

[[step]]
do = "power off"
"""

PLOVER = """
# Plover, a greenhouse valve controller: 12 V in, 5 V by a buck converter, 3.3 V behind it, three chips. Invented.
[board]
name = "Plover"
revision = "A"
ground = "GND"
adjacent = [["+5V", "+3V3"], ["+3V3", "GND"], ["V12", "+5V"], ["SDA", "SCL"], ["RESET", "VALVE_ON"], ["BUS_TX", "BUS_RX"]]

[supplies.MAIN]
net = "V12_IN"
volts = "12 V"
range = "9 .. 15 V"
budget = "500 mA"

[rails.V12]
net = "V12"
from = "MAIN"
range = "8 .. 15 V"

[rails.V5]
net = "+5V"
from = "V12"
volts = "5 V ± 4 %"

[rails.V33]
net = "+3V3"
from = "V5"
volts = "3.3 V ± 3 %"

[lines.RESET]
net = "RESET"
levels = "lvcmos-3v3"
driven_by = "U3.OUT"
when = { boot = "high" }

[lines.VALVE_ON]
net = "VALVE_ON"
levels = "lvcmos-3v3"
driven_by = "U4.PA1"
when = { boot = "low" }

[lines.BUS_EN]
net = "BUS_EN"
levels = "lvcmos-3v3"
driven_by = "U4.PA2"
when = { boot = "low" }

[lines.BUS_RX]
net = "BUS_RX"
levels = "lvcmos-3v3"
when = { boot = "high" }

[lines.BUS_TX]
net = "BUS_TX"
levels = "lvcmos-3v3"
driven_by = "U4.PA3"
when = { boot = "high" }

[lines.SDA]
net = "SDA"
levels = "lvcmos-3v3"
when = { boot = "high" }

[lines.SCL]
net = "SCL"
levels = "lvcmos-3v3"
when = { boot = "high" }

[lines.WP]
net = "WP"
levels = "lvcmos-3v3"
when = { boot = "high" }

[points]
TP1 = { net = "V12_IN", place = "left edge, first pad" }
TP2 = { net = "V12", place = "left edge, second pad" }
TP3 = { net = "+5V", place = "left edge, third pad" }
TP4 = { net = "+3V3", place = "left edge, fourth pad" }
TP5 = { net = "RESET", place = "top edge, first pad" }
TP6 = { net = "VALVE_ON", place = "top edge, second pad" }
TP7 = { net = "VALVE", place = "top edge, third pad" }
TP8 = { net = "BUS_EN", place = "top edge, fourth pad" }
TP9 = { net = "BUS_RX", place = "right edge, first pad" }
TP10 = { net = "BUS_TX", place = "right edge, second pad" }
TP11 = { net = "SDA", place = "right edge, third pad" }
TP12 = { net = "SCL", place = "right edge, fourth pad" }
TP13 = { net = "WP", place = "right edge, fifth pad" }
TP14 = { net = "MOIST", place = "bottom edge, first pad" }
TP15 = { net = "V12_SENSE", place = "bottom edge, second pad" }

[parts]
J1 = { kind = "connector", pins = { P = "V12_IN", N = "GND" } }
F1 = { kind = "ptc", ohms = "0.3 Ω", hold = "500 mA", trip = "1 A", pins = ["V12_IN", "V12_F"], max = { voltage = "30 V" } }
D1 = { kind = "schottky", drop = "0.45 V ± 8 %", at = "1 A", pins = { A = "V12_F", K = "V12" }, max = { current = "1 A", voltage = "40 V" } }
D2 = { kind = "zener", volts = "18 V", at = "5 mA", pins = { A = "GND", K = "V12" }, max = { power = "500 mW" } }
C1 = { kind = "capacitor", value = "22 µF", tolerance = "20 %", pins = ["V12", "GND"], max = { voltage = "25 V" } }
R1 = { kind = "resistor", value = "390k", tolerance = "1 %", pins = ["V12", "V12_SENSE"] }
R2 = { kind = "resistor", value = "100k", tolerance = "1 %", pins = ["V12_SENSE", "GND"] }
U1 = { kind = "buck", volts = "5 V ± 2 %", limit = "1 A", lockout = "6 V", quiescent = "150 µA", efficiency = 0.88, enable_above = "1.2 V", enable_pull = "none", pins = { IN = "V12", OUT = "+5V", EN = "V12", GND = "GND" }, max = { voltage = "28 V" } }
C2 = { kind = "capacitor", value = "22 µF", tolerance = "20 %", pins = ["+5V", "GND"], max = { voltage = "10 V" } }
R3 = { kind = "resistor", value = "22k", tolerance = "1 %", pins = ["+5V", "GND"] }
U2 = { kind = "ldo", volts = "3.3 V ± 2 %", dropout = "250 mV", limit = "300 mA", lockout = "2.1 V", quiescent = "55 µA", enable_above = "1.0 V", enable_pull = "none", variants = ["2.5 V"], pins = { IN = "+5V", OUT = "+3V3", EN = "+5V", GND = "GND" }, max = { voltage = "6.5 V", current = "300 mA", power = "500 mW" } }
C3 = { kind = "capacitor", value = "4.7 µF", tolerance = "20 %", pins = ["+3V3", "GND"], max = { voltage = "6.3 V" } }
U3 = { kind = "supervisor", threshold = "2.93 V ± 2 %", quiescent = "8 µA", pins = { VDD = "+3V3", OUT = "RESET", GND = "GND" }, max = { voltage = "6 V" } }
R4 = { kind = "resistor", value = "10k", tolerance = "1 %", pins = ["+3V3", "RESET"] }
C4 = { kind = "capacitor", value = "100 nF", tolerance = "10 %", pins = ["RESET", "GND"], max = { voltage = "16 V" } }
R5 = { kind = "resistor", value = "1k5", tolerance = "1 %", pins = ["+3V3", "LED_A"] }
D3 = { kind = "led", drop = "2.0 V", at = "1 mA", pins = { A = "LED_A", K = "GND" }, max = { current = "20 mA" } }
R6 = { kind = "resistor", value = "1k", tolerance = "1 %", pins = ["VALVE_ON", "VALVE_G"] }
R7 = { kind = "resistor", value = "47k", tolerance = "1 %", pins = ["VALVE_ON", "GND"] }
Q1 = { kind = "mosfet", channel = "n", threshold = "1.2 V", ohms = "50 mΩ", at = "3.3 V", pins = { G = "VALVE_G", D = "VALVE", S = "GND" }, max = { current = "2 A", voltage = "30 V" } }
R8 = { kind = "resistor", value = "4k7", tolerance = "1 %", pins = ["V12", "VALVE"] }
D4 = { kind = "diode", pins = { A = "VALVE", K = "V12" }, max = { current = "1 A", voltage = "100 V" } }
R9 = { kind = "resistor", value = "100k", tolerance = "1 %", pins = ["BUS_EN", "GND"] }
R10 = { kind = "resistor", value = "47k", tolerance = "1 %", pins = ["+3V3", "BUS_RX"] }
R11 = { kind = "resistor", value = "47k", tolerance = "1 %", pins = ["+3V3", "BUS_TX"] }
R12 = { kind = "resistor", value = "4k7", tolerance = "1 %", pins = ["+3V3", "SDA"] }
R13 = { kind = "resistor", value = "4k7", tolerance = "1 %", pins = ["+3V3", "SCL"] }
R14 = { kind = "resistor", value = "22k", tolerance = "1 %", pins = ["+3V3", "WP"] }
R15 = { kind = "resistor", value = "68k", tolerance = "1 %", pins = ["+3V3", "MOIST"] }
R16 = { kind = "resistor", value = "33k", tolerance = "1 %", pins = ["MOIST", "GND"] }
C5 = { kind = "capacitor", value = "100 nF", tolerance = "10 %", pins = ["MOIST", "GND"], max = { voltage = "16 V" } }

[parts.U4]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND", NRST = "RESET", PA1 = "VALVE_ON", PA2 = "BUS_EN", PA3 = "BUS_TX", PA4 = "BUS_RX", SDA = "SDA", SCL = "SCL", AN0 = "MOIST", AN1 = "V12_SENSE" }
supply = { VDD = { draws = "5 mA ± 25 %", above = "1.7 V" } }
max = { voltage = "4 V" }

[parts.U4.io]
NRST = { type = "input", pull_up = "45k ± 30 %" }
PA1 = { type = "io", ohms = "45 Ω", pulls = "none" }
PA2 = { type = "io", ohms = "45 Ω", pulls = "none" }
PA3 = { type = "io", ohms = "45 Ω", pulls = "none" }
PA4 = { type = "io", ohms = "45 Ω", pulls = "none" }
SDA = { type = "open_drain", ohms = "60 Ω", pulls = "none" }
SCL = { type = "open_drain", ohms = "60 Ω", pulls = "none" }
AN0 = { type = "analog", pulls = "none" }
AN1 = { type = "analog", pulls = "none" }

[parts.U5]
kind = "chip"
pins = { VCC = "+5V", VIO = "+3V3", GND = "GND", TXD = "BUS_TX", RXD = "BUS_RX", EN = "BUS_EN" }
supply = { VCC = { draws = "3 mA ± 30 %", above = "3.0 V" }, VIO = { draws = "60 µA ± 50 %", above = "1.5 V" } }
max = { voltage = "6 V" }

[parts.U5.io]
TXD = { rail = "VIO", type = "input", pulls = "none" }
RXD = { rail = "VIO", type = "output", drive = "high", ohms = "70 Ω", pulls = "none" }
EN = { rail = "VIO", type = "input", pulls = "none" }

[parts.U6]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND", SDA = "SDA", SCL = "SCL", WP = "WP" }
supply = { VDD = { draws = "15 µA ± 50 %", above = "1.6 V" } }
max = { voltage = "4 V" }

[parts.U6.io]
SDA = { type = "open_drain", ohms = "60 Ω", pulls = "none" }
SCL = { type = "input", pulls = "none" }
WP = { type = "input", pulls = "none" }
"""  # noqa: E501  one part a line, as in a board file

PLOVER_SEQUENCE = """
title = "Bring-up"
board = "board.toml"

[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"

[[step]]
do = "resistance"
of = ["V12", "V5", "V33"]
expect = "> 100 Ω"

[[step]]
name = "junctions"
do = "resistance"
of = "every point"
limits_from = "circuit"
on_fail = "go on"

[[step]]
name = "pulls"
do = "resistance"
of = "every point"
range = "100 kΩ"
shunt = true
both_polarities = false
limits_from = "circuit"
on_fail = "go on"

[[step]]
do = "power on"
supply = "MAIN"
limit = "120 mA"
ramp = "1 V every 20 ms"
expect = "< 60 mA"
on_fail = "go on"

[[step]]
do = "rails"
on_fail = "go on"

[[step]]
do = "line"
of = "every line"
state = "boot"
second_load = "when odd"
on_fail = "go on"

[[step]]
name = "levels"
do = "volts"
of = "every point"
on_fail = "go on"

[[step]]
name = "strength"
do = "volts"
of = ["every line", "MOIST", "V12_SENSE"]
load = true
on_fail = "go on"

[[step]]
do = "power off"
"""


DUNLIN = """
# Dunlin, a mast logger: USB or four AA cells, two regulated rails, a switched sensor rail, a boost for a horn. Invented.
# Drawn as a schematic has it: no part states a tolerance.
[board]
name = "Dunlin"
revision = "A"
ground = "GND"
adjacent = [["VBUS", "GND"], ["VBATT", "VSYS"], ["+3V0", "+1V8"], ["+1V8", "GND"], ["+3V0", "VSENS"], ["MISO", "MOSI"], ["MOSI", "SCK"], ["SDA", "SCL"], ["NRST", "BOOT"], ["SENS_EN", "HORN_EN"]]

[supplies.USB]
net = "VBUS"
kind = "usb"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"

[supplies.CELLS]
net = "VBATT"
volts = "6 V"
range = "3.6 .. 6.6 V"
budget = "300 mA"
may_take = "0 mA"

[rails.VSYS]
net = "VSYS"
from = ["USB", "CELLS"]
range = "3.3 .. 6.6 V"

[rails.V30]
net = "+3V0"
from = "VSYS"
volts = "3.0 V ± 3 %"

[rails.V18]
net = "+1V8"
from = "V30"
volts = "1.8 V ± 4 %"

[rails.SENS]
net = "VSENS"
from = "V30"
volts = "3.0 V ± 4 %"
on_when = { "U4.PB0" = "high" }

[lines.NRST]
net = "NRST"
levels = "lvcmos-3v3"
when = { boot = "high" }

[lines.BOOT]
net = "BOOT"
levels = { low = "< 0.9 V", high = "> 2.1 V" }
when = { boot = "low" }

[lines.SENS_EN]
net = "SENS_EN"
levels = { low = "< 0.4 V", high = "> 1.2 V" }
driven_by = "U4.PB0"
when = { boot = "low" }

[lines.HORN_EN]
net = "HORN_EN"
levels = { low = "< 0.4 V", high = "> 1.2 V" }
driven_by = "U4.PB1"
when = { boot = "low" }

[lines.CS]
net = "CS"
levels = { low = "< 0.5 V", high = "> 1.3 V" }
driven_by = "U4.PB2"
when = { boot = "high" }

[lines.SDA]
net = "SDA"
levels = { low = "< 0.9 V", high = "> 2.1 V" }
when = { boot = "high" }

[lines.SCL]
net = "SCL"
levels = { low = "< 0.9 V", high = "> 2.1 V" }
when = { boot = "high" }

[lines.WAKE]
net = "WAKE"
levels = { low = "< 0.9 V", high = "> 2.1 V" }
when = { boot = "high" }

[points]
TP1 = { net = "VBUS", place = "left edge, pad 1" }
TP2 = { net = "VBATT", place = "left edge, pad 2" }
TP3 = { net = "VSYS", place = "left edge, pad 3" }
TP4 = { net = "+3V0", place = "left edge, pad 4" }
TP5 = { net = "+1V8", place = "left edge, pad 5" }
TP6 = { net = "VSENS", place = "left edge, pad 6" }
TP7 = { net = "NRST", place = "right edge, pad 1" }
TP8 = { net = "BOOT", place = "right edge, pad 2" }
TP9 = { net = "SENS_EN", place = "right edge, pad 3" }
TP10 = { net = "HORN_EN", place = "right edge, pad 4" }
TP11 = { net = "CS", place = "right edge, pad 5" }
TP12 = { net = "SDA", place = "right edge, pad 6" }
TP13 = { net = "SCL", place = "right edge, pad 7" }
TP14 = { net = "WAKE", place = "right edge, pad 8" }
TP15 = { net = "VHORN", place = "top edge, pad 1" }
TP16 = { net = "BATT_DIV", place = "top edge, pad 2" }
TP17 = { net = "MISO", place = "top edge, pad 3" }
TP18 = { net = "HORN_B", place = "top edge, pad 4" }

[parts]
J1 = { kind = "connector", pins = { P = "VBUS", N = "GND" } }
J2 = { kind = "connector", pins = { P = "VBATT", N = "GND" } }
R1 = { kind = "resistor", value = "5k1", pins = ["VBUS", "GND"] }
D1 = { kind = "schottky", drop = "0.35 V", at = "0.5 A", pins = { A = "VBUS", K = "VSYS" }, max = { current = "1 A", voltage = "30 V" } }
Q1 = { kind = "mosfet", channel = "p", threshold = "1.0 V", ohms = "40 mΩ", at = "4.5 V", pins = { D = "VBATT", G = "VBUS", S = "VSYS" }, max = { current = "3 A", voltage = "20 V" } }
C1 = { kind = "capacitor", value = "22 µF", pins = ["VSYS", "GND"], max = { voltage = "10 V" } }
R2 = { kind = "resistor", value = "1M", pins = ["VBATT", "BATT_DIV"] }
R3 = { kind = "resistor", value = "470k", pins = ["BATT_DIV", "GND"] }
C2 = { kind = "capacitor", value = "100 nF", pins = ["BATT_DIV", "GND"], max = { voltage = "16 V" } }
U1 = { kind = "ldo", volts = "3.0 V", dropout = "180 mV", limit = "500 mA", lockout = "2.0 V", quiescent = "30 µA", enable_above = "1.1 V", enable_pull = "none", variants = ["3.3 V", "2.8 V"], pins = { IN = "VSYS", OUT = "+3V0", EN = "VSYS", GND = "GND" }, max = { voltage = "12 V", current = "500 mA", power = "600 mW" } }
C3 = { kind = "capacitor", value = "10 µF", pins = ["+3V0", "GND"], max = { voltage = "6.3 V" } }
U2 = { kind = "ldo", volts = "1.8 V", dropout = "200 mV", limit = "150 mA", lockout = "1.6 V", quiescent = "20 µA", enable_above = "0.9 V", enable_pull = "down", pins = { IN = "+3V0", OUT = "+1V8", EN = "+3V0", GND = "GND" }, max = { voltage = "5.5 V", current = "150 mA", power = "300 mW" } }
C4 = { kind = "capacitor", value = "4.7 µF", pins = ["+1V8", "GND"], max = { voltage = "6.3 V" } }
U3 = { kind = "load_switch", ohms = "90 mΩ", limit = "500 mA", lockout = "1.2 V", quiescent = "2 µA", enable_above = "0.9 V", enable_pull = "none", blocks_reverse = true, drain_ohms = "150 Ω", pins = { IN = "+3V0", OUT = "VSENS", EN = "SENS_EN", GND = "GND" }, max = { voltage = "5.5 V", current = "500 mA" } }
R4 = { kind = "resistor", value = "100k", pins = ["SENS_EN", "GND"] }
C5 = { kind = "capacitor", value = "4.7 µF", pins = ["VSENS", "GND"], max = { voltage = "6.3 V" } }
U5 = { kind = "boost", volts = "12 V", limit = "300 mA", lockout = "2.2 V", quiescent = "80 µA", efficiency = 0.82, enable_above = "1.0 V", enable_pull = "none", pins = { IN = "VSYS", OUT = "VHORN", EN = "HORN_EN", GND = "GND" }, max = { voltage = "18 V" } }
R5 = { kind = "resistor", value = "220k", pins = ["HORN_EN", "GND"] }
C6 = { kind = "capacitor", value = "4.7 µF", pins = ["VHORN", "GND"], max = { voltage = "25 V" } }
R6 = { kind = "resistor", value = "4k7", pins = ["HORN_PWM", "HORN_B"] }
R7 = { kind = "resistor", value = "47k", pins = ["HORN_B", "GND"] }
Q2 = { kind = "bjt", type = "npn", gain = 150, pins = { B = "HORN_B", C = "HORN", E = "GND" }, max = { current = "500 mA", voltage = "40 V" } }
R8 = { kind = "resistor", value = "2k2", pins = ["VHORN", "HORN"] }
R9 = { kind = "resistor", value = "10k", pins = ["+3V0", "NRST"] }
C7 = { kind = "capacitor", value = "100 nF", pins = ["NRST", "GND"], max = { voltage = "16 V" } }
R10 = { kind = "resistor", value = "10k", pins = ["BOOT", "GND"] }
R11 = { kind = "resistor", value = "2k2", pins = ["+3V0", "SDA"] }
R12 = { kind = "resistor", value = "2k2", pins = ["+3V0", "SCL"] }
R13 = { kind = "resistor", value = "100k", pins = ["+3V0", "WAKE"] }
SW1 = { kind = "button", pins = ["WAKE", "GND"] }
R14 = { kind = "resistor", value = "47k", pins = ["+1V8", "CS"] }
R15 = { kind = "resistor", value = "1k", pins = ["+3V0", "LED_A"] }
D2 = { kind = "led", drop = "1.9 V", at = "1 mA", pins = { A = "LED_A", K = "LED_K" }, max = { current = "20 mA" } }

[parts.U4]
kind = "chip"
pins = { VDD = "+3V0", VCORE = "+1V8", VSS = "GND", NRST = "NRST", BOOT = "BOOT", PB0 = "SENS_EN", PB1 = "HORN_EN", PB2 = "CS", PB3 = "SCK", PB4 = "MISO", PB5 = "MOSI", PB6 = "SCL", PB7 = "SDA", PB8 = "WAKE", PB9 = "LED_K", PB10 = "HORN_PWM", AIN = "BATT_DIV" }
supply = { VDD = { draws = "3 mA", above = "1.7 V" }, VCORE = { draws = "6 mA", above = "1.2 V" } }
max = { voltage = "4 V" }

[parts.U4.io]
NRST = { type = "input", pull_up = "40k" }
BOOT = { type = "input" }
PB0 = { type = "io", ohms = "50 Ω" }
PB1 = { type = "io", ohms = "50 Ω" }
PB2 = { type = "io", rail = "VCORE", ohms = "60 Ω" }
PB3 = { type = "io", rail = "VCORE", ohms = "60 Ω" }
PB4 = { type = "io", rail = "VCORE", ohms = "60 Ω" }
PB5 = { type = "io", rail = "VCORE", ohms = "60 Ω" }
PB6 = { type = "open_drain", ohms = "50 Ω", pulls = "none" }
PB7 = { type = "open_drain", ohms = "50 Ω", pulls = "none" }
PB8 = { type = "io", ohms = "50 Ω", pulls = "none" }
PB9 = { type = "open_drain", drive = "low", ohms = "30 Ω", pulls = "none" }
PB10 = { type = "io", ohms = "50 Ω", pulls = "none" }
AIN = { type = "analog", pulls = "none" }

[parts.U6]
kind = "chip"
pins = { VCC = "+1V8", GND = "GND", CS = "CS", SCK = "SCK", SO = "MISO", SI = "MOSI" }
supply = { VCC = { draws = "10 µA", above = "1.4 V" } }
max = { voltage = "2.5 V" }

[parts.U6.io]
CS = { type = "input", pulls = "none" }
SCK = { type = "input", pulls = "none" }
SO = { type = "output", ohms = "80 Ω", pulls = "none" }
SI = { type = "input", pulls = "none" }

[parts.U7]
kind = "chip"
pins = { VDD = "VSENS", VIO = "+3V0", GND = "GND", SDA = "SDA", SCL = "SCL", INT = "WAKE" }
supply = { VDD = { draws = "700 µA", above = "1.6 V" }, VIO = { draws = "5 µA", above = "1.2 V" } }
max = { voltage = "4 V" }

[parts.U7.io]
SDA = { type = "open_drain", rail = "VIO", ohms = "50 Ω", pulls = "none" }
SCL = { type = "input", rail = "VIO", pulls = "none" }
INT = { type = "open_drain", rail = "VIO", ohms = "60 Ω" }
"""  # noqa: E501  one part a line, as in a board file

DUNLIN_SEQUENCE = """
title = "Bring-up"
board = "board.toml"

[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"

[[step]]
do = "resistance"
of = "every rail"
expect = "> 50 Ω"

[[step]]
name = "junctions"
do = "resistance"
of = "every point"
limits_from = "circuit"
on_fail = "go on"

[[step]]
do = "power on"
supply = "USB"
limit = "100 mA"
ramp = "0.5 V every 20 ms"
expect = "< 60 mA"
on_fail = "go on"

[[step]]
do = "back-feed"
expect = "< 0.3 V"
on_fail = "go on"

[[step]]
do = "rails"
on_fail = "go on"

[[step]]
do = "line"
of = "every line"
state = "boot"
second_load = "when odd"
on_fail = "go on"

[[step]]
name = "levels"
do = "volts"
of = "every point"
on_fail = "go on"

[[step]]
name = "strength"
do = "volts"
of = ["every line", "BATT_DIV", "MISO"]
load = true
on_fail = "go on"

[[step]]
do = "power off"
supply = "USB"

[[step]]
do = "power on"
supply = "CELLS"
limit = "100 mA"
ramp = "0.5 V every 20 ms"
on_fail = "go on"

[[step]]
do = "rails"
on_fail = "go on"

[[step]]
name = "levels on cells"
do = "volts"
of = "every point"
on_fail = "go on"

[[step]]
do = "power off"
"""

SISKIN = """
# Siskin, a node on a two-wire bus: 12 V in, 5 V and 3.3 V set by dividers, diodes that protect the bus. Invented.
[board]
name = "Siskin"
revision = "A"
ground = "GND"
adjacent = [["+5V", "GND"], ["+5V", "FB5"], ["+3V3", "FB3"], ["FB3", "GND"], ["BUS_A", "BUS_B"], ["RO", "DE"], ["DE", "DI"], ["SDA", "SCL"], ["NRST", "+3V3"]]

[supplies.MAIN]
net = "VIN"
volts = "12 V"
range = "9 .. 16 V"
budget = "300 mA"

[rails.VP]
net = "VP"
from = "MAIN"
range = "8 .. 16 V"

[rails.V5]
net = "+5V"
from = "VP"
volts = "5 V ± 5 %"

[rails.V33]
net = "+3V3"
from = "V5"
volts = "3.3 V ± 5 %"

[lines.NRST]
net = "NRST"
levels = "lvcmos-3v3"
when = { boot = "high" }

[lines.DE]
net = "DE"
levels = "lvcmos-3v3"
driven_by = "U3.PA1"
when = { boot = "low" }

[lines.DI]
net = "DI"
levels = "lvcmos-3v3"
driven_by = "U3.PA2"
when = { boot = "high" }

[lines.RO]
net = "RO"
levels = "lvcmos-3v3"
when = { boot = "high" }

[lines.SDA]
net = "SDA"
levels = "lvcmos-3v3"
when = { boot = "high" }

[lines.SCL]
net = "SCL"
levels = "lvcmos-3v3"
when = { boot = "high" }

[lines.KEY]
net = "KEY"
levels = "lvcmos-3v3"
when = { boot = "high" }

[points]
TP1 = { net = "VIN", place = "left edge, pad 1" }
TP2 = { net = "VP", place = "left edge, pad 2" }
TP3 = { net = "+5V", place = "left edge, pad 3" }
TP4 = { net = "+3V3", place = "left edge, pad 4" }
TP5 = { net = "FB5", place = "left edge, pad 5" }
TP6 = { net = "NRST", place = "right edge, pad 1" }
TP7 = { net = "DE", place = "right edge, pad 2" }
TP8 = { net = "DI", place = "right edge, pad 3" }
TP9 = { net = "RO", place = "right edge, pad 4" }
TP10 = { net = "SDA", place = "right edge, pad 5" }
TP11 = { net = "SCL", place = "right edge, pad 6" }
TP12 = { net = "KEY", place = "right edge, pad 7" }
TP13 = { net = "BUS_A", place = "top edge, pad 1" }
TP14 = { net = "BUS_B", place = "top edge, pad 2" }
TP15 = { net = "VP_DIV", place = "top edge, pad 3" }

[parts]
J1 = { kind = "connector", pins = { P = "VIN", N = "GND" } }
J2 = { kind = "connector", pins = { A = "BUS_A", B = "BUS_B" } }
F1 = { kind = "fuse", ohms = "0.1 Ω", pins = ["VIN", "VF"] }
Q1 = { kind = "mosfet", channel = "p", threshold = "1.8 V", ohms = "50 mΩ", at = "4.5 V", pins = { D = "VF", G = "QG", S = "VP" }, max = { current = "3 A", voltage = "30 V" } }
D1 = { kind = "zener", volts = "10 V", at = "5 mA", pins = { A = "QG", K = "VP" }, max = { power = "300 mW" } }
R1 = { kind = "resistor", value = "100k", pins = ["QG", "GND"] }
C1 = { kind = "capacitor", value = "22 µF", pins = ["VP", "GND"], max = { voltage = "25 V" } }
U1 = { kind = "adjustable_buck", reference = "0.8 V", limit = "1 A", lockout = "4 V", quiescent = "120 µA", enable_above = "1.2 V", enable_pull = "up", enable_pull_ohms = "1M", pins = { IN = "VP", OUT = "+5V", FB = "FB5", GND = "GND", EN = "EN5" }, max = { voltage = "30 V" } }
R2 = { kind = "resistor", value = "52k3", pins = ["+5V", "FB5"] }
R3 = { kind = "resistor", value = "10k", pins = ["FB5", "GND"] }
C2 = { kind = "capacitor", value = "22 µF", pins = ["+5V", "GND"], max = { voltage = "10 V" } }
U2 = { kind = "adjustable_ldo", reference = "0.6 V", dropout = "200 mV", limit = "300 mA", lockout = "2.0 V", quiescent = "40 µA", pins = { IN = "+5V", OUT = "+3V3", FB = "FB3", GND = "GND" }, max = { voltage = "7 V", current = "300 mA" } }
R4 = { kind = "resistor", value = "453k", pins = ["+3V3", "FB3"] }
R5 = { kind = "resistor", value = "100k", pins = ["FB3", "GND"] }
C3 = { kind = "capacitor", value = "4.7 µF", pins = ["+3V3", "GND"], max = { voltage = "6.3 V" } }
R6 = { kind = "resistor", value = "330k", pins = ["VP", "VP_DIV"] }
R7 = { kind = "resistor", value = "68k", pins = ["VP_DIV", "GND"] }
R8 = { kind = "resistor", value = "10k", pins = ["+3V3", "NRST"] }
C4 = { kind = "capacitor", value = "100 nF", pins = ["NRST", "GND"], max = { voltage = "16 V" } }
R9 = { kind = "resistor", value = "10k", pins = ["DE", "GND"] }
R10 = { kind = "resistor", value = "120R", pins = ["BUS_A", "BUS_B"] }
R11 = { kind = "resistor", value = "680R", pins = ["+5V", "BUS_A"] }
R12 = { kind = "resistor", value = "680R", pins = ["BUS_B", "GND"] }
D2 = { kind = "esd_array", breakdown = "7.5 V", pins = { L1 = "BUS_A", L2 = "BUS_B", GND = "GND" } }
R13 = { kind = "resistor", value = "4k7", pins = ["+3V3", "SDA"] }
R14 = { kind = "resistor", value = "4k7", pins = ["+3V3", "SCL"] }
R15 = { kind = "resistor", value = "100k", pins = ["+3V3", "KEY"] }
SW1 = { kind = "button", pins = ["KEY", "GND"] }
R16 = { kind = "resistor", value = "2k2", pins = ["+5V", "LED_A"] }
D3 = { kind = "led", drop = "2.1 V", at = "2 mA", pins = { A = "LED_A", K = "GND" }, max = { current = "20 mA" } }
R17 = { kind = "resistor", value = "10k", pins = ["+3V3", "RO"] }
R18 = { kind = "resistor", value = "47k", pins = ["+3V3", "DI"] }
Y1 = { kind = "crystal", value = "8 MHz", pins = ["XI", "XO"] }

[parts.U3]
kind = "chip"
pins = { VDD = "+3V3", VSS = "GND", NRST = "NRST", PA1 = "DE", PA2 = "DI", PA3 = "RO", PA4 = "KEY", PB6 = "SCL", PB7 = "SDA", AN1 = "VP_DIV", XI = "XI", XO = "XO" }
supply = { VDD = { draws = "8 mA", above = "1.8 V" } }
max = { voltage = "4 V" }

[parts.U3.io]
NRST = { type = "input", pull_up = "40k" }
PA1 = { type = "io", ohms = "40 Ω" }
PA2 = { type = "io", ohms = "40 Ω" }
PA3 = { type = "io", ohms = "40 Ω" }
PA4 = { type = "io", ohms = "40 Ω" }
PB6 = { type = "open_drain", ohms = "40 Ω" }
PB7 = { type = "open_drain", ohms = "40 Ω" }
AN1 = { type = "analog" }
XI = { type = "input", pulls = "none" }
XO = { type = "output", pulls = "none" }

[parts.U4]
kind = "chip"
pins = { VCC = "+5V", GND = "GND", RO = "RO_5", DE = "DE", DI = "DI", A = "BUS_A", B = "BUS_B" }
supply = { VCC = { draws = "500 µA", above = "3.0 V" } }
max = { voltage = "7 V" }

[parts.U4.io]
RO = { type = "output", drive = "high", ohms = "60 Ω", pulls = "none" }
DE = { type = "input", pulls = "none", clamp = false }
DI = { type = "input", pulls = "none", clamp = false }
A = { type = "input", pulls = "none", clamp = false }
B = { type = "input", pulls = "none", clamp = false }

[parts.D4]
kind = "schottky"
drop = "0.3 V"
at = "1 mA"
pins = { A = "RO", K = "RO_5" }

[parts.U5]
kind = "chip"
pins = { VCC = "+3V3", VSS = "GND", SDA = "SDA", SCL = "SCL" }
supply = { VCC = { draws = "5 µA", above = "1.6 V" } }
max = { voltage = "5.5 V" }

[parts.U5.io]
SDA = { type = "open_drain", ohms = "60 Ω", pulls = "none" }
SCL = { type = "input", pulls = "none" }
"""  # noqa: E501  one part a line, as in a board file

SISKIN_SEQUENCE = """
title = "Bring-up"
board = "board.toml"

[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"

[[step]]
do = "resistance"
of = "every rail"
expect = "> 50 Ω"

[[step]]
name = "junctions"
do = "resistance"
of = "every point"
limits_from = "circuit"
on_fail = "go on"

[[step]]
do = "power on"
supply = "MAIN"
limit = "100 mA"
ramp = "1 V every 20 ms"
on_fail = "go on"

[[step]]
do = "rails"
on_fail = "go on"

[[step]]
do = "line"
of = "every line"
state = "boot"
second_load = "when odd"
on_fail = "go on"

[[step]]
name = "levels"
do = "volts"
of = "every point"
on_fail = "go on"

[[step]]
name = "strength"
do = "volts"
of = ["every line", "VP_DIV"]
load = true
on_fail = "go on"

[[step]]
do = "power off"
"""


def _wren() -> ModuleType:
    file = Path(__file__).parent.parent / "rehearse" / "wren.py"
    spec = importlib.util.spec_from_file_location("truth_wren", file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


BOARDS = ("wren", "plover", "dunlin", "siskin")


def write(board: str, folder: Path) -> Path:
    """A board and its sequence in a folder of their own below `folder`; the sequence's path."""
    texts = {
        "wren": lambda: (_wren().BOARD.replace("@K@", "VSYS"), WREN_SEQUENCE),
        "plover": lambda: (PLOVER, PLOVER_SEQUENCE),
        "dunlin": lambda: (DUNLIN, DUNLIN_SEQUENCE),
        "siskin": lambda: (SISKIN, SISKIN_SEQUENCE),
    }
    if board not in texts:
        raise ValueError(f"no board {board!r}; there are skep, {', '.join(texts)}")
    drawing, steps = texts[board]()
    place = folder / board
    place.mkdir(parents=True, exist_ok=True)
    (place / "board.toml").write_text(drawing, encoding="utf-8")
    (place / "bring-up.toml").write_text(steps, encoding="utf-8")
    return place / "bring-up.toml"
