"""A part that nobody has described yet: its pins are on nets, what is inside is not known.

So that a circuit with such parts can be solved, every pin leaks a nanoampere or so to ground, as any input does. With
`rail`, the pin that feeds it, its other pins can be driven high and low as firmware would. The circuit assumes nothing
else; what such pins may do besides, whoever predicts readings takes from sequences/spreads.toml ([undescribed]).
"""

from __future__ import annotations

from ..draft import GROUND, Draft
from ..errors import CircuitError
from ..kind import Kind, Quantity, pick
from .chip import DEFAULT_OHMS, DRIVES, INPUT_SIEMENS


def _unmodelled(d: Draft) -> None:
    rail = d.value("rail")
    if rail is not None and rail not in d.part.pins:
        raise CircuitError(f"{d.part.name}: its rail {rail!r} is none of its pins", [d.part.name])
    for pin in d.part.pins:
        drive = pick(DRIVES, str(d.value(f"{pin}.drive", "off")), f"{pin}.drive", d.part.name)
        down = 1 / DEFAULT_OHMS if drive == "low" else 0.0
        d.conductance(pin, GROUND, INPUT_SIEMENS + down)
        if rail is not None and pin != rail:
            d.conductance(rail, pin, 1 / DEFAULT_OHMS if drive == "high" else 0.0)


KINDS = (
    Kind(
        "unmodelled",
        (),
        {"rail": Quantity("", None, "the pin whose net its driven pins go up to")},
        _unmodelled,
        "a part that is not described yet: pins on nets, nothing known of what is inside",
        any_pins=True,
        faults=(),
    ),
)
