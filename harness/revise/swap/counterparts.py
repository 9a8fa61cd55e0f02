"""Which pin of one part does the job of which pin of another: by name, then by the signal that the name stands for.

    pairs = counterparts(old_pins, new_pins)      [Pair(old, new, why)], in the order of certainty; each pin once

Names by common practice of data sheets, no source: SDA is a data line whoever draws it, MISO and SO are one pin.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

_SIGNALS: Final[Mapping[str, tuple[str, ...]]] = {
    "ground": ("GND", "VSS", "AGND", "DGND", "PGND", "EP", "V-", "VEE"),
    "supply": ("VDD", "VCC", "VIO", "AVDD", "DVDD", "VDDIO", "V+", "VS", "VBAT", "VRF", "VIN", "IN"),
    "output": ("OUT", "VOUT"),
    "enable": ("EN", "CE", "SHDN", "ON", "ENABLE", "SHDN_N", "NSHDN", "STBY", "SLEEP", "NSLEEP"),
    "reset": ("RST", "NRST", "RESET", "RESET_N", "RST_N", "NRESET", "RSTN"),
    "interrupt": ("INT", "IRQ", "ALERT", "DRDY", "INT1", "NINT", "RDY", "DIO0"),
    "I2C data": ("SDA", "I2C_SDA", "DATA"),
    "I2C clock": ("SCL", "I2C_SCL"),
    "SPI clock": ("SCK", "SCLK", "CLK", "SPI_CLK"),
    "SPI in": ("DI", "SDI", "MOSI", "SI", "DIN"),
    "SPI out": ("DO", "SDO", "MISO", "SO", "DOUT", "Q"),
    "select": ("CS", "NCS", "CSN", "CSB", "SS", "NSS", "CS_N"),
    "write protect": ("WP", "NWP", "WP_N"),
    "hold": ("HOLD", "NHOLD", "HOLD_N", "RESET_HOLD"),
    "serial out": ("TX", "TXD", "UTX"),
    "serial in": ("RX", "RXD", "URX"),
    "address": ("A0", "ADDR", "ADD0", "SA0", "AD0"),
    "feedback": ("FB", "ADJ", "SENSE"),
    "crystal": ("XI", "XIN", "XTAL1", "OSC_IN"),
    "crystal out": ("XO", "XOUT", "XTAL2", "OSC_OUT"),
}
_BY_NAME: Final = {name: signal for signal, names in _SIGNALS.items() for name in names}


@dataclass(frozen=True)
class Pair:
    """A pin of the old part and the pin of the new one that takes its net; why: what says so."""

    old: str
    new: str
    why: str


def plain(pin: str) -> str:
    """A pin's name for comparing: capitals, marks for "active low" and separators gone."""
    return re.sub(r"[^A-Z0-9+-]", "", pin.upper().replace("/", "N").replace("~", "N"))


def signal_of(pin: str) -> str:
    """What a name stands for; "" for one that stands for itself. With a number (VDD2) it is another of its kind."""
    name = pin.upper()
    return _BY_NAME.get(name) or _BY_NAME.get(re.sub(r"_?[0-9]+\Z", "", name)) or _BY_NAME.get(plain(pin), "")


def counterparts(old: Iterable[str], new: Iterable[str]) -> list[Pair]:
    """Same name first, then the same signal where just one pin on each side is left that has it."""
    left, free = list(old), list(new)
    found: list[Pair] = []

    def pair(mine: str, other: str, why: str) -> None:
        found.append(Pair(mine, other, why))
        left.remove(mine)
        free.remove(other)

    for mine in list(left):
        other = next((each for each in free if plain(each) == plain(mine)), None)
        if other is not None:
            pair(mine, other, "the same name")
    for mine in list(left):
        signal = signal_of(mine)
        like = [each for each in free if signal and signal_of(each) == signal]
        rivals = [each for each in left if signal_of(each) == signal]
        if len(like) == 1 and len(rivals) == 1:
            pair(mine, like[0], f"both are {signal}")
    return found
