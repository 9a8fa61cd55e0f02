"""A small board whose file is edited by the tests, one mistake at a time."""

import textwrap
from pathlib import Path

import pytest

BOARD = """\
[board]
name = "Finch"
revision = "B"
adjacent = [["VUSB", "GND"]]

[supplies.USB]
net = "VUSB"
kind = "usb"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"

[supplies.CELL]
net = "VBAT"
volts = "3.7 V"
may_take = "0 mA"

[rails.V33]
net = "+3V3"
from = ["USB", "CELL"]
volts = "3.3 V ± 2 %"

[rails.V33_S]
net = "+3V3_S"
from = "V33"
range = "3.0 .. 3.5 V"
on_when = { "U1.GPIO1" = "high" }

[lines.RST]
net = "RST"
levels = "lvcmos-3v3"
driven_by = "U1.GPIO2"
when = { boot = "low", released = "high" }

[lines.SDA]
net = "SDA"
levels = "i2c"
driven_by = "U1.SDA"
bus = "i2c"
bus_rate = "100 kHz"
when = { boot = "high" }

[points]
TP1 = { net = "+3V3", place = "top" }
TP2 = { net = "RST" }
TP3 = { net = "SDA" }

[links.console]
baud = 115200

[target]
part = "U1"
rail = "V33"
above = "2.6 V"
boot_log = ["ready"]
pin_command = { send = "pin {pin} {level}", reply = "ok" }

[[target.answers]]
ask = "id"
reply = "finch"
needs = { "+3V3" = "> 3 V" }

[[target.streams]]
ask = "read"
bytes = 100
rate = "10 kB/s"

[parts]
C1 = { kind = "capacitor", value = "10 µF", tolerance = "20 %", pins = ["VUSB", "GND"], max = { voltage = "10 V" } }
D1 = { kind = "schottky", drop = "0.4 V", at = "1 A", pins = { A = "VUSB", K = "VIN" } }
D2 = { kind = "schottky", drop = "0.4 V", at = "1 A", pins = { A = "VBAT", K = "VIN" } }
U3 = { kind = "load_switch", pins = { IN = "+3V3", OUT = "+3V3_S", EN = "EN_S", GND = "GND" } }
R1 = { kind = "resistor", value = "47k", tolerance = "1 %", pins = ["RST", "GND"] }
R2 = { kind = "resistor", value = "4k7", pins = ["SDA", "+3V3"] }

[parts.U2]
kind = "ldo"
volts = "3.3 V ± 2 %"
variants = ["2.8 V"]
pins = { IN = "VIN", OUT = "+3V3", EN = "VIN", GND = "GND" }

[parts.U1]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND", GPIO1 = "EN_S", GPIO2 = "RST", SDA = "SDA" }
supply = { VDD = { draws = "8 mA ± 25 %", above = "1.8 V" } }

[parts.U1.io]
GPIO1 = { type = "io", ohms = "40 Ω", pulls = "none" }
GPIO2 = { type = "io", ohms = "40 Ω", max = "12 mA", pull_up = "40k ± 25 %" }
SDA = { type = "open_drain" }
"""

BENCH = """\
[instruments.supply]
kind = "psu"
address = "TCPIP::192.0.2.10::5025::SOCKET"
feeds = { 1 = "USB", 2 = "CELL" }

[instruments.meter]
kind = "dmm"
address = "TCPIP::192.0.2.11::5025::SOCKET"
calibrated = 2026-01-31

[instruments.switch]
kind = "scanner"
address = "TCPIP::192.0.2.12::5025::SOCKET"

[probing]
by = "scanner"
routes = { TP1 = 101, TP2 = "102" }
bleed = { ohms = "10k ± 1 %", route = 110 }

[links.console]
port = "COM3"
"""

SEQUENCE = """\
title = "First power-on"
board = "board.toml"

[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
expect = "3 .. 30 mA"

[[step]]
do = "back-feed"
expect = "< 0.3 V"

[[step]]
do = "line"
of = ["RST", "SDA"]
state = "boot"

[[step]]
do = "power off"
supply = "USB"
"""

TEXTS = {"board.toml": BOARD, "bench.toml": BENCH, "sequence.toml": SEQUENCE}


class Folder:
    """The three files, good until edited."""

    def __init__(self, path: Path) -> None:
        self.path = path
        for name, text in TEXTS.items():
            (path / name).write_text(text, encoding="utf-8")

    def __truediv__(self, name: str) -> Path:
        return self.path / name

    def edit(self, name: str, old: str, new: str) -> int:
        """Replace a text that stands once; the line where the new text begins."""
        path = self.path / name
        text = path.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {name}"
        path.write_text(text.replace(old, new), encoding="utf-8")
        return text[: text.index(old)].count("\n") + 1

    def write(self, name: str, text: str) -> Path:
        path = self.path / name
        path.write_text(textwrap.dedent(text), encoding="utf-8")
        return path


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path)


@pytest.fixture(scope="session")
def texts():
    """The good files by name."""
    return TEXTS
