"""A board of a dozen parts, small enough that a run of it takes a moment: a 3.3 V regulator, a processor, a line."""

BOARD = """
[board]
name = "Toy"
revision = "A"
ground = "GND"

[supplies.USB]
net = "VUSB"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"
place = "left edge"

[supplies.AUX]
net = "VAUX"
volts = "5 V"
range = "4.5 .. 5.5 V"
place = "right edge"

[rails.V33]
net = "+3V3"
from = ["USB", "AUX"]
volts = "3.3 V ± 3 %"

[rails.VIN]
net = "VIN"
from = ["USB", "AUX"]

[lines.EN]
net = "EN"
levels = "lvcmos-3v3"
driven_by = "U1.GPIO1"
when = { boot = "low", on = "high" }

[points]
TP1 = { net = "VUSB", place = "left edge, first pad" }
TP2 = { net = "VIN", place = "left edge, second pad" }
TP3 = { net = "+3V3", place = "left edge, third pad" }
TP4 = { net = "EN", place = "bottom edge, first pad" }
TP5 = { net = "VAUX", place = "right edge, first pad" }

[parts]
D1 = { kind = "schottky", drop = "0.40 V", at = "1 A", pins = { A = "VUSB", K = "VIN" }, max = { current = "1 A" } }
D2 = { kind = "schottky", drop = "0.40 V", at = "1 A", pins = { A = "VAUX", K = "VIN" }, max = { current = "1 A" } }
C1 = { kind = "capacitor", value = "10 µF", pins = ["VIN", "GND"], max = { voltage = "16 V" } }
R1 = { kind = "resistor", value = "100k", pins = ["VIN", "GND"] }
R2 = { kind = "resistor", value = "100k", tolerance = "1 %", pins = ["EN", "GND"] }
R3 = { kind = "resistor", value = "330 Ω", tolerance = "1 %", pins = ["+3V3", "GND"] }
R4 = { kind = "resistor", value = "10k", pins = ["VAUX", "GND"] }
C2 = { kind = "capacitor", value = "10 µF", pins = ["+3V3", "GND"], max = { voltage = "6.3 V" } }

[parts.U2]
kind = "ldo"
volts = "3.3 V ± 2 %"
dropout = "200 mV"
limit = "600 mA"
lockout = "2.2 V"
quiescent = "60 µA"
enable_above = "1.0 V"
enable_pull = "none"
pins = { IN = "VIN", OUT = "+3V3", EN = "VIN", GND = "GND" }
max = { voltage = "7 V", current = "500 mA", power = "900 mW" }

[parts.U1]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND", GPIO1 = "EN" }
supply = { VDD = { draws = "5 mA", above = "1.8 V" } }
max = { voltage = "4 V" }

[parts.U1.io]
GPIO1 = { type = "io", ohms = "40 Ω", max = "12 mA", pulls = "none" }

[links.console]
baud = 115200

[target]
part = "U1"
link = "console"
rail = "V33"
above = "2.6 V"
boot_time = "50 ms"
boot_log = ["toy ready"]
prompt = "toy> "

[target.pin_command]
send = "pin {pin} {level}"
reply = "ok"

[[target.answers]]
ask = "id"
reply = "toy 1.25 C"

[[target.streams]]
ask = "dump"
bytes = 1024
rate = "10 kB/s"
"""

SEQUENCE = """
title = "Toy bring-up"
board = "board.toml"

[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
ramp = "1 V every 10 ms"
expect = "5 .. 60 mA"

[[step]]
do = "back-feed"
expect = "< 0.3 V"

[[step]]
do = "rails"

[[step]]
do = "line"
of = "every line"
state = "boot"

[[step]]
do = "drive"
of = ["EN"]

[[step]]
name = "identity"
do = "talk"
send = "id"
expect = 'toy (?P<version>[0-9.]+) C'
limits = { version = "1 .. 2" }

[[step]]
name = "dump speed"
do = "transfer"
stream = "dump"
expect = "> 1 kB/s"

[[step]]
do = "power off"
supply = "USB"
"""

WAITING = """
title = "Long wait"
board = "board.toml"

[[step]]
do = "resistance"
of = "every supply"

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"

[[step]]
do = "wait"
for = "60 s"

[[step]]
do = "power off"
"""
