"""The ground floor: circuits, their operating points and slow transients, faults and tolerances.

It knows nothing of boards, sequences or SCPI. SI units throughout.
"""

from wakeboard.instruments.virtual.circuit.faults.fault import Fault, parse_fault
from wakeboard.instruments.virtual.circuit.faults.library import library
from wakeboard.instruments.virtual.circuit.solver.points import Points
from wakeboard.instruments.virtual.circuit.solver.transient import Overstress, Simulation

from .errors import CircuitError, SolveError
from .model import Model, Variant
from .part import Circuit, Part

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
