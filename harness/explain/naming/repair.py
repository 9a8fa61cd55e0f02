"""What to do about a fault that is no hidden pull: the repair in words, and as rework that the next run takes in.

    repairs(circuit, ["D3:reversed"])[0].does          "turn D3 round"
                                     .fault            "D3:as_drawn": the next run's circuit has D3 as it is drawn

A pull hidden in a part is not repaired but outweighed: its line's bodge says how (bodge.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from wakeboard.harness.explain.naming.members import LIKELY as TOLD
from wakeboard.harness.explain.naming.words import describe
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, Fault, Part, parse_fault
from wakeboard.instruments.virtual.circuit.faults.effects import bridged
from wakeboard.instruments.virtual.circuit.faults.fault import MENDED
from wakeboard.results.explanation import Repair

CLEARLY: Final = 0.85
"""Share from which one fault of several that the readings cannot tell apart is taken for the one."""
LIKELY: Final = 0.1
"""Share from which a fault beside likelier ones is worth a repair of its own."""


def repairs(circuit: Circuit, faults: Sequence[str]) -> list[Repair]:
    """A repair for each fault that has one, in order."""
    found = []
    for text in faults:
        try:
            words = _words(circuit, fault := parse_fault(text))
        except CircuitError:
            continue
        if words is not None:
            found.append(Repair(text, *words, f"{fault.target}:{MENDED}"))
    return found


def any_repair(circuit: Circuit, faults: Sequence[tuple[str, float]]) -> list[Repair]:
    """Of faults of which one is there, with their shares: the repair where one stands clear of the others, else one for
    each that is likely enough, which says that it is for that fault only."""
    first, share = faults[0]
    if share >= CLEARLY or len(faults) == 1:
        return repairs(circuit, [first])
    found: list[Repair] = []
    likely = [(text, each) for text, each in faults if each >= LIKELY]
    alike = {tuple((r.does, r.fault) for r in repairs(circuit, [text])) for text, _ in likely}
    if len(alike) == 1 and sum(each for _, each in likely) >= CLEARLY:
        return repairs(circuit, [first])  # whichever it is, the same is done
    for text, each in faults:
        if each < TOLD:  # what is named beside the likeliest gets its repair as well
            continue
        found += [
            replace(r, share=each, does=f"if {describe(circuit, text)} ({100 * each:.0f} %): {r.does}")
            for r in repairs(circuit, [text])
        ]
    return found


def _words(circuit: Circuit, fault: Fault) -> tuple[str, str] | None:
    """(what to do, what was done); None for a pull."""
    if fault.kind == "bridge":
        one, other = bridged(circuit, fault)
        joined = f"what joins {one} and {other}"
        return f"remove {joined}", f"{joined} removed"
    part = circuit.part(fault.part)
    match fault.kind:
        case "pull_up" | "pull_down":
            return None
        case "reversed":
            return f"turn {part.name} round", f"{part.name} turned round"
        case "missing" | "open" if not fault.on_pin:
            return f"fit {part.name}{_value(part)}, or solder it again", f"{part.name} fitted"
        case "open":
            return f"solder {fault.target} again", f"{fault.target} soldered again"
        case "net":
            home = part.net(fault.pin)
            pin = f"pin {fault.pin} of {part.name}"
            return f"free {pin} from {fault.argument} and wire it to {home}", f"{fault.target} wired to {home}"
        case _:
            return f"replace {part.name}{_value(part)}", f"{part.name} replaced"


def _value(part: Part) -> str:
    """The drawn value, for those who fetch the part: " (10 kΩ)"."""
    from wakeboard.instruments.virtual.circuit.parts import kind_of

    kind = kind_of(part)
    unit = kind.values[kind.main].unit if kind.main else ""
    value = part.values.get(kind.main or "")
    return f" ({show(float(value), unit)})" if unit and isinstance(value, int | float) else ""
