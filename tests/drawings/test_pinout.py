"""Another pinout with the same ground pin: the book's entry is not taken, and the place to fill in says why.

The other pinouts are such as makers have beside those of the book (common practice, no source).
"""

from __future__ import annotations

import pytest

from wakeboard.harness.drawings.design import Design, DrawnPart
from wakeboard.harness.drawings.parts.book import Book
from wakeboard.harness.drawings.parts.kinds import PartLine, part_lines

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
        ("U3", "charger 500mA", "STAT GND VBAT VBUS PROG", "programmed_charger"),
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


def test_a_pin_that_the_model_does_without_is_told_where_something_is_on_it() -> None:
    pins = {str(k): net for k, net in enumerate(["CHG_STAT", "GND", "VBAT", "VBUS", "PROG"], 1)}
    charger = DrawnPart("U3", pins=pins, value="charger 500mA")
    led = DrawnPart("D1", pins={"1": "CHG_STAT", "2": "LED_A"}, value="green")
    alone = part_lines(Design(parts={"U3": charger}), BOOK, "GND")["U3"]
    assert "its model has no" not in alone.origin
    beside = part_lines(Design(parts={"U3": charger, "D1": led}), BOOK, "GND")["U3"]
    assert beside.kind == "programmed_charger"
    assert "its model has no pin 1 (CHG_STAT): what is on it is as if open" in beside.origin


