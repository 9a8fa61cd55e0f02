"""Which words of fault and rework texts a design can follow, and what to write for those it cannot.

    PART:value=1k  PART:variant=2.8 V   the part's main value
    PART:missing                        the part is gone
    PART:reversed                       the part is turned round
    PART.PIN:net=VSYS                   the pin moves to another net, which may be new
    PART.PIN:open                       a chip's pin is left unconnected
    NET+NET:bridge=1k                   a resistor is added between the nets (the bodge of a rework, drawn)

`learned` takes PART.PIN:pull_up and pull_down: what is inside a part cannot be changed, only known.
"""

from __future__ import annotations

from typing import Final

from wakeboard.instruments.virtual.circuit.errors import CircuitError
from wakeboard.instruments.virtual.circuit.faults.fault import Fault

CHANGES: Final = ("value", "variant", "missing", "reversed", "net", "open", "bridge")
PULLS: Final = ("pull_up", "pull_down")
LEAST_OHMS: Final = 1.0
"""Ω; below it a bridge is a wire, and two nets that are one are drawn as one."""


def check_word(fault: Fault, *, pulls: bool) -> None:
    """Raises CircuitError with what to write instead."""
    if pulls:
        if fault.kind not in PULLS:
            raise CircuitError("what units show of a part as drawn: PART.PIN:pull_up=13k or PART.PIN:pull_down=13k")
    elif fault.kind in PULLS:
        raise CircuitError("a change that a design can follow; a pull that is to be fitted is a part: add")
    elif fault.kind == "open" and not fault.on_pin:
        raise CircuitError(f"a change that a design can follow; a part that goes is {fault.part}:missing")
    elif fault.kind == "bridge" and fault.ohms < LEAST_OHMS:
        raise CircuitError("a resistor of 1 Ω or more; nets that become one are moved pin by pin: PART.PIN:net=NET")
    elif fault.kind not in CHANGES:
        raise CircuitError(f"a change that a design can follow: {', '.join(CHANGES)}")
