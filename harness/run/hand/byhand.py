"""Both hands on the probes: a prompt, and the reading is taken when it is steady and contact is proven.

    hands = SteadyHands(operator)
    hands.attach(bench)                         its meter and clock
    hands.place("Probe TP3", "left edge, third pad   net +3V3")
    hands.held("TP3")                           after the measurement: whether the probe was on it all the time
    hands.took("TP3", "3.302 V")                the bell, and the value in large letters

A hand that lifts at once must not turn a short into an open circuit: contact is proven before the measurement and again
after it, and only then it rings. Enter takes what stands there now, r starts over, b goes back to the point before, s
skips the point, q stops. When contact counts as proven is decided in steady.py; here are meter, keys and screen.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from wakeboard.harness.run.errors import OperatorStop, SkipPoint, TakeAgain
from wakeboard.harness.run.hand.banner import banner, fits
from wakeboard.harness.run.hand.operator import ENTER, STOP_KEYS
from wakeboard.harness.run.hand.steady import (
    BAND_SHARE,
    BAND_VOLTS,
    LOOKS,
    SLOWER,
    Look,
    Verdict,
    judge,
    lifted,
    open_lead_rate,
)

if TYPE_CHECKING:
    from wakeboard.harness.run.hand.operator import Operator

KEYS = "r: again   b: last point again   s: skip   q: stop   Enter: take it now"
FIRST_KEYS = KEYS.replace("   b: last point again", "")
REGRET_KEYS = "b: take it again"
BACK = ("b", "B")
FAILED_KEYS = "Enter: go on   b: take it again   q: stop"
STILL_KEYS = "Enter: yes   r: no, again   q: stop"
REGRET = 1.5  # s after the last point of a step in which it can still be taken again
HAND = 2.0  # s after a prompt in which no hand has moved to the next point: Enter was meant for the one before
GAP = 0.05  # s between looks, at least
HIGH = 1e9  # Ω: from here on an input counts as high-ohmic
TURNED_SAYS = "negative, with the leads reversed as asked: Enter if it is so"
TIPS = "the other tip"
UNPROVEN = ("open", "moving", "prove")  # taken by a key in these, a point may read as an open lead does
COLUMNS = 78  # of a terminal of 80, a margin taken off

SAYS = {
    "moving": "moving",
    "old": "not moved yet: lift it for a second; Enter if it is on it",
    "blind": "the last net reads as an open lead: Enter if it is on it",
    "prove": "near zero: looking whether the lead is open",
    "open": "no contact, or a net that floats: Enter if the probe is on it",
    "zero": "0 V, as an open lead reads too: Enter if the probe is on it",
    "negative": "NEGATIVE: are the leads reversed? Enter if it is so",
    "over": "OVER RANGE",
}


class SteadyHands:
    """What HandProbing calls to have a probe placed. One for a whole session: it learns whether an open lead moves."""

    def __init__(self, operator: Operator) -> None:
        self.operator = operator
        self.bench: Any = None
        self.zeroed = False
        self.fastest = 0.0  # V/s of the fastest open lead seen with a high-ohmic input; 0: none was seen to move
        self.taken: list[str] = []  # how each point was accepted, for those who look behind
        self._fresh = True  # the probe was on no point yet
        self._lost = False  # seen to be open since the last reading, and the same point is asked for
        self._turned = False  # the run itself has asked for reversed leads
        self._goes_back = True  # the step has a point before this one
        self._tips = False  # the tips were together for their check, and no point was taken since
        self._rested = ""  # where the lead is while nobody has seen it move
        self.doubt = ""  # of the point that was placed last: what a key said against what the meter saw
        self.blind = False  # the last point may read as an open lead does: from there no lift can be seen
        self.at = ""  # the point that was measured last, as far as it is known to have been
        self._shown = ""

    @property
    def trusted(self) -> bool:
        """Whether an open lead of this meter was seen to move."""
        return self.fastest > 0.0

    def attach(self, bench: object) -> None:
        """The bench whose meter is used. Raises nothing."""
        self.bench = bench

    def may_go_back(self, able: bool) -> None:
        """Whether the step has a point before the next one."""
        self._goes_back = able

    def regrets(self, failed: bool = False) -> bool:
        """After the last point of a step: whether b is pressed within a moment, or, where the reading failed, what the
        person wants. Raises OperatorStop."""
        if self.bench is None:
            return False
        keys = FAILED_KEYS if failed else REGRET_KEYS
        title = f"{self.at} fails: was the probe on it?" if failed else "Taken"
        self.operator.write(f"    {title}   {keys}\n" if failed else f"    {keys}\n")
        self.operator.also_asks(title, "", keys)
        ends = math.inf if failed else self.bench.clock.now() + REGRET
        with self.operator.watching() as key:
            while self.bench.clock.now() < ends:
                self.operator.beat()
                pressed = key(GAP)
                if pressed in STOP_KEYS:
                    raise OperatorStop("stopped after a point")
                if pressed is not None and (not failed or pressed in (*BACK, *ENTER)):
                    return pressed in BACK
                self.bench.clock.sleep(0.0 if self.operator.waits else GAP)
        return False

    def zero_seen(self) -> None:
        """The probes were touched together and the meter read zero: not asked again in this session. They may still
        touch each other: the first point counts once they have moved."""
        self.zeroed, self._fresh = True, False
        self._tips, self._rested = True, TIPS
        self.operator.shows("the leads read zero")
        self.operator.write("\n")

    def place(self, title: str, detail: str) -> None:
        """Prompt and wait until the probe is there. Raises SkipPoint, TakeAgain, OperatorStop, what the bench and guard
        raise."""
        if self.bench is None:  # no meter yet: a key it is
            self.operator.tell(title, detail)
            return
        self.at = ""  # on its way, until it is measured there
        name = title.rpartition("Probe ")[2].removeprefix("Once more: ")
        back = self._goes_back and bool(self.taken) and title.startswith("Probe")
        self.operator.prompt(title, detail, KEYS if back else FIRST_KEYS)
        self._turned = "black lead on the point" in detail
        try:
            with self.operator.watching() as key:
                moved = self._until_taken(title, key)
        except BaseException:  # a stop too: what is told next begins a line of its own
            self.operator.write("\n")
            raise
        finally:  # skipped or not: the probe may be on a point from here on
            self._fresh = self._lost = False
            self.bench.set_input(False)
            self._shown = ""
        self._believe(name, moved)
        self.operator.shows("hold still")
        self.operator.write("\n")

    def _believe(self, name: str, moved: bool) -> None:
        """What has to be said of the point that was placed. Once more at the same point, what was said of it stays."""
        if moved:
            self.doubt = ""
        elif self._rested and name != self._rested:
            self.doubt = f"taken by Enter: the lead was not seen to move from {self._rested}"
        self._tips, self._rested = False, name

    def held(self, name: str) -> bool:
        """Whether the probe is still on the point: proven by the input, or said by the person where an open lead of
        this meter cannot be told from a net at zero. Raises OperatorStop, what the bench and guard raise."""
        if self.bench is None:
            return True
        self.at = name
        try:
            with self.operator.watching() as key:
                return self._still(name, key)
        finally:
            self.bench.set_input(False)
            self._shown = ""

    def _still(self, name: str, key: object) -> bool:
        looks: list[Look] = []
        can_prove = self.make_high(False)
        while True:
            self.operator.beat()
            looks.append(self.look())
            verdict = judge(looks, fresh=True, trusted=self.trusted, can_prove=can_prove)
            if verdict.state in ("held", "negative", "over"):
                return True
            if verdict.state == "open":
                self._lost = True
                return False
            if verdict.state == "zero":
                return self._said_to_be_on(name, key)
            if verdict.state == "prove":
                can_prove = self.make_high(True)
            if self.pressed(key) in STOP_KEYS:
                raise OperatorStop(f"stopped at: {name}")

    def _said_to_be_on(self, name: str, key: object) -> bool:
        """The person's word, where nothing tells an open lead from this net."""
        reads = "reads as an open lead does"
        self.operator.write(f"\r\x1b[K\a    {reads}: is the probe still on {name}? {STILL_KEYS}\n")
        self.operator.also_asks(f"Is the probe still on {name}?", f"It {reads}.", STILL_KEYS)
        while True:
            self.operator.beat()
            pressed = self.pressed(key)
            if pressed in ENTER:
                return True
            if pressed in STOP_KEYS:
                raise OperatorStop(f"stopped at: {name}")
            if pressed in ("r", "R", *BACK):
                return False

    def pressed(self, key: Any) -> str | None:
        """The key that was pressed within a moment, if any."""
        pressed: str | None = key(GAP)
        if pressed is None:
            self.bench.clock.sleep(0.0 if self.operator.waits else GAP)
        return pressed

    def _until_taken(self, title: str, key: object) -> bool:
        """Gives whether the lead was seen to move to it."""
        looks: list[Look] = []
        fresh = self._fresh or self._lost
        began = self.bench.clock.now()
        can_prove = self.make_high(False)
        while True:
            self.operator.beat()
            looks.append(self.look())
            verdict = self._judged(looks, fresh, can_prove)
            self._show(verdict, moves=_moves(looks))
            if verdict.state == "held":
                self._accepted("steady", blind=False)
                return True
            if verdict.state == "prove":
                can_prove = self.make_high(True)
            elif verdict.state == "open":
                self.make_high(False)
            pressed = self.pressed(key)
            if pressed in ENTER and self._early(looks, fresh, began):
                self._shown = ""  # the line is told again
            elif pressed in ENTER:
                self._accepted("key", blind=verdict.state in UNPROVEN)
                return self._moved(looks, fresh)
            if pressed in ("s", "S"):
                raise SkipPoint(title)
            if pressed in BACK and title.startswith("Probe"):
                raise TakeAgain(title)
            if pressed in STOP_KEYS:
                raise OperatorStop(f"stopped at: {title}")
            if pressed in ("r", "R"):  # over again, but a probe that was not lifted has not been lifted by a key
                fresh = fresh or lifted(looks, self.fastest / SLOWER)
                looks, can_prove = [], self.make_high(False)

    def _early(self, looks: list[Look], fresh: bool, began: float) -> bool:
        """Whether Enter was meant for the point before: the lead was not seen to leave it, and hands take longer."""
        if not self.taken and not self._tips:
            return False
        return not self._moved(looks, fresh) and self.bench.clock.now() - began < HAND

    def _moved(self, looks: list[Look], fresh: bool) -> bool:
        return fresh or lifted(looks, self.fastest / SLOWER)

    def _judged(self, looks: list[Look], fresh: bool, can_prove: bool) -> Verdict:
        """Nothing but a key accepts the next point where the last one reads as an open lead does."""
        least_rate = self.learned(looks)
        verdict = judge(looks, fresh=fresh, trusted=self.trusted, can_prove=can_prove, least_rate=least_rate)
        if self.blind and not fresh and verdict.state in ("held", "old"):
            return Verdict("blind", verdict.volts)
        if self._tips and verdict.state == "zero" and not self._moved(looks, fresh):
            return Verdict("old", verdict.volts)  # as tips that still touch read
        return verdict

    def learned(self, looks: list[Look]) -> float:
        """How fast an open lead is at least, V/s, by these looks and all before them."""
        self.fastest = max(self.fastest, open_lead_rate(looks) or 0.0)
        return self.fastest / SLOWER

    def off(self, *, seen: bool) -> None:
        """No point has the lead now. seen: in the air, by the meter."""
        self.at = ""
        self._fresh = self._fresh or seen
        self.blind = self.blind and not seen

    def _accepted(self, how: str, *, blind: bool) -> None:
        self.taken.append(how)
        self.blind = blind

    def look(self) -> Look:
        """What the meter shows now. Raises what the bench raises."""
        seen = self.bench.volts_or_overload()
        high = self.bench.input_ohms >= HIGH
        return Look(self.bench.clock.now(), None if seen.overload else seen.value, high)

    def make_high(self, high: bool) -> bool:
        """Set the input; gives whether it can be made high-ohmic at all on the range in use."""
        able = bool(self.bench.can_be_high)
        if able:
            self.bench.set_input(high)
        return able

    # --- telling ----------------------------------------------------------------------------------------------------
    def _show(self, verdict: Verdict, moves: bool) -> None:
        """One line that is written over, and only when it changes."""
        volts = "" if verdict.volts is None else f"{round(verdict.volts, 3) + 0.0:9.3f} V"  # no -0.000
        says = TURNED_SAYS if self._turned and verdict.state == "negative" else SAYS.get(verdict.state, "")
        if verdict.state == "moving" and not moves:
            says = "looking"
        text = f"{volts}  {says}"[: COLUMNS - 4]
        if text != self._shown:
            self._shown = text
            self.operator.shows(text)

    def took(self, name: str, value: str) -> None:
        """The bell, and what was measured: the probe may leave."""
        self.at = name
        large = value if fits(value, COLUMNS - 4) else "OK"
        self.operator.took(name, value, banner(large).replace("\n", "\n    "))


def _moves(looks: list[Look]) -> bool:
    """Whether the last looks differ by more than a probe at rest shows."""
    lately = [each.volts for each in looks[-LOOKS:] if each.volts is not None]
    return not lately or max(lately) - min(lately) > BAND_VOLTS + BAND_SHARE * abs(lately[-1])
