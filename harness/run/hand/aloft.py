"""Before an output goes on by hand: probes off, hands clear, a key, and then the meter's lead is seen in the air.

    remark = clear_hands(operator, "USB", "5 V, limit 120 mA", "")      returns: it may go on

A key is quickly pressed, and a probe that was forgotten on a pin slips on a live board. So the meter looks after the
key: a lead in the air takes about half a second to be seen (`aloft` in steady.py). One that is not keeps the output
off until it is lifted and Enter is pressed once more, or until a key of its own says that it may stay.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from wakeboard.harness.run.errors import OperatorStop
from wakeboard.harness.run.hand.operator import STOP_KEYS
from wakeboard.harness.run.hand.steady import NEAR_ZERO, Aloft, Look, aloft

if TYPE_CHECKING:
    from wakeboard.harness.run.hand.byhand import SteadyHands
    from wakeboard.harness.run.hand.operator import Operator

POWER: Final = ("\r", "\n", "y", "Y")
STAYS: Final = ("k", "K")
KEYS = "Enter: power on   q: stop"
LIFTED_KEYS = "Enter: it is off, power on   k: it stays there, power on   q: stop"
SAID_KEYS = "k: it is off, power on   q: stop"
SAYS: Final[dict[Aloft, str]] = {
    "air": "the lead is in the air",
    "on": "the lead is not in the air: lift it",
    "unseen": "this meter cannot see whether the lead is in the air",
}
LOOKS_ON = "looking whether the lead is in the air"


def clear_hands(operator: Operator, supply: str, setting: str, purpose: str) -> str:
    """Raises OperatorStop, and what the bench and guard raise; nothing is on by it. Gives a remark for the record, ""
    where there is none to make. setting: volts and limit in words; purpose: a sentence for the person."""
    why = f" {purpose}." if purpose else ""
    operator.prompt(f"Next: {supply} on, {setting}", f"Take the probes off the board, hands clear.{why}", KEYS)
    stopped = f"stopped, not switched on: {supply} on, {setting}"
    hands = operator.hands
    if hands is None or hands.bench is None:  # no meter yet: a key it is
        operator.go(stopped)
        return ""
    try:
        return _Clearing(hands, f"Not switched on yet: {supply}, {setting}.", stopped).until_clear()
    finally:
        hands.bench.set_input(False)
        operator.write("\n")


class _Clearing:
    """One output that is about to go on."""

    def __init__(self, hands: SteadyHands, waits: str, stopped: str) -> None:
        """waits: what has not happened yet; stopped: what a stop is told as."""
        self._hands = hands
        self._operator = hands.operator
        self._waits = waits
        self._stopped = stopped
        self._looks: list[Look] = []
        self._can_prove = hands.make_high(False)
        self._wanted = False  # Enter was pressed: what is seen from there on counts
        self._stays = ""  # what the key for a lead that stays means just now; "": it is not offered

    def until_clear(self) -> str:
        with self._operator.watching() as key:
            while True:
                self._operator.beat()
                if self._clear(self._look()):
                    return ""
                pressed = self._hands.pressed(key)
                if pressed in STOP_KEYS:
                    raise OperatorStop(self._stopped)
                if pressed in STAYS and self._stays:
                    return self._stays
                if pressed in POWER and not self._wanted:
                    self._wanted = True
                    self._anew()  # so that the lead is seen in the air after the key

    def _look(self) -> Aloft:
        """One look more; the input is set for the next one."""
        hands = self._hands
        self._looks.append(hands.look())
        seen = aloft(self._looks, can_prove=self._can_prove, least_rate=hands.learned(self._looks))
        if seen in ("prove", "back"):
            self._can_prove = hands.make_high(seen == "prove")
        if seen in SAYS or self._wanted:
            self._operator.shows(f"{shown(self._looks[-1].volts)}  {SAYS.get(seen, LOOKS_ON)}")
        return seen

    def _clear(self, seen: Aloft) -> bool:
        """Whether the output may go on by what was seen; once it is settled, the looks begin anew."""
        if seen not in SAYS:
            return False
        volts = self._looks[-1].volts
        self._anew()
        if not self._wanted:
            return False
        if seen == "on":
            self._still_on(volts)
        elif seen == "air" and self._hands.blind:
            self._cannot_tell()
        else:
            self._hands.off(seen=seen == "air")
            return True
        return False

    def _anew(self) -> None:
        self._looks = []
        self._can_prove = self._hands.make_high(False)

    def _still_on(self, volts: float | None) -> None:
        """Told for each press; the next one looks again."""
        at = self._hands.at
        reads = f"It reads {shown(volts).strip()}"
        if volts is not None and abs(volts) < NEAR_ZERO:
            reads += " and does not move as a lead in the air does"
        title = f"The lead still is on {at}: lift it" if at else "The lead is not in the air: lift it"
        self._ask(title, f"{reads}. {self._waits} Lift it, hands clear.", LIFTED_KEYS)
        self._stays = f"the meter's lead stayed on {at or 'the board'} when power went on, as the operator said"

    def _cannot_tell(self) -> None:
        at = self._hands.at or "the last point"
        self._ask(f"Is the lead off {at}?",
                  f"{at} reads as a lead in the air does: the meter cannot see whether it was lifted. {self._waits}",
                  SAID_KEYS)  # fmt: skip
        self._stays = f"that the lead was off {at} before power, the operator said; the meter cannot see it there"

    def _ask(self, title: str, detail: str, keys: str) -> None:
        self._wanted = False
        self._operator.prompt(title, detail, keys)


def shown(volts: float | None) -> str:
    """A look, in the columns of the line that is written over."""
    return "over range" if volts is None else f"{round(volts, 3) + 0.0:9.3f} V"  # no -0.000


__all__ = ["clear_hands"]
