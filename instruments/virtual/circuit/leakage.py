"""A leakage that a board file states of a part: "< 50 nA", "5 µA ± 50 %".

What no file states is not drawn: it is a matter of what is not known (sequences/spreads.toml).
"""

from __future__ import annotations

from typing import Final

from .draft import Draft
from .kind import Quantity

FULL_FROM: Final = 0.1
"""V from which it flows in full; below, in proportion: a junction's reverse current saturates within some kT/q."""
LEAST: Final = 1e-15
"""A, where none is stated to flow: the range about it may still reach further."""


def leak(says: str) -> Quantity:
    """The value `leak` of a kind."""
    return Quantity("A", None, says)


def stated_leak(d: Draft, plus: str, minus: str, *, either_way: bool = False, turned: bool = False) -> None:
    """What is stated to leak from one pin to another; from a diode's cathode to its anode one way only, and the other
    way where it is turned. The pins of the element stay: a variant of a circuit changes its numbers only."""
    if d.value("leak") is None:
        return
    amps = max(abs(d.number("leak")), LEAST)
    low, high = -amps if either_way or turned else 0.0, 0.0 if turned else amps
    d.valve(plus, minus, (plus, minus, amps / FULL_FROM, 0.0), low=low, high=high)
