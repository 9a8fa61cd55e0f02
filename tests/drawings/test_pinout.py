"""Another pinout with the same ground pin: the book's entry is not taken, and the place to fill in says why.

The other pinouts are such as makers have beside those of the book (common practice, no source).
"""

from __future__ import annotations

import pytest

from wakeboard.harness.drawings.book import Book
from wakeboard.harness.drawings.design import Design, DrawnPart
from wakeboard.harness.drawings.kinds import PartLine, part_lines

BOOK = Book.beside(None)


def line(name: str, value: str, nets: str) -> PartLine:
    pins = {str(k): net for k, net in enumerate(nets.split(), 1) if net != "-"}
    return part_lines(Design(parts={name: DrawnPart(name, pins=pins, value=value)}), BOOK, "GND")[name]


@pytest.mark.parametrize(
    ("name", "value", "nets", "kind"),
    [
        ("U1", "LDO 3.3V", "VSYS GND VSYS - +3V3", "ldo"),
        ("U1", "LDO 3.3V", "+5V GND LDO_EN - +3V3", "ldo"),
        ("U2", "load switch", "+3V3_S GND - S_EN +3V3", "load_switch"),
        ("U3", "charger 500mA", "STAT GND VBAT VBUS PROG", "charger"),
        ("U4", "Supervisor 2.93V", "GND NRST +3V3", "supervisor"),
        ("U5", "25Q64", "SPI_CS SPI_MISO WP GND SPI_MOSI SPI_SCK HOLD +3V3", "chip"),
        ("U6", "24C02", "GND GND GND GND I2C_SDA I2C_SCL GND +3V3", "chip"),
        ("U7", "3485", "UART_RX RE_DE RE_DE UART_TX GND A B +3V3", "chip"),
        ("Q1", "2N7002", "PUMP_EN GND PUMP_N", "mosfet"),
        ("Q2", "AO3401", "V5 VSYS VBAT", "mosfet"),
        ("Q3", "BC847", "BASE GND LOAD", "bjt"),
        ("Q4", "BSS138", "+3V3 SDA_3V3 SDA_5V", "mosfet"),
    ],
)
def test_the_usual_pinout_is_taken(name: str, value: str, nets: str, kind: str) -> None:
    assert line(name, value, nets).kind == kind


@pytest.mark.parametrize(
    ("name", "value", "nets", "says"),
    [
        ("U1", "LDO 3.3V", "+3V3 GND EN - VBUS", "OUT"),  # 1 OUT, 5 IN
        ("U1", "LDO 3.3V", "LDO_EN GND +5V - +3V3", "IN"),  # 1 EN, 3 IN
        ("U1", "LDO 3.3V 1117", "GND +5V +3V3", "IN"),  # 2 IN, 3 OUT
        ("U2", "load switch", "+5V_SW GND - +5V SW_EN", "IN"),  # 4 IN, 5 EN
        ("U3", "charger 500mA", "STAT GND VBUS VBAT PROG", "IN"),  # 3 IN, 4 BAT
        ("U4", "Supervisor 2.93V", "GND +3V3 NRST", "OUT"),  # 2 VDD, 3 RESET
        ("U5", "25Q64", "SPI_CS SPI_SCK WP GND SPI_MOSI SPI_MISO HOLD +3V3", "DO"),  # CLK and DO the other way
        ("U6", "24C02", "GND GND GND GND I2C_SCL I2C_SDA GND +3V3", "SDA"),
        ("U6", "24C02", "GND GND GND GND I2C_SDA I2C_SCL +3V3 GND", "VDD"),
        ("Q1", "2N7002", "PUMP_EN PUMP_N GND", "D"),  # 2 D, 3 S
        ("Q3", "BC847", "BASE LOAD GND", "C"),  # 2 C, 3 E
    ],
)
def test_another_pinout_is_left_to_fill_in(name: str, value: str, nets: str, says: str) -> None:
    found = line(name, value, nets)
    assert found.kind == "unmodelled"
    assert "does not fit: its pin" in found.fill
    assert f"would be {says}, " in found.fill


def test_a_drawing_with_the_names_of_pins_needs_no_numbers() -> None:
    part = DrawnPart("Q1", pins={"C": "LOAD", "B": "BASE", "E": "GND"}, value="BC847")
    found = part_lines(Design(parts={"Q1": part}), BOOK, "GND")["Q1"]
    assert (found.kind, found.table["pins"]) == ("bjt", {"C": "LOAD", "B": "BASE", "E": "GND"})
