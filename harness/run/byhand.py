"""Both hands on the probes: a prompt, and the reading is taken when it is steady and contact is proven.

    hands = SteadyHands(operator)
    hands.attach(bench)                         its meter and clock
    hands.place("Probe TP3", "left edge, third pad   net +3V3")

It rings, shows what it took in large letters and steps on. Enter takes what stands there now, r starts over, b goes
back to the point before, s skips the point, q stops. When a reading may be taken is decided in steady.py; here are
meter, keys and screen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wakeboard.harness.run.banner import banner, fits
from wakeboard.harness.run.errors import OperatorStop, SkipPoint, TakeAgain
from wakeboard.harness.run.operator import STOP_KEYS
from wakeboard.harness.run.steady import Look, Verdict, judge, open_lead_moves
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.harness.run.operator import Operator

KEYS = "r: again   b: last point again   s: skip   q: stop   Enter: take it now"
BACK = ("b", "B")
REGRET = 1.5  # s after the last point of a step in which it can still be taken again
GAP = 0.05  # s between looks, at least
HIGH = 1e9  # Ω: from here on an input counts as high-ohmic
COLUMNS = 78

SAYS = {
    "moving": "moving",
    "old": "not moved yet: put the probe on the new point",
    "prove": "near zero: looking whether the lead is open",
    "open": "no contact, or a net that floats: Enter if the probe is on it",
    "zero": "0 V, as an open lead reads too: Enter if the probe is on it",
    "negative": "NEGATIVE: are the leads swapped? Enter if it is so",
    "over": "OVER RANGE",
}


class SteadyHands:
    """What HandProbing calls to have a probe placed. One for a whole session: it learns whether an open lead moves."""

    def __init__(self, operator: Operator) -> None:
        self.operator = operator
        self.bench: Any = None
        self.zeroed = False
        self.trusted = False  # an open lead was seen to move with a high-ohmic input
        self.taken: list[str] = []  # how each point was accepted, for those who look behind
        self._fresh = True
        self._shown = ""

    def attach(self, bench: Any) -> None:
        """The bench whose meter is used. Raises nothing."""
        self.bench = bench

    def regrets(self) -> bool:
        """After the last point of a step: whether b is pressed within a moment. Raises OperatorStop."""
        if self.bench is None:
            return False
        self.operator.write("    b: take it again\n")
        ends = self.bench.clock.now() + REGRET
        with self.operator.watching() as key:
            while self.bench.clock.now() < ends:
                self.operator.beat()
                pressed = key(GAP)
                if pressed in STOP_KEYS:
                    raise OperatorStop("stopped after a point")
                if pressed is not None:
                    return pressed in BACK
                self.bench.clock.sleep(0.0 if self.operator.waits else GAP)
        return False

    def zero_seen(self) -> None:
        """The probes were touched together and the meter read zero: not asked again in this session."""
        self.zeroed = True

    def place(self, title: str, detail: str) -> None:
        """Prompt and wait until the probe is there. Raises SkipPoint, TakeAgain, OperatorStop, what the bench and guard
        raise."""
        if self.bench is None:  # no meter yet: a key it is
            self.operator.tell(title, detail)
            return
        self._prompt(title, detail)
        try:
            with self.operator.watching() as key:
                volts = self._until_taken(title, key)
        finally:
            self.bench.set_input(False)
        self._fresh = False
        self._announce(title, volts)

    def _prompt(self, title: str, detail: str) -> None:
        self.operator.write(f"\a\n  {title}\n    {detail}\n    {KEYS}\n")

    def _until_taken(self, title: str, key: Any) -> float | None:
        looks: list[Look] = []
        fresh = self._fresh
        can_prove = self._make_high(False)
        while True:
            self.operator.beat()
            looks.append(self._look())
            self.trusted = self.trusted or open_lead_moves(looks)
            verdict = judge(looks, fresh=fresh, trusted=self.trusted, can_prove=can_prove)
            self._show(verdict)
            if verdict.state == "held":
                self.taken.append("steady")
                return verdict.volts
            if verdict.state == "prove":
                can_prove = self._make_high(True)
            elif verdict.state == "open":
                self._make_high(False)
            pressed = key(GAP)
            if pressed is None:
                self.bench.clock.sleep(0.0 if self.operator.waits else GAP)
            elif pressed in ("\r", "\n", " "):
                self.taken.append("key")
                return looks[-1].volts
            elif pressed in ("s", "S"):
                raise SkipPoint(title)
            elif pressed in BACK and title.startswith("Probe"):
                raise TakeAgain(title)
            elif pressed in STOP_KEYS:
                raise OperatorStop(f"stopped at: {title}")
            elif pressed in ("r", "R"):
                looks, fresh, can_prove = [], True, self._make_high(False)

    def _look(self) -> Look:
        seen = self.bench.volts_or_overload()
        high = self.bench.input_ohms >= HIGH
        return Look(self.bench.clock.now(), None if seen.overload else seen.value, high)

    def _make_high(self, high: bool) -> bool:
        """Set the input; gives whether it can be made high-ohmic at all on the range in use."""
        able = bool(self.bench.can_be_high)
        if able:
            self.bench.set_input(high)
        return able

    # --- telling ----------------------------------------------------------------------------------------------------
    def _show(self, verdict: Verdict) -> None:
        """One line that is written over, and only when it changes."""
        volts = "" if verdict.volts is None else f"{verdict.volts:9.3f} V"
        text = f"    {volts}  {SAYS.get(verdict.state, '')}"[:COLUMNS]
        if text != self._shown:
            self._shown = text
            self.operator.write(f"\r\x1b[K{text}")

    def _announce(self, title: str, volts: float | None) -> None:
        self._shown = ""
        value = "OVER RANGE" if volts is None else show(volts, "V")
        large = value if fits(value, COLUMNS - 4) else "OK"
        lines = banner(large).replace("\n", "\n    ")
        self.operator.write(f"\r\x1b[K\a\n    {lines}\n\n    taken: {value} at {title.removeprefix('Probe ')}\n")
