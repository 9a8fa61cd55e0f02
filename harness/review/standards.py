"""What published standards ask of a design, as plain functions in SI units.

Sources: I2C-bus specification UM10204 (NXP), with the numbers of Microchip's tinyAVR TWI table; USB 2.0 section 7.2
and the 10 µF ∥ 44 Ω attach load as quoted in TI's TPS2041B/2051B data sheets; USB Type-C currents and thresholds as
printed in TI's TPS65987D data sheet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

# UM10204: rate -> (longest rise time, s; heaviest bus, F; current that a driver must sink, A).
I2C_MODES: Final = {
    100e3: (1000e-9, 400e-12, 3e-3),
    400e3: (300e-9, 400e-12, 3e-3),
    1e6: (120e-9, 550e-12, 20e-3),
}

# Rise time is counted from 30 % to 70 % of the rail: t = R C ln(0.7 / 0.3).
I2C_RISE: Final = math.log(0.7 / 0.3)

USB_ATTACH_CAPACITANCE: Final = 10e-6
"""F; a device may show no more than this (with 44 Ω across it) when it is plugged in."""

USB_UNIT_LOAD: Final = 0.1
"""A; what a device may draw before it is configured."""

USB3_UNIT_LOAD: Final = 0.15
"""A; the same where the host is a USB 3 one, which gives six of them, 900 mA (USB 3.2, section 11.4). From memory."""

USB_CONFIGURED: Final = 0.5
"""A; what a device may draw when it is configured as high-power."""

TYPE_C_RD: Final = 5100.0
"""Ω; what a sink connects from each CC pin to ground."""

TYPE_C_SOURCE_CURRENTS: Final = {
    "default": (73.6e-6, 86.4e-6),
    "1.5 A": (165.6e-6, 194.4e-6),
    "3 A": (303.6e-6, 356.4e-6),
}
TYPE_C_SINK_WINDOWS: Final = {"default": (0.25, 0.61), "1.5 A": (0.70, 1.16), "3 A": (1.31, 2.04)}


@dataclass(frozen=True, slots=True)
class PullUpWindow:
    """The resistor values, Ω, between which an I2C pull-up may lie; empty when `low` is above `high`."""

    low: float
    high: float

    def holds(self, ohms: float) -> bool:
        return self.low <= ohms <= self.high


def i2c_pull_up_window(rail: float, capacitance: float, rate: float) -> PullUpWindow:
    """Pull-up window of an I2C bus. rail V, capacitance F, rate Hz (the next faster mode's limits apply).

    R_max = t_r / (ln(7/3) C_b), R_min = (V_DD - V_OL) / I_OL with V_OL 0.4 V (0.2 V_DD where V_DD is 2 V or less).
    Raises ValueError for a rate above 1 MHz.
    """
    fitting = [mode for mode in sorted(I2C_MODES) if rate <= mode]
    if not fitting:
        raise ValueError(f"an I2C rate of {rate:g} Hz is beyond fast-mode plus (1 MHz)")
    rise, _heaviest, sink = I2C_MODES[fitting[0]]
    low_level = 0.4 if rail > 2.0 else 0.2 * rail
    return PullUpWindow(low=(rail - low_level) / sink, high=rise / (I2C_RISE * capacitance))


def usb_attach_charge(volts: float) -> float:
    """Charge, C, that a device may take at once when it is plugged in at `volts`: that of the 10 µF attach load."""
    return USB_ATTACH_CAPACITANCE * volts


def type_c_seen_as(ohms: float) -> list[str]:
    """Which source currents a sink's CC resistor, Ω, still tells apart: all three when it is right."""
    return [
        name
        for name, (low, high) in TYPE_C_SOURCE_CURRENTS.items()
        if TYPE_C_SINK_WINDOWS[name][0] <= low * ohms and high * ohms <= TYPE_C_SINK_WINDOWS[name][1]
    ]
