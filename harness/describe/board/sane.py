"""Values that read well but are far from what such parts have: most likely a slip of the pen. A person decides.

The ranges are wide on purpose: what is sold for boards, with room on both sides (common practice, no source). The limit
on volts is that of extra-low voltage (120 V DC, IEC 61140, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.describe.board.parts import RATINGS, board_kinds
from wakeboard.instruments.quantity import Interval
from wakeboard.instruments.virtual.circuit.part import Part

_PARTS = {
    "resistor": Interval(100e-6, 10e9),
    "capacitor": Interval(0.1e-12, 10.0),
    "inductor": Interval(0.1e-9, 1.0),
}
_MOST = {
    "V": Interval(-120.0, 120.0),
    "A": Interval(-100.0, 100.0),
    "W": Interval(0.0, 1e3),
    "s": Interval(0.0, 3600.0),
}
_RATED = {"voltage": Interval(0.1, 10e3), "current": Interval(1e-6, 1e3), "power": Interval(1e-6, 1e3)}


def out_of_range(part: Part) -> Iterator[tuple[tuple[str, ...], float, str, Interval]]:
    """(key in the part's table, value, unit, usual range) of each value that is far from usual."""
    kind = board_kinds().get(part.kind)
    if kind is None:
        return
    for name, value in part.values.items():
        quantity = kind.values.get(name)
        if quantity is None or not quantity.unit or isinstance(value, bool) or not isinstance(value, int | float):
            continue
        usual = _PARTS.get(part.kind) if name == kind.main else _MOST.get(quantity.unit)
        link = value == 0 and quantity.unit == "Ω"
        if usual is not None and value not in usual and not link:
            yield (name,), value, quantity.unit, usual
    for word, value in part.ratings.items():
        if word in _RATED and value not in _RATED[word]:
            yield ("max", word), value, RATINGS[word], _RATED[word]
