"""A crystal: open to direct current; its pins leak to each other as a pad on the board does."""

from __future__ import annotations

from ..draft import Draft
from ..kind import Kind, Quantity

TWO = ("1", "2")


def _crystal(d: Draft) -> None:
    d.resistance("1", "2", d.positive("leak_ohms"))
    d.capacitor("1", "2", d.positive("shunt"))


KINDS = (
    Kind(
        "crystal",
        TWO,
        {
            "value": Quantity("Hz", None, "frequency", required=True),
            "load": Quantity("F", None, "the load capacitance that it is cut for"),
            "shunt": Quantity("F", 2e-12, "capacitance between its pins"),
            "leak_ohms": Quantity("Ω", 500e6, "insulation resistance"),
        },
        _crystal,
        "a crystal: open at DC but for its insulation",
        short=(TWO,),
        faults=("missing", "short"),
    ),
)
