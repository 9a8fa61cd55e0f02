"""Before an output goes on somebody has said that nobody touches the board. One gate for whatever energises.

clear = asked_each_time(operator)              by hand: probes off, hands clear, a key, every time (aloft.py)
clear = settled                                a key at the run's beginning, --energise, or a board that is a model
clear = nobody                                 Refused: nobody is there to press a key

clear("USB", 5.0, 0.12, "")                    volts, amps; raises OperatorStop or Refused, and nothing is on by it;
                                               what a person said that belongs in the record
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeAlias

from wakeboard.harness.run.errors import Refused
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.harness.run.hand.operator import Operator

Clear: TypeAlias = Callable[[str, "float | Sequence[float]", float, str], str]
"""(supply, volts, or several one after the other, limit in A, what for) -> a remark for the record"""

OPTION = "--energise"


def settled(_supply: str, _volts: float | Sequence[float], _limit: float, _purpose: str) -> str:
    """Nothing more to ask."""
    return ""


def nobody(supply: str, _volts: float | Sequence[float], _limit: float, _purpose: str) -> str:
    """Raises Refused: a real board is not energised unseen by default."""
    raise Refused(f"{supply} would be switched on, {WITHOUT}")


def nobody_moves(supply: str) -> None:
    """Raises Refused: leads do not move by themselves."""
    raise Refused(f"the leads of an output would have to be moved to {supply}, and nobody is there to do it")


WITHOUT = (
    f"and nobody is there to press the key that says that hands are clear. {OPTION} stands for it: give it where "
    "nobody can touch the board"
)


def asked_each_time(operator: Operator) -> Clear:
    """A person holds the probes: each output that goes on waits for a key, and for the lead to be seen in the air."""
    from wakeboard.harness.run.hand.aloft import clear_hands

    def clear(supply: str, volts: float | Sequence[float], limit: float, purpose: str) -> str:
        each = volts if isinstance(volts, Sequence) else [volts]
        told = " then ".join(show(one, "V") for one in each)
        return clear_hands(operator, supply, f"{told}, limit {show(limit, 'A')}", purpose)

    return clear
