"""A part that nobody has described yet: its pins are on nets, what is inside is not known.

So that a circuit with such parts can be solved, every pin leaks a nanoampere or so to ground, as any input does.
Nothing else is assumed, and nobody should read more into a net that only such parts touch.
"""

from __future__ import annotations

from ..draft import GROUND, Draft
from ..kind import Kind

LEAK_SIEMENS = 1e-9  # as an input of a chip


def _unmodelled(d: Draft) -> None:
    for pin in d.part.pins:
        d.conductance(pin, GROUND, LEAK_SIEMENS)


KINDS = (
    Kind(
        "unmodelled",
        (),
        {},
        _unmodelled,
        "a part that is not described yet: pins on nets, nothing known of what is inside",
        any_pins=True,
        faults=(),
    ),
)