@pytest.mark.parametrize(
    ("name", "value", "nets", "says"),
    [
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


@pytest.mark.parametrize(
    ("value", "nets", "source"),
    [
        ("LDO 3.3V", "+3V3 GND EN - VBUS", "VBUS"),  # 1 OUT, 5 IN
        ("LDO 3.3V", "LDO_EN GND +5V - +3V3", "+5V"),  # 1 EN, 3 IN
        ("LDO 3.3V 1117", "GND +5V +3V3", "+5V"),  # 2 IN, 3 OUT
        ("Spannungsregler 3,3 V", "+3V3 +5V GND", "+5V"),
    ],
)
def test_a_linear_regulator_is_told_by_the_rails_it_lies_between(value: str, nets: str, source: str) -> None:
    found = line("U1", value, nets)
    assert (found.kind, found.table["pins"]["IN"], found.table["pins"]["OUT"]) == ("ldo", source, "+3V3")
    assert f"taken as a linear regulator from {source} to +3V3" in found.origin


@pytest.mark.parametrize(
    ("nets", "coil", "kind"),
    [
        ("PG SW VIN_12V GND FB5", ("SW", "+5V"), "buck"),
        ("PG SW +3V3 GND FB5", ("SW", "+5V"), "unmodelled"),  # from a lower rail: no step-down
        ("PG SW VIN_12V GND FB5", ("SW", "NODE"), "unmodelled"),  # no rail behind the inductor
    ],
)
def test_a_step_down_converter_is_told_by_its_inductor(nets: str, coil: tuple[str, str], kind: str) -> None:
    pins = {str(k): net for k, net in enumerate(nets.split(), 1)}
    parts = {
        "U1": DrawnPart("U1", pins=pins, value="XY123"),
        "L1": DrawnPart("L1", pins={"1": coil[0], "2": coil[1]}, value="10u"),
    }
    found = part_lines(Design(parts=parts), BOOK, "GND")["U1"]
    assert found.kind == kind
    if kind == "buck":
        assert found.table["pins"] == {"IN": "VIN_12V", "OUT": "+5V", "GND": "GND"}


def test_letters_that_mean_another_thing_elsewhere() -> None:
    """V1 is a diode, H1 a lamp, N1 a regulator, Q1 a crystal and Z1 a hole, in a house of other letters."""
    drawn = [
        DrawnPart("V1", pins={"1": "VBUS", "2": "RAW"}, value="SS34", description="Diode Schottky"),
        DrawnPart("H1", pins={"1": "GND", "2": "LAMP"}, value="verte", description="LED verte"),
        DrawnPart("H2", pins={"1": "GND", "2": "GND"}),
        DrawnPart("Q1", pins={"1": "XI", "2": "XO"}, value="8 MHz"),
        DrawnPart("Z1", pins={"1": "GND"}),
        DrawnPart("PT1", pins={"1": "RAW"}),
        DrawnPart("N1", pins={"1": "+5V", "2": "GND", "3": "+3V3"}, description="régulateur 3,3 V"),
    ]
    found = part_lines(Design(parts={part.name: part for part in drawn}), BOOK, "GND")
    kinds = {name: line.kind for name, line in found.items()}
    assert kinds == {"V1": "schottky", "H1": "led", "Q1": "unmodelled", "N1": "ldo"}
    assert not found["Q1"].fill


def test_a_drawing_with_the_names_of_pins_needs_no_numbers() -> None:
    part = DrawnPart("Q1", pins={"C": "LOAD", "B": "BASE", "E": "GND"}, value="BC847")
    found = part_lines(Design(parts={"Q1": part}), BOOK, "GND")["Q1"]
    assert (found.kind, found.table["pins"]) == ("bjt", {"C": "LOAD", "B": "BASE", "E": "GND"})


@pytest.mark.parametrize(
    ("name", "nets", "says", "kind"),
    [
        ("R1", "A B", "RES 4.7K OHM 1% 1/10W 0603", "resistor"),
        ("R2", "A B", "RES 150 OHM 0.1% 1/10W 0603", "resistor"),
        ("C1", "A GND", "CAP CER 0.1UF 16V X7R 0603", "capacitor"),
        ("L2", "A B", "FERRITE BEAD 600 OHM 0603 1LN", "resistor"),
        ("D1", "GND A", "LED GREEN CLEAR 0805 SMD", "led"),
        ("D2", "A B", "DIODE SCHOTTKY 40V 3A SMA", "schottky"),
        ("Q1", "G GND D", "MOSFET N-CH 60V 2.7A SOT23", "mosfet"),
        ("U3", "+3V3 GND S_EN CT - +3V3_S", "IC PWR SWITCH N-CHAN 1:1 SOT23-6", "load_switch"),
        ("U2", "GND +3V3 +5V +3V3", "IC REG LINEAR 3.3V 800MA SOT223", "ldo"),
    ],
)
def test_the_words_of_a_sellers_list_tell_it(name: str, nets: str, says: str, kind: str) -> None:
    """A list without values: everything stands in one column of descriptions."""
    pins = {str(k): net for k, net in enumerate(nets.split(), 1) if net != "-"}
    part = DrawnPart(name, pins=pins, description=says)
    load = DrawnPart("R99", pins={"1": "A", "2": "GND"}, value="1k")
    found = part_lines(Design(parts={name: part, "R99": load}), BOOK, "GND")[name]
    assert found.kind == kind
    values = {"R1": "4.7 kΩ", "R2": "150 Ω", "C1": "100 nF"}
    assert found.table.get("value") == values.get(name, found.table.get("value"))


def test_a_protector_of_two_lines_is_no_place_to_fill_in() -> None:
    part = DrawnPart("D5", pins={"1": "CAN_H", "2": "CAN_L", "3": "GND"}, description="TVS DIODE 24VWM 40VC SOT23")
    assert not part_lines(Design(parts={"D5": part}), BOOK, "GND")["D5"].fill


@pytest.mark.parametrize(
    ("nets", "book"),
    [
        ("VIN_12V GND EN5 FB5 SW", "buck-5-pins-in-first"),
        ("FB5 GND SW VIN_12V EN5", "buck-5-pins-fb-first"),
        ("GND SW VIN_12V FB5 EN5 BST", "buck-6-pins-ground-first"),
        ("VIN_12V SW GND BST EN5 FB5", "buck-6-pins-in-first"),
        ("BST VIN_12V EN5 SS FB5 COMP GND SW", "buck-8-pins-boot-first"),
        ("BST VIN_12V SW GND FB5 COMP EN5 SS GND", "buck-8-pins-sw-third"),
        ("SW EN5 COMP FB5 GND FREQ VIN_12V BST GND", "buck-8-pins-sw-first"),
        ("BST - - FB5 EN5 GND VIN_12V SW GND", "buck-8-pins-ph-last"),
    ],
)
def test_of_several_pinouts_the_one_with_its_inductor_there_is_taken(nets: str, book: str) -> None:
    """Pinouts that several makers share; common practice, no source."""
    pins = {str(k): net for k, net in enumerate(nets.split(), 1) if net != "-"}
    drawn = {
        "U1": DrawnPart("U1", pins=pins, value="step-down 5V"),
        "L1": DrawnPart("L1", pins={"1": "SW", "2": "+5V"}, value="10u"),
    }
    found = part_lines(Design(parts=drawn), BOOK, "GND")["U1"]
    assert f"book: {book}" in found.origin
    assert found.table["pins"] == {"IN": "VIN_12V", "OUT": "+5V", "GND": "GND", "EN": "EN5"}


def test_power_transistors_of_more_pins() -> None:
    """Common practice, no source: SO-8, a case with a tab, SOT-23-6."""
    for nets, channel in (
        ("GND GND GND GATE LOAD LOAD LOAD LOAD", "N"),
        ("GATE LOAD GND LOAD", "N"),
        ("+5V_SW +5V_SW GATE +5V +5V_SW +5V_SW", "P"),
    ):
        found = line("Q1", f"{channel}-channel MOSFET", nets)
        table = found.table
        assert (found.kind, table["channel"], table["pins"]["G"]) == ("mosfet", channel.lower(), "GATE"), nets
        assert table["pins"]["S"] == ("GND" if channel == "N" else "+5V")
