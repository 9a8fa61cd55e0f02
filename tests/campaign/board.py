"""A board of six parts and a sequence that energises both of its supplies: so that a run takes a second."""

BOARD = """
[board]
name = "Tiny"
revision = "A"
ground = "GND"

[supplies.USB]
net = "VUSB"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"

[supplies.AUX]
net = "VAUX"
volts = "3.3 V"
range = "3.0 .. 3.6 V"
budget = "200 mA"

[rails.MID]
net = "MID"
from = "USB"
volts = "2.5 V ± 5 %"

[points]
TP1 = { net = "VUSB" }
TP2 = { net = "VAUX" }
TP3 = { net = "MID" }

[parts]
R1 = { kind = "resistor", value = "1k", tolerance = "1 %", pins = ["VUSB", "GND"] }
R2 = { kind = "resistor", value = "2k2", tolerance = "1 %", pins = ["VUSB", "MID"] }
R3 = { kind = "resistor", value = "2k2", tolerance = "1 %", pins = ["MID", "GND"] }
R4 = { kind = "resistor", value = "1k", tolerance = "1 %", pins = ["VAUX", "GND"] }
R5 = { kind = "resistor", value = "1M", pins = ["VUSB", "GND"] }
C1 = { kind = "capacitor", value = "100 nF", pins = ["MID", "GND"], max = { voltage = "16 V" } }
"""

SURGE_PART = "R5"  # its value is changed on the virtual bench where a board that suddenly draws too much is wanted

SEQUENCE = """
title = "Tiny bring-up"
board = "board.toml"

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
trip = "60 mA"
inrush = "60 ms"
settle = "20 ms"
why = "its net was measured when it was drawn"

[[step]]
do = "power on"
supply = "AUX"
limit = "60 mA"
trip = "30 mA"
inrush = "60 ms"
settle = "20 ms"
why = "its net is fed by nothing else"

[[step]]
do = "rails"

[[step]]
do = "wait"
for = "30 ms"

[[step]]
do = "power off"
"""

WAITING = SEQUENCE.replace('for = "30 ms"', 'for = "60 s"').replace("Tiny bring-up", "Tiny wait")

LIMITED = WAITING.replace('trip = "60 mA"\n', "").replace('trip = "30 mA"\n', "").replace("60 s", "3 s")
ONE = LIMITED.partition('[[step]]\ndo = "power on"\nsupply = "AUX"')[0] + (
    '[[step]]\ndo = "wait"\nfor = "3 s"\n\n[[step]]\ndo = "power off"\n'
)
SEQUENCES = {"sequence.toml": SEQUENCE, "waiting.toml": WAITING, "limited.toml": LIMITED, "one.toml": ONE}
