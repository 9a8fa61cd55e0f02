"""Where power enters, by what stands there; what is on a converter's own pins; enables that are no lines.

Names and parts are such as schematics have them; common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

from wakeboard.harness.describe.load import board_of
from wakeboard.harness.describe.toml.document import read_text
from wakeboard.harness.drawings.boardfile.draft import drafted
from wakeboard.harness.drawings.design import Design, DrawnPart
from wakeboard.harness.drawings.reading import fit_chips

PARTS = (
    ("X1", "12V", "DC socket", "12V_RAW GND"),
    ("F1", "2A", "Resettable fuse", "12V_RAW 12V_F"),
    ("D1", "SS34", "Schottky diode", "12V 12V_F"),
    ("X8", "USB-C", "USB type C receptacle", "USB_5V GND"),
    ("BT1", "CR2032", "Coin cell holder", "VBAT_RTC GND"),
    ("R4", "100k", "", "12V EN_5V"),
    ("U1", "step-down 5V", "", "BST 12V EN_5V SS FB5 COMP GND SW"),
    ("L1", "15uH", "", "SW 5V"),
    ("R3", "15k", "", "COMP COMP_C"),
    ("C7", "3n3", "", "COMP_C GND"),
    ("R1", "53k6", "", "5V FB5"),
    ("R2", "10k", "", "FB5 GND"),
    ("R9", "1k", "", "VBAT_RTC GND"),
    ("X2", "PUMP", "Connector 2 pin", "12V P_N"),
)


def _drafted() -> str:
    parts = {
        name: DrawnPart(name, pins=dict(enumerate_pins(nets)), value=value, description=says)
        for name, value, says, nets in PARTS
    }
    design = Design(parts=parts)
    fit_chips(design)
    return drafted(design, "Doser").text


def enumerate_pins(nets: str) -> list[tuple[str, str]]:
    return [(str(number), net) for number, net in enumerate(nets.split(), 1)]


def test_power_enters_where_a_socket_a_coin_cell_and_usb_are(tmp_path: Path) -> None:
    document = read_text(_drafted(), str(tmp_path / "board.toml"))
    board = board_of(document)
    assert board is not None, [str(problem) for problem in document.problems]
    assert {s.net: s.kind for s in board.supplies.values()} == {"12V_RAW": None, "VBAT_RTC": "cell", "USB_5V": "usb"}
    assert "EN_5V" not in {net for table in (board.rails, board.lines) for each in table.values() for net in [each.net]}
    rail = next(rail for rail in board.rails.values() if rail.net == "12V")
    assert rail.limits is not None
    assert rail.limits.low is not None
    assert rail.limits.low < 0.95 * 12.0 - 0.5  # a Schottky diode's drop, 0.35 to 0.5 V (common practice, no source)
    assert {board.parts[name].kind for name in ("R3", "C7")} == {"unmodelled"}
    assert board.parts["R2"].kind == "resistor"
