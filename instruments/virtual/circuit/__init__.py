"""The ground floor: circuits, their operating points and slow transients, faults and tolerances.

It knows nothing of boards, sequences or SCPI. SI units throughout.
"""

from .errors import CircuitError, SolveError
from .fault import Fault, parse_fault
from .library import library
from .model import Model, Variant
from .part import Circuit, Part
from .points import Points
from .transient import Overstress, Simulation

__all__ = [
    "Circuit",
    "CircuitError",
    "Fault",
    "Model",
    "Overstress",
    "Part",
    "Points",
    "Simulation",
    "SolveError",
    "Variant",
    "library",
    "parse_fault",
]
