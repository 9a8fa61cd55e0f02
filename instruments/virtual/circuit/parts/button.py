"""A push button: open at rest, closed while a finger is on it."""

from __future__ import annotations

from ..draft import Draft
from ..kind import Kind, Quantity

TWO = ("1", "2")


def _button(d: Draft) -> None:
    d.conductance("1", "2", 1 / d.positive("ohms") if d.value("pressed") else 1 / d.positive("open_ohms"))


KINDS = (
    Kind(
        "button",
        TWO,
        {
            "ohms": Quantity("Ω", 0.1, "contact resistance"),
            "open_ohms": Quantity("Ω", 1e9, "insulation resistance while it is not pressed"),
            "pressed": Quantity("", False, "closed"),
        },
        _button,
        "a push button, open at rest",
        short=(TWO,),
        faults=("missing", "short"),
    ),
)
