"""Element types: what each is called in memory, between which ports its currents flow and what they depend on.

A device has P ports (pairs of terminals). From port voltages `u` and parameters `p` it yields currents through its
output ports, plus -> minus through the element, and the partial derivatives listed in `partials` as (output, port).
Volts, amperes, siemens. The equations themselves are in compiled/elements.py, by the order of DEVICES.

All curves are piecewise linear or smooth, and never fall with rising voltage at their own port, except where a
device must (constant power). Exponential junctions carry at least 1 µΩ in series, which gives their current in closed
form by Wright's omega function (the same closed form as Banwell & Jayakumar, Electronics Letters 36, 2000, by
Lambert's W), and no overflow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BOLTZMANN: Final = 1.380649e-23  # J/K, exact (SI 2019)
CHARGE: Final = 1.602176634e-19  # C, exact (SI 2019)
KELVIN: Final = 300.15  # the temperature that SPICE takes when told nothing, 27 °C
THERMAL_VOLTS: Final = BOLTZMANN * KELVIN / CHARGE  # 25.865 mV
LEAST_OHMS: Final = 1e-6  # series resistance of a junction that declares none
NEVER: Final = 1e30  # a bound that never binds


@dataclass(frozen=True)
class Device:
    """An element type; `memory` is how many numbers its limiters remember of the iteration before.

    `scales` are the parameters that fade the element to nothing when multiplied by 0, `excitations`
    those that drive the circuit."""

    name: str
    ports: int
    parameters: tuple[str, ...]
    outputs: tuple[int, ...]
    partials: tuple[tuple[int, int], ...]
    scales: tuple[str, ...] = ()
    excitations: tuple[str, ...] = ()
    memory: int = 0

    def row(self, parameter: str) -> int:
        return self.parameters.index(parameter)


LINEAR: Final = Device("linear", 1, ("g", "j", "farads", "henries"), (0,), ((0, 0),), ("g", "j", "farads"), ("j",))
JUNCTION: Final = Device(
    "junction",
    1,
    ("sign", "offset", "inv_vt", "log_c", "vt_over_rs", "inv_rs", "rest", "critical", "m"),
    (0,),
    ((0, 0),),
    ("m",),
    (),
    1,
)
VALVE: Final = Device(
    "valve",
    5,
    ("ga", "ea", "gb", "eb", "low", "high", "k1", "t1", "k2", "t2", "m"),
    (0,),
    ((0, 1), (0, 2), (0, 3), (0, 4)),
    ("m",),
    ("m",),
    4,
)
CONVERTER: Final = Device(
    "converter",
    4,
    ("g", "volts", "duty", "drop", "limit", "efficiency", "least", "k1", "t1", "k2", "t2", "m", "sense"),
    (0, 1),
    ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3)),
    ("m",),
    ("m",),
    4,
)
MOSFET: Final = Device("mosfet", 2, ("sign", "beta", "threshold", "lambda", "m"), (1,), ((0, 0), (0, 1)), ("m",))
BJT: Final = Device(
    "bjt",
    3,
    ("sign", "is", "vt", "inv_bf", "inv_br", "inv_va", "critical", "m"),
    (2, 0),
    ((0, 0), (0, 1), (1, 0), (1, 1)),
    ("m",),
    (),
    2,
)
POWER: Final = Device("power", 1, ("watts", "least", "m"), (0,), ((0, 0),), ("m",), ("m",))
SOURCE: Final = Device("source", 1, ("a", "r", "e"), (), (), (), ("e",))

DEVICES: Final = (LINEAR, JUNCTION, VALVE, CONVERTER, MOSFET, BJT, POWER, SOURCE)
"""Every element type, in the order in which they are laid out in memory; SOURCE last, for its branch unknowns."""
