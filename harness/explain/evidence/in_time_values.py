"""The value of a part that makes a start-up's time what was read, where no fault of the library does.

The library has a tenth and ten times of each value. Between them, and on to a hundredth and a hundred times, the value
is sought at which the time that is furthest off comes out as read: by bisection of its logarithm, one transient each.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Final

from wakeboard.instruments.quantity import parse, show
from wakeboard.instruments.virtual.circuit.faults.fault import parse_fault
from wakeboard.instruments.virtual.circuit.parts import kind_of

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit import Circuit

STEPS: Final = (0.01, 0.1, 1.0, 10.0, 100.0)
"""Times its value; what lies between two of them that the reading lies between is sought."""
NEAR: Final = math.log(1.02)
"""How near the value is sought: no time is read better than its part's tolerance."""
TOLD: Final = 2  # digits
MOST: Final = 12  # transients for one value

Times = Mapping[str, float | None]
AtFault = Callable[[str], Times]


def parts_with_values(faults: Iterable[str]) -> list[str]:
    """The parts of which the faults change the value."""
    found = (parse_fault(text) for text in faults)
    return list(dict.fromkeys(fault.target for fault in found if fault.kind == "value"))


def fitted(circuit: Circuit, part: str, net: str, read: float, at: AtFault, known: Mapping[str, Times]) -> str | None:
    """The fault PART:value=… with which the net comes up as read; None where no value does. at: the times with a fault;
    known: those that were worked out already, "" without a fault."""
    kind = kind_of(circuit.part(part))
    main = kind.main
    drawn = circuit.part(part).values.get(main or "")
    if main is None or not isinstance(drawn, int | float) or drawn <= 0:
        return None
    unit = kind.values[main].unit
    ready = {drawn if text == "" else _value(text, part, unit): times.get(net) for text, times in known.items()}

    def late(value: float) -> float | None:
        """s that the net comes after what was read."""
        same = next((key for key in ready if key is not None and abs(key / value - 1) < 1e-3), None)
        time = ready[same] if same is not None else at(_fault(part, value, unit)).get(net)
        return None if time is None else time - read

    for low, high in _brackets(drawn, late):
        value = _bisect(low, high, late)
        return _fault(part, value, unit, TOLD)
    return None


def _brackets(drawn: float, late: Callable[[float], float | None]) -> Iterator[tuple[float, float]]:
    """From the drawn value outwards: two values of which the one comes before and the other after what was read."""
    order = ((2, 3), (1, 2), (3, 4), (0, 1))
    for one, other in order:
        ends = [late(drawn * STEPS[one]), late(drawn * STEPS[other])]
        if None not in ends and (ends[0] or 0.0) * (ends[1] or 0.0) < 0:
            yield drawn * STEPS[one], drawn * STEPS[other]


def _bisect(low: float, high: float, late: Callable[[float], float | None]) -> float:
    first = late(low) or 0.0
    for _ in range(MOST):
        middle = math.sqrt(low * high)
        if math.log(high / low) < NEAR:
            break
        found = late(middle)
        if found is not None and (found < 0) == (first < 0):
            low = middle
        else:
            high = middle
    return math.sqrt(low * high)


def _fault(part: str, value: float, unit: str, digits: int = 4) -> str:
    return str(parse_fault(f"{part}:value={show(value, unit, digits=digits)}"))


def _value(text: str, part: str, unit: str) -> float | None:
    fault = parse_fault(text)
    return parse(fault.argument, unit) if (fault.target, fault.kind) == (part, "value") else None
