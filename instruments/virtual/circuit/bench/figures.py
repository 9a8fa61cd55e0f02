"""Numbers of the bench that stand around every board: SI units, each with its source, each in this place only.

Where something is estimated or common practice without a source, it says so.
"""

from __future__ import annotations

from typing import Final

# --- a supply ---------------------------------------------------------------------------------------------------------
LEAD_OHMS: Final = 0.02
"""Ω from a supply's output to the board. A pair of half a metre of 0.75 mm² copper is 2 x 0.5 m x 0.01724 Ω·mm²/m
/ 0.75 mm² = 23 mΩ (IEC 60028: annealed copper 1/58 Ω·mm²/m at 20 °C); the output itself has a few mΩ at DC."""
OFF_OHMS: Final = 1e6
"""Ω across a bench supply's terminals while its output is off: its readback divider (common practice, no source)."""
SUPPLY_FARADS: Final = 22e-6
"""F of a linear bench supply's output capacitor: it stays on the net when the output is off (common practice, 10 to
500 µF, no source)."""
SETTING_SHARE: Final = 1e-3
"""One standard deviation of a supply's voltage about its setting, relative (common practice: 0.05 % and some mV)."""
SETTING_FLOOR: Final = 15e-3
"""V by which limits are widened for what no part's tolerance covers: the supply's programming (10 mV is usual), leads
and contacts (common practice, no source)."""

# --- a meter's volts --------------------------------------------------------------------------------------------------
VOLTMETER_OHMS: Final = 10e6
"""Ω of a bench meter's input, unless it is told to be high-ohmic (makers' tables: 10 MΩ, 1 % or
better)."""
HIGH_OHMS: Final = 20e9
"""Ω of an input that is told to be high-ohmic: "above 10 GΩ" in makers' tables."""
LEAST_METER_OHMS: Final = 1e6
"""Ω from which a load in a bench state is the voltmeter's own, and nobody's resistor (the scopes' and probes' 1 MΩ)."""
NO_INPUT_OHMS: Final = 1e12
"""Ω of an input that draws nothing that counts, as of an ohmmeter beside its own test current."""

# --- a meter's ohms ---------------------------------------------------------------------------------------------------
OPEN_VOLTS: Final = 13.0
"""V that an open ohms input may put on a net where its dialect does not say: the most of any known (DMM6500 data sheet:
7.1 to 12.7 V; 34401A class: below 10 V; an XDM1041: below 3.5 V)."""
OPEN_SHARE: Final = 0.98
"""Of the open volts: from here on a test current finds no end, and the meter shows an overload."""
TEST_AMPS: Final = ((1e3, 1e-3), (10e3, 100e-6), (100e3, 10e-6), (1e6, 5e-6), (10e6, 500e-9))
"""(range Ω, test current A) where a run does not say: a common bench meter's (34401A, maker's table)."""
KNOWN_OHMS: Final = 10e3
"""Ω of the bench's known resistor (bleed): an open net under a 100 µA test then sees 1 V, harmless to a 1.8 V part."""
JUNCTION_FROM: Final = 0.2
"""V at a net from which a junction on it may conduct in an ohms test: a Schottky diode's drop at some 10 µA."""
JUNCTION_VOLTS: Final = 0.06
"""V, half-width, by which a junction's drop is known no better: 2 mV/K over 15 K, and as much by lot (common practice,
no source)."""
JUNCTION_DEVIATION: Final = JUNCTION_VOLTS / 3
"""V, one standard deviation of the same."""

# --- the way to a net -------------------------------------------------------------------------------------------------
CONTACT_OHMS: Final = 0.4
"""Ω that leads, relay contacts and a probe's tip usually add (common practice: 0.2 to 1 Ω)."""
PATH_OHMS: Final = 1.5
"""Ω that they add at most on a sound bench (34980A data sheet, table 4: a relay's path is below 1.5 Ω)."""
LEADS_OHMS: Final = 5.0
"""Ω of leads, plugs and relays from which the bench is at fault; less may pass its check (three paths and plugs)."""

# --- what a board does that no part states ----------------------------------------------------------------------------
LEAK_SIEMENS: Final = 2e-7
"""S that flux, humidity and an idle input may add to a net (common practice, no source)."""
STRAY_AMPS: Final = 5e-9
"""A that flux, moisture and a meter's bias current may push into a net (estimate, no source)."""


def test_amps(range_ohms: float | None) -> float:
    """A of the test current on an ohms range, where the run does not say; None: the 10 kΩ range."""
    wanted = range_ohms or 10e3
    return next((amps for top, amps in TEST_AMPS if wanted <= top), TEST_AMPS[-1][1])
